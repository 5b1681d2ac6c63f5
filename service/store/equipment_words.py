"""What equipment and care tasks are called in sentences, from the words that their keeper wrote down."""

from typing import Final

_LETTERS: Final = frozenset({"uv", "uva", "uvb", "led"})
"""Words that are letters, written in capitals."""


def equipment_words(kind: str) -> str:
    """Return a kind of equipment, or of task, in words: ``uvb-lamp`` is ``UVB lamp``."""
    words = kind.replace("-", " ").replace("_", " ").split()
    return " ".join(word.upper() if word.lower() in _LETTERS else word for word in words)


def first_up(words: str) -> str:
    """Return words that begin a sentence; what stands in capitals stays so."""
    return words[:1].upper() + words[1:]

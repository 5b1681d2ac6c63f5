"""JSON Pointer (RFC 6901): a path to one value in a JSON document."""

import re
from dataclasses import dataclass
from functools import lru_cache

_BAD_ESCAPE = re.compile(r"~(?![01])")
# The grammar of section 4: no sign, no leading zero. Nine digits are more than a payload can hold.
_ARRAY_INDEX = re.compile(r"(?:0|[1-9][0-9]{0,8})", re.ASCII)


class PointerError(ValueError):
    """A pointer that is not written as RFC 6901 asks, or that leads nowhere in a document."""


@dataclass(frozen=True, slots=True)
class Pointer:
    """A pointer taken apart once, to be followed many times.

    Attributes
    ----------
    text : str
        As it was written.
    tokens : tuple of str
        Its reference tokens, unescaped; empty for the whole document.
    """

    text: str
    tokens: tuple[str, ...]

    def resolve(self, document: object) -> object:
        """Return the value that the pointer leads to.

        Parameters
        ----------
        document : object
            Decoded JSON: dict, list, str, float, int, bool or None.

        Raises
        ------
        PointerError
            If there is no such value; the sentence names the step that failed.
        """
        value = document
        for step, token in enumerate(self.tokens):
            if isinstance(value, dict) and token in value:
                value = value[token]
            elif isinstance(value, list):
                value = self._element(value, step)
            else:
                raise PointerError(self._not_there(value, step))
        return value

    def _element(self, array: list[object], step: int) -> object:
        token = self.tokens[step]
        if _ARRAY_INDEX.fullmatch(token) and int(token) < len(array):
            return array[int(token)]
        raise PointerError(f"'{self.text}' leads nowhere: '{token}' is no index in a list of {len(array)}")

    def _not_there(self, value: object, step: int) -> str:
        token = self.tokens[step]
        if not isinstance(value, dict):
            kind = "null" if value is None else type(value).__name__
            return f"'{self.text}' leads nowhere: there is nothing below a {kind} at '{token}'"
        # An ellipsis says that the message has more members than are worth a line.
        names = [f"'{str(name)[:20]}'" for name in list(value)[:6]]
        here = ", ".join(names) + (", …" if len(value) > len(names) else "") if names else "nothing"
        return f"'{self.text}' leads nowhere: no member '{token}' beside {here}"


@lru_cache(maxsize=4096)
def compile_pointer(text: str) -> Pointer:
    """Take a pointer apart.

    Parameters
    ----------
    text : str
        As RFC 6901 section 3 writes it: empty for the whole document, otherwise starting with `/`.

    Raises
    ------
    PointerError
        If it is not written so.

    References
    ----------
    .. [1] RFC 6901, sections 3 and 4: `~1` is decoded before `~0`.
    """
    if text and not text.startswith("/"):
        raise PointerError(f"pointer '{text}' starts without a '/': write '/{text}'")
    if _BAD_ESCAPE.search(text):
        raise PointerError(f"pointer '{text}' has a '~' without 0 or 1 after it: write '~0' for a '~'")
    tokens = tuple(token.replace("~1", "/").replace("~0", "~") for token in text.split("/")[1:])
    return Pointer(text, tokens)

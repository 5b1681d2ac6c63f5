"""The project's own documents, taken apart: code blocks, code in a line, headings, links, table rows."""

import itertools
import re
import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[1]
_FENCE = re.compile(
    r"^(?P<indent> *)```(?P<language>[\w-]*)[^\n]*\n(?P<text>.*?)^(?P=indent)```$", re.MULTILINE | re.DOTALL
)
SHELL = ("sh", "bash", "console", "")
_WITH_ARGUMENT = frozenset({"-u", "-f", "--user"})
_IN_LINE = re.compile(r"`([^`\n]+)`")
_TYPED = re.compile(r"(?:'[^']*'|[^'\n])+")
_LINK = re.compile(r"!?\[[^\]]*\]\(([^)\s]+)[^)]*\)")
_HEADING = re.compile(r"^#+ +(.+?) *$", re.MULTILINE)


@dataclass(frozen=True)
class Block:
    """A fenced block of a document."""

    language: str
    text: str


@dataclass(frozen=True)
class Document:
    """A Markdown file."""

    path: Path

    @property
    def name(self) -> str:
        return self.path.relative_to(ROOT).as_posix()

    @property
    def text(self) -> str:
        return self.path.read_text(encoding="utf-8")

    @property
    def prose(self) -> str:
        """The text without its fenced blocks."""
        return _FENCE.sub("", self.text)

    def blocks(self, *languages: str) -> list[Block]:
        found = [Block(match["language"], match["text"]) for match in _FENCE.finditer(self.text)]
        return [block for block in found if not languages or block.language in languages]

    def in_line(self) -> list[str]:
        """Return the code that stands within sentences."""
        return _IN_LINE.findall(self.prose)

    def links(self) -> list[str]:
        return _LINK.findall(_IN_LINE.sub("", self.prose))

    def anchors(self) -> set[str]:
        """Return what a link can point to: each heading in small letters, without signs, dashes for blanks."""
        headings = [heading.replace("`", "").lower() for heading in _HEADING.findall(self.prose)]
        return {re.sub(r"[^\w\- ]", "", heading).replace(" ", "-") for heading in headings}

    def rows(self) -> list[list[str]]:
        """Return the cells of every table row, the lines under the heads left out."""
        lines = [line for line in self.prose.splitlines() if line.startswith("|")]
        rows = [[cell.strip() for cell in line.strip().strip("|").split("|")] for line in lines]
        return [row for row in rows if not set("".join(row)) <= set("-: ")]


@cache
def document(name: str) -> Document:
    return Document(ROOT / name)


def documents() -> list[Document]:
    """Return every Markdown file that belongs to the project."""
    places = [ROOT, ROOT / "docs", ROOT / "sensors" / "examples", *(ROOT / "deploy").rglob("**/")]
    return [Document(path) for place in dict.fromkeys(places) for path in sorted(place.glob("*.md"))]


def shown_lines(*languages: str) -> list[tuple[str, str]]:
    """Return what is typed in every block of these languages, each with its document's name; a quote may hold lines."""
    return [
        (each.name, line.strip())
        for each in documents()
        for block in each.blocks(*languages)
        for line in _TYPED.findall(block.text.replace("\\\n", " "))
        if line.strip()
    ]


def shown_commands() -> list[tuple[str, list[str]]]:
    """Return the words after each `wardian` that a document shows in a block, with the document's name."""
    return [(name, call) for name, lines in shown_lines(*SHELL) for line in lines.splitlines() for call in calls(line)]


def calls(line: str) -> Iterator[list[str]]:
    """Yield the words after each `wardian` that a shell line runs; `sudo -u wardian` and the like run none."""
    if "wardian" not in line:
        return
    for operator, part in itertools.groupby(_words(line), key=lambda word: not word.strip("();<>|&")):
        words = [] if operator else list(part)
        if words[:2] == ["docker", "compose"] and "exec" in words:
            # The first word after exec and its options is the container.
            words = list(itertools.dropwhile(lambda word: word in {"exec", "-T"}, words[words.index("exec") :]))[1:]
        while words and (words[0] in {"sudo", "env", "$"} or words[0].startswith("-") or "=" in words[0]):
            words = words[2 if words[0] in _WITH_ARGUMENT else 1 :]
        if words and Path(words[0]).name == "wardian":
            yield words[1:]


def _words(line: str) -> list[str]:
    """Take a shell line apart; operators are words of their own, a comment is none."""
    lexer = shlex.shlex(line, posix=True, punctuation_chars=True)
    lexer.whitespace_split = True
    return list(lexer)

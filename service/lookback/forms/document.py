"""What a report is made of, whatever it is written as: sections of paragraphs, lists, tables and pictures."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TypeAlias


@dataclass(frozen=True, slots=True)
class Paragraph:
    """A paragraph; `style` is "plain", "lead", "caution" or "small"."""

    text: str
    style: str = "plain"


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list; `title` stands over it as a heading of its own."""

    title: str
    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell of a table; `day` is the enclosure and the date whose page shows the readings that it rests on."""

    text: str
    mark: str = ""
    day: tuple[str, str] | None = None


@dataclass(frozen=True, slots=True)
class Table:
    """A table; `widths` are shares of its columns, and `numbers` the columns that are set to the right."""

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    widths: tuple[float, ...]
    numbers: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class Picture:
    """A drawing as SVG, with what it shows in a sentence."""

    svg: str
    alt: str
    caption: str


Block: TypeAlias = Paragraph | Bullets | Table | Picture


@dataclass(frozen=True, slots=True)
class Section:
    """A part of a report under its own heading."""

    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Document:
    """A report.

    Attributes
    ----------
    title : str
    about : tuple of (str, str)
        What stands beneath it: whose, when, of what.
    sections : tuple of Section
    fingerprint : str
        Of the data and of what is said.
    key : str
        By which the same report can be asked for again: see `service.lookback.forms.key`.
    """

    title: str
    about: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...]
    fingerprint: str
    key: str = field(default="")


def cells(texts: Iterable[str]) -> tuple[Cell, ...]:
    """Return plain cells."""
    return tuple(Cell(text) for text in texts)

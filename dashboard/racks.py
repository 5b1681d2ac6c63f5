"""Where tiles stand: racks as in the room, laid in lines on the wall, and paged by rack where there are many."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from service.store.facts import EnclosureFact

MOST_COLUMNS = MOST_ROWS = 16
"""As many columns and rows as the style sheet places; a rack with more keeps its order instead of its places."""
PAGE_TILES: Final = 60
"""So many tiles can be read from three metres on one screen (common practice, no source)."""
TURNED_TILES: Final = 40
"""A room that is turned page by page all the same shows fewer at a time, and larger."""
_WALL: Final = (1880.0, 760.0)
"""What the racks have of a screen of 1920 by 1080. [px]"""
_TILE_ASPECT: Final = 2.1
_MOST_LINES: Final = 4
_WORTH_A_LINE: Final = 1.3
"""Racks stand side by side in a room: another line must make the tiles that much larger."""


@dataclass(frozen=True, slots=True)
class Cell:
    """An enclosure's place in its rack; 0 where the rack keeps only the order."""

    enclosure: EnclosureFact
    column: int
    row: int


@dataclass(frozen=True, slots=True)
class Rack:
    """A rack as it stands: columns are slots, rows are levels, the highest level first.

    Attributes
    ----------
    name : str
        Empty for the enclosures without a place.
    columns, rows : int
    cells : tuple of Cell
        In reading order.
    """

    name: str
    columns: int
    rows: int
    cells: tuple[Cell, ...]

    @property
    def is_placed(self) -> bool:
        """Whether its enclosures stand where they stand in the room, not in order alone."""
        return self.cells[0].column > 0

    def floor(self, line: "Line") -> int:
        """Return how many rows lie above the rack on its line: racks stand on the floor."""
        return line.rows - self.rows if self.is_placed else 0


@dataclass(frozen=True, slots=True)
class Line:
    """Racks side by side, and the columns that are left free so that tiles are alike on every line of a page."""

    racks: tuple[Rack, ...]
    rows: int
    free: int


def racks_of(enclosures: Iterable[EnclosureFact]) -> list[Rack]:
    """Return the racks in order of their names, and last the enclosures that have no place of their own."""
    placed: dict[str, dict[tuple[int, int], EnclosureFact]] = {}
    elsewhere: list[EnclosureFact] = []
    for enclosure in enclosures:
        rack = placed.setdefault(enclosure.rack, {}) if enclosure.rack else None
        if rack is None or enclosure.level is None or enclosure.slot is None:
            elsewhere.append(enclosure)
        elif (enclosure.level, enclosure.slot) in rack:
            elsewhere.append(enclosure)  # Two in one place: both are shown.
        else:
            rack[enclosure.level, enclosure.slot] = enclosure
    racks = [_rack(name, placed[name]) for name in sorted(placed, key=natural) if placed[name]]
    if elsewhere:
        columns = min(MOST_COLUMNS, max(1, round((len(elsewhere) * 1.2) ** 0.5)))
        cells = tuple(Cell(enclosure, 0, 0) for enclosure in elsewhere)
        racks.append(Rack("", columns, min(MOST_ROWS, -(-len(elsewhere) // columns)), cells))
    return racks


def natural(name: str) -> tuple[tuple[int, str], ...]:
    """Return a key that sorts ``B2`` before ``B10``."""
    parts: list[tuple[int, str]] = []
    digits = ""
    for sign in f"{name.casefold()}\0":
        if sign.isdecimal():
            digits += sign
            continue
        if digits:
            parts.append((int(digits), ""))
            digits = ""
        parts.append((-1, sign))
    return tuple(parts)


def _rack(name: str, places: dict[tuple[int, int], EnclosureFact]) -> Rack:
    levels = [level for level, _ in places]
    slots = [slot for _, slot in places]
    top, left = max(levels), min(1, *slots)
    columns, rows = max(slots) - left + 1, top - min(1, *levels) + 1
    order = sorted(places, key=lambda place: (-place[0], place[1]))
    if columns > MOST_COLUMNS or rows > MOST_ROWS:
        columns = min(MOST_COLUMNS, len(set(slots)))
        return Rack(
            name,
            columns,
            min(MOST_ROWS, -(-len(order) // columns)),
            tuple(Cell(places[place], 0, 0) for place in order),
        )
    cells = tuple(Cell(places[level, slot], slot - left + 1, top - level + 1) for level, slot in order)
    return Rack(name, columns, rows, cells)


def pages_of(racks: Sequence[Rack]) -> list[list[Line]]:
    """Return the racks on one page of at most `PAGE_TILES` enclosures, or on several of at most `TURNED_TILES`.

    A rack is never parted, so that one with more stands alone; each page comes in lines.
    """
    most = PAGE_TILES if sum(len(rack.cells) for rack in racks) <= PAGE_TILES else TURNED_TILES
    pages: list[list[Rack]] = []
    for rack in racks:
        tiles = len(rack.cells) + sum(len(other.cells) for other in pages[-1]) if pages else most + 1
        if tiles > most:
            pages.append([rack])
        else:
            pages[-1].append(rack)
    return [lines_of(page) for page in pages]


def lines_of(racks: Sequence[Rack]) -> list[Line]:
    """Return the racks in as many lines as make the tiles largest on a wall screen."""
    best: list[list[Rack]] = [list(racks)]
    largest = 0.0
    for lines in range(1, min(_MOST_LINES, len(racks)) + 1):
        laid = _laid(racks, lines)
        columns = max(sum(rack.columns for rack in line) for line in laid)
        rows = sum(max(rack.rows for rack in line) for line in laid)
        size = min(_WALL[0] / columns / _TILE_ASPECT, _WALL[1] / rows)
        if size > largest * _WORTH_A_LINE:
            best, largest = laid, size
    widest = max(sum(rack.columns for rack in line) for line in best)
    return [
        Line(tuple(line), max(rack.rows for rack in line), widest - sum(rack.columns for rack in line)) for line in best
    ]


def _laid(racks: Sequence[Rack], lines: int) -> list[list[Rack]]:
    """Break the racks, in their order, into lines of about the same width."""
    total = sum(rack.columns for rack in racks)
    laid: list[list[Rack]] = [[] for _ in range(lines)]
    before = 0.0
    for rack in racks:
        laid[min(lines - 1, int((before + rack.columns / 2) / total * lines))].append(rack)
        before += rack.columns
    return [line for line in laid if line]

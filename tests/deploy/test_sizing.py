"""How large a computer must be: the guide's table follows from the measured figures by the formulas beside it."""

import pytest

from tests.documents import document

FIGURES = document("docs/performance.md").rows()
SECONDS_A_YEAR = 365 * 86_400
ROWS = [row for row in document("docs/operators-guide.md").rows() if row[0].endswith("enclosures") and len(row) == 7]


def figure(begins: str) -> tuple[float, float]:
    """Return what was measured of ours, and its bare limit."""
    (row,) = (row for row in FIGURES if row[0].startswith(begins))
    return float(row[1].replace(",", "")), float(row[2].replace(",", ""))


def number(cell: str) -> float:
    return float(cell.split(maxsplit=1)[0].replace(",", ""))


def test_the_guide_has_a_table_of_sizes() -> None:
    assert len(ROWS) >= 4


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row[0]} {row[2]}")
def test_a_row_follows_from_the_measured_figures(row: list[str]) -> None:
    channels, every = number(row[1]), number(row[2])
    assert number(row[3]) == pytest.approx(channels / every, rel=0.05)
    most, bare = figure("Resident memory of `wardian up`, 800 channels")
    # Measured anew, a figure moves; a table that is off by more than a fifth is another table.
    assert number(row[4]) == pytest.approx(bare + (most - bare) * channels / 800, rel=0.2)
    sealed, _ = figure("A reading of a sealed month, 25 ms jitter, SQLite file")
    assert number(row[5]) == pytest.approx(channels / every * SECONDS_A_YEAR * sealed / 1e6, rel=0.2)
    slowest, _ = figure("Ingest, embedded broker, window 100, backlog")
    assert number(row[6]) == pytest.approx(slowest / 10 / (channels / every), rel=0.2)

"""The table of all figures, for a terminal and for the document."""

from collections.abc import Sequence
from statistics import median

from tests.bench.figures import Figure

HEADER = ("figure", "ours", "bare limit", "unit", "ratio", "target", "met")


def row_of(figure: Figure) -> tuple[str, ...]:
    """Return a figure's cells: medians, with the least and greatest of the pairs' ratios behind the ratio."""
    pairs = figure.pairs
    ratio = f"{pairs.ratio:.2f}"
    if len(pairs.ratios) > 1:
        ratio += f" ({min(pairs.ratios):.2f}–{max(pairs.ratios):.2f})"
    met = {True: "yes", False: "NO", None: "–"}[figure.is_met]
    words = figure.target.words if figure.target else "–"
    return (figure.what, _several(figure, pairs.ours), _several(figure, pairs.bare), figure.unit, ratio, words, met)


def _several(figure: Figure, values: Sequence[float]) -> str:
    return f"{median(values):,.{figure.digits}f}"


def plain(figures: Sequence[Figure]) -> str:
    """Return the table as aligned text, each figure's note below it."""
    rows = [HEADER, *(row_of(figure) for figure in figures)]
    widths = [max(len(row[column]) for row in rows) for column in range(len(HEADER))]
    lines = [_aligned(rows[0], widths), "  ".join("-" * width for width in widths)]
    for row, figure in zip(rows[1:], figures, strict=True):
        lines.append(_aligned(row, widths))
        if figure.note:
            lines.append(f"    {figure.note}")
    return "\n".join(lines)


def _aligned(row: Sequence[str], widths: Sequence[int]) -> str:
    return "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()


def markdown(figures: Sequence[Figure]) -> str:
    """Return the table for the document."""
    rows = [HEADER, ("---",) * len(HEADER), *(row_of(figure) for figure in figures)]
    return "\n".join(f"| {' | '.join(row)} |" for row in rows)

"""docs/performance.md: the table, the machine it was measured on, and how each figure is measured."""

from collections.abc import Sequence
from pathlib import Path

from tests.bench import machine
from tests.bench.figures import Figure, Subject
from tests.bench.table import markdown

PATH = Path(__file__).parents[2] / "docs" / "performance.md"
_HEAD = """\
# Performance

What Wardian does beside what the bare parts can do, measured in the same run on the same machine. `make bench` measures
it again; this page is written by `python -m tests.bench --write`.

Ours and the bare limit are measured in turn (ours, bare, ours, bare …). *Ours* and *bare limit* are medians; *ratio* is
the median of ours over bare, pair by pair, with the least and greatest pair in brackets. Absolute figures move by tens
of per cent between runs on a virtual machine: trust the ratios, and compare absolute figures of one run only.
"""


def write(figures: Sequence[Figure], subjects: Sequence[Subject], load: float) -> None:
    """Write the document anew.

    Parameters
    ----------
    figures : sequence of Figure
        All of them.
    subjects : sequence of Subject
        What they belong to.
    load : float
        How many processes wanted a core before the run.
    """
    facts = [*machine.described(), ("load before the run", f"{load:.2f}")]
    parts = [
        _HEAD,
        markdown(figures),
        "## What else the run showed",
        "\n".join(f"- {figure.what}: {figure.note}." for figure in figures if figure.note),
        "## The machine",
        "\n".join(["| | |", "| --- | --- |", *(f"| {name} | {said} |" for name, said in facts)]),
        "## How each figure is measured",
        *(f"**{subject.name}** — {subject.about}" for subject in subjects),
    ]
    PATH.parent.mkdir(exist_ok=True)
    PATH.write_text("\n\n".join(part.strip() for part in parts) + "\n", encoding="utf-8")

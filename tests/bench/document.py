"""docs/performance.md: a section for each subject, with its table, the machine that it was measured on and how."""

import re
from collections.abc import Mapping, Sequence
from pathlib import Path

from tests.bench import machine
from tests.bench.figures import Figure, Subject
from tests.bench.table import markdown

PATH = Path(__file__).parents[2] / "docs" / "performance.md"
_HEAD = """\
# Performance

What Wardian does beside what the bare parts can do, measured in the same run on the same machine. `make bench` measures
it again; this page is written by `python -m tests.bench --write`, which renews the sections that it is given, or all.

Ours and the bare limit are measured in turn (ours, bare, ours, bare …). *Ours* and *bare limit* are medians; *ratio* is
the median of ours over bare, pair by pair, with the least and greatest pair in brackets. Absolute figures move by tens
of per cent between runs on a virtual machine: trust the ratios, and compare absolute figures of one run only.
"""


def write(measured: Mapping[Subject, Sequence[Figure]], order: Sequence[Subject], load: float) -> None:
    """Write the sections of what was measured anew; those of other subjects stay as they are.

    Parameters
    ----------
    measured : mapping of Subject to sequence of Figure
    order : sequence of Subject
        All that there are, in the order of the page.
    load : float
        How many processes wanted a core before the run.
    """
    where = "; ".join(f"{name} {said}" for name, said in (*machine.described(), ("load before the run", f"{load:.2f}")))
    sections = sections_of(PATH.read_text(encoding="utf-8")) if PATH.exists() else {}
    sections |= {subject.name: _section(subject, figures, where) for subject, figures in measured.items()}
    parts = [_HEAD, *(sections[subject.name] for subject in order if subject.name in sections)]
    PATH.parent.mkdir(exist_ok=True)
    PATH.write_text("\n\n".join(part.strip() for part in parts) + "\n", encoding="utf-8")


def sections_of(text: str) -> dict[str, str]:
    """Return the sections of the page by the names of their subjects."""
    return {part.split("\n", 1)[0]: f"## {part}" for part in re.split(r"^## ", text, flags=re.MULTILINE)[1:]}


def _section(subject: Subject, figures: Sequence[Figure], where: str) -> str:
    notes = "\n".join(f"- {figure.what}: {figure.note}." for figure in figures if figure.note)
    parts = (f"## {subject.name}", subject.about.strip(), markdown(figures), notes, f"*Measured on: {where}.*")
    return "\n\n".join(part for part in parts if part)

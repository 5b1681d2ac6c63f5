"""Measure the figures and say which targets are met: ``python -m tests.bench [name…] [--write] [--pairs N]``.

Exit status: 0 every stated target is met, 1 one is missed, 2 a figure could not be measured.
"""

import argparse
import sys
from collections.abc import Sequence
from dataclasses import replace

from tests.bench import (
    alarm,
    alarms,
    document,
    importing,
    ingest,
    long_spans,
    machine,
    memory,
    month,
    postgres_ingest,
    probes,
    report,
    room_page,
    scale,
    screens,
    sealing,
    series,
    soak,
    start_up,
    storage,
    telling,
    year,
)
from tests.bench.figures import BenchError, Figure, Subject
from tests.bench.table import plain

SUBJECTS = {
    subject.name: subject
    for subject in (
        ingest.SUBJECT,
        probes.SUBJECT,
        memory.SUBJECT,
        alarm.SUBJECT,
        alarms.SUBJECT,
        telling.SUBJECT,
        series.SUBJECT,
        room_page.SUBJECT,
        report.SUBJECT,
        screens.SUBJECT,
        month.SUBJECT,
        storage.SUBJECT,
        long_spans.SUBJECT,
        sealing.SUBJECT,
        importing.SUBJECT,
        postgres_ingest.SUBJECT,
        year.SUBJECT,
        start_up.SUBJECT,
        scale.SUBJECT,
        soak.SUBJECT,
    )
}


def main(words: Sequence[str] | None = None) -> int:
    """Measure what is asked for, print the table, and return the exit status."""
    asked = _parsed(words)
    subjects = [SUBJECTS[name] for name in asked.name or SUBJECTS]
    if asked.hours is not None:
        hours, long = asked.hours, soak.SUBJECT
        lasting = replace(long, measure=lambda pairs, tell: soak.measure(pairs, tell, hours))
        subjects = [lasting if subject is long else subject for subject in subjects]
    load = machine.load()
    try:
        measured = {subject: _measured(subject, asked.pairs) for subject in subjects}
    except BenchError as exc:
        sys.stderr.write(f"bench: {exc}\n")
        return 2
    figures = [figure for of in measured.values() for figure in of]
    sys.stdout.write(f"\n{plain(figures)}\n")
    if asked.write:
        document.write(measured, list(SUBJECTS.values()), load)
        sys.stdout.write(f"\nwritten to {document.PATH}\n")
    missed = [figure.what for figure in figures if figure.is_met is False]
    if missed:
        sys.stderr.write(f"\nmissed: {'; '.join(missed)}\n")
    return 1 if missed else 0


def _measured(subject: Subject, pairs: int | None) -> list[Figure]:
    def tell(said: str) -> None:
        sys.stderr.write(f"{subject.name}: {said}\n")

    return subject.measure(pairs or subject.pairs, tell)


def _parsed(words: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("name", nargs="*", help=f"any of {', '.join(SUBJECTS)}; by default all")
    parser.add_argument("--write", action="store_true", help="write their sections of docs/performance.md anew")
    parser.add_argument("--pairs", type=int, help="how many pairs to measure, at least 1; by default each its usual")
    parser.add_argument("--hours", type=float, help="how many simulated hours `soak` lasts; by default its usual")
    asked = parser.parse_args(words)
    if unknown := [name for name in asked.name if name not in SUBJECTS]:
        parser.error(f"{unknown[0]} is no figure; choose from {', '.join(SUBJECTS)}")
    if asked.pairs is not None and asked.pairs < 1:
        parser.error(f"--pairs is {asked.pairs}, expected at least 1")
    return asked


if __name__ == "__main__":
    sys.exit(main())

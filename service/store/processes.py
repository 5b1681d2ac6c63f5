"""What each process says of itself, kept where the others can read it."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Final

import sqlalchemy as sa
from sqlmodel import Session, select

from service.model import ProcessReport, table_of

REPORT_EVERY_S: Final = 5
SILENT_AFTER_S: Final = 20
"""A process that has not reported for so long is not there. Common practice, no source. [s]"""
_FORGET_AFTER = timedelta(days=1)
_EACH: Final = frozenset({"ingest"})
"""Parts that nobody takes over: a broker keeps messages for each ingest worker."""
_REPORT = table_of(ProcessReport)

FIGURES: Final[dict[str, tuple[bool, str]]] = {
    "readings_stored": (True, "Readings stored since the start."),
    "readings_repeated": (True, "Readings that were stored before, since the start."),
    "messages_refused": (True, "Messages, or parts of one, that could not be taken, since the start."),
    "ingest_lag_seconds": (False, "From the arrival of a batch's first message until the batch was on disk."),
    "commit_seconds": (False, "Storing the last batch."),
    "ingest_waiting": (False, "Messages that are taken and not stored yet."),
    "watch_step_seconds": (False, "The last look of the watch at what came."),
    "watch_writes_behind": (False, "Writes of readings that the watch has not looked at."),
}
"""What a process tells of its work; whether it counts up (else it is how things are now), and in words."""


def report(
    session: Session, name: str, parts: Mapping[str, tuple[bool, str]], figures: Mapping[str, float], now: datetime
) -> None:
    """Say how the parts of a process are.

    Parameters
    ----------
    session : Session
        Of `Store.write`.
    name : str
        The process: the same after a restart.
    parts : mapping
        By part, whether it does its work, and a sentence.
    figures : mapping
        Of `FIGURES`.
    now : datetime
    """
    said = {part: [ok, sentence] for part, (ok, sentence) in parts.items()}
    session.merge(ProcessReport(name=name, reported_at=now, parts=said, figures=dict(figures)))
    far = (_REPORT.c.reported_at < now - _FORGET_AFTER, _REPORT.c.reported_at > now + _FORGET_AFTER)
    session.execute(sa.delete(_REPORT).where(sa.or_(*far)))


def process_ends(session: Session, name: str) -> None:
    """Forget a process that has ended in order: its silence is no fault."""
    session.execute(sa.delete(_REPORT).where(_REPORT.c.name == name))


def parts_elsewhere(session: Session, own_name: str, now: datetime) -> dict[str, tuple[bool, str]]:
    """Return how each part is in the other processes.

    A part that several processes do is well while one of them does it: the others take its work over. Only an ingest
    worker is missed at once, since messages wait for it.

    Returns
    -------
    dict
        By part, whether it does its work, and a sentence; a part that no process has is not in it.
    """
    said: dict[str, tuple[bool, str]] = {}
    for row in session.exec(select(ProcessReport).order_by(_REPORT.c.name)).all():
        if row.name == own_name:
            continue
        # A report from ahead is of before the clock was set back: who lives reports anew.
        silent_s = abs((now - row.reported_at).total_seconds())
        for part, (ok, sentence) in row.parts.items():
            here = (bool(ok), f"{sentence} ({row.name})")
            if silent_s > SILENT_AFTER_S:
                here = (False, f"{row.name} has said nothing for {silent_s:.0f} s; start it again and report its log")
            better = here[0] != (part in _EACH)
            if part not in said or (here[0] != said[part][0] and better):
                said[part] = here
    return said


def figures_of(session: Session, own_name: str, own: Mapping[str, float]) -> dict[str, float]:
    """Return the figures of the whole site: counts are summed, of the others the greatest counts."""
    together = dict(own)
    for row in session.exec(select(ProcessReport)).all():
        for figure, value in ({} if row.name == own_name else row.figures).items():
            counts = FIGURES.get(figure, (False, ""))[0]
            before = together.get(figure, 0.0)
            together[figure] = before + value if counts else max(before, value)
    return together

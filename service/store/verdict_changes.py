"""Verdicts that came out otherwise when their day was assessed again."""

from collections.abc import Iterable, Sequence
from datetime import date

from sqlmodel import Session, select

from service.model import VerdictChange, from_ms, table_of

_CHANGE = table_of(VerdictChange)
Changed = tuple[date, str, str | None, str | None, str]
"""Day, check, the verdict before and after, and why it was assessed again."""


def note_changes(session: Session, enclosure_id: int, changed: Iterable[Changed], now_ms: int) -> None:
    """Add verdicts that changed to the record."""
    for day, check, before, after, reason in changed:
        what = {"check": check, "before": before, "after": after, "reason": reason, "noted_at": from_ms(now_ms)}
        session.add(VerdictChange(enclosure_id=enclosure_id, day=day, **what))


def changes_within(session: Session, enclosure_id: int, first: date, last: date) -> Sequence[VerdictChange]:
    """Return the verdicts of an enclosure's days from `first` to `last` that changed, in the order of the record."""
    query = select(VerdictChange).where(_CHANGE.c.enclosure_id == enclosure_id, _CHANGE.c.day.between(first, last))
    return session.exec(query.order_by(_CHANGE.c.id)).all()

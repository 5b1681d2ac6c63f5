"""How many days before an illness, a death or a failed clutch a keeper wants to look back, species by species."""

from datetime import datetime
from typing import Final

from sqlmodel import Session, select

from service.errors import BadUse
from service.model import LagWindow, table_of

USUAL_DAYS: Final = 42
"""Six weeks (common practice, no source): what went wrong shows in a reptile or an amphibian late."""
LONGEST_DAYS: Final = 730
_LAG: Final = table_of(LagWindow)


def lag_days(session: Session, species: str, kind: str) -> int:
    """Return how many days before an event of a species its keeper looks back; by default `USUAL_DAYS`."""
    row = _row(session, species, kind)
    return USUAL_DAYS if row is None else row.days


def set_lag_days(session: Session, species: str, kind: str, days: int, by: str, now: datetime) -> None:
    """Remember how many days a keeper wants.

    Raises
    ------
    BadUse
        When it is less than a day, or more than `LONGEST_DAYS`.
    """
    if not 1 <= days <= LONGEST_DAYS:
        raise BadUse(f"days: {days} cannot be; look back 1 to {LONGEST_DAYS} days")
    row = _row(session, species, kind)
    if row is None:
        row = LagWindow(species=species.casefold(), kind=kind, days=days, entered_by=by, entered_at=now)
    row.days, row.entered_by, row.entered_at = days, by, now
    session.add(row)
    session.flush()


def _row(session: Session, species: str, kind: str) -> LagWindow | None:
    wanted = (_LAG.c.species == species.casefold(), _LAG.c.kind == kind)
    return session.exec(select(LagWindow).where(*wanted)).first()

"""Entering reference checks and taking them back: dated rows, each change in the journal, no reading touched."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from sqlmodel import Session, select

from sensors.catalogue import expanded_uncertainty
from service.climate.calibration import CheckPoint, why_implausible
from service.errors import BadUse, NotFound, Refused
from service.model import Calibration, Change, table_of
from service.store.facts import ChannelFact, current
from service.store.readings import next_number
from service.store.traceability import element_of

LONGEST_CHECK: Final = timedelta(days=14)
"""Points further apart in time are two checks, not one (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class NewCheck:
    """A reference check to be entered.

    Attributes
    ----------
    points : tuple of dict
        As `service.store.reference_checks.point_json` makes them.
    at : datetime
        When it was made: when its last point was read.
    from_at : datetime or None
        Since when it corrects readings; None means `at`.
    done_by : str
        Who made it.
    note : str or None
    extends_id : int or None
        The check that these points are added to: a line through all of them comes in its place.
    """

    points: tuple[dict[str, Any], ...]
    at: datetime
    done_by: str
    from_at: datetime | None = None
    note: str | None = None
    extends_id: int | None = None


def calibrations_of(session: Session, channel_id: int | None = None) -> Sequence[Calibration]:
    """Return the checks that count, the last made first; of one channel, or of all."""
    rows = [row for row in current(session, Calibration) if channel_id in {None, row.channel_id}]
    return sorted(rows, key=lambda row: (made_at(row), row.id or 0), reverse=True)


def made_at(row: Calibration) -> datetime:
    """Return when a check was made."""
    return row.checked_at or row.from_at


def get_calibration(session: Session, calibration_id: int) -> Calibration:
    """Return a check, also one that another came in the place of.

    Raises
    ------
    NotFound
        There is none of that number.
    """
    row = session.get(Calibration, calibration_id)
    if row is None or row.withdrawn:
        raise NotFound(f"there is no reference check {calibration_id}")
    return row


def successor_of(session: Session, calibration_id: int) -> Calibration | None:
    """Return what came in the place of a check: a corrected one, or the note that it was taken back."""
    table = table_of(Calibration)
    return session.exec(select(Calibration).where(table.c.replaces_id == calibration_id)).first()


def enter_check(session: Session, channel: ChannelFact, new: NewCheck, by: str, now: datetime) -> Calibration:
    """Store a reference check of a channel, from which its history is seen anew.

    Parameters
    ----------
    session : Session
        Of `Store.write`.
    channel : ChannelFact
    new : NewCheck
    by : str
        Who enters it.
    now : datetime

    Raises
    ------
    BadUse
        Its times cannot be.
    NotFound
        There is no check that it adds to.
    Refused
        Its points cannot be a calibration, with the reason; or the check that it adds to is not the newest.
    """
    earlier = None if new.extends_id is None else _extended(session, channel, new)
    points = (*_points_of(earlier), *new.points) if earlier else new.points
    _require_times(new, now)
    checked = [CheckPoint(p["reference"], p["reads"], p["uncertainty"]) for p in points]
    own = expanded_uncertainty(element_of(channel.model, channel.quantity))
    if (why := why_implausible(channel.quantity, checked, own)) is not None:
        raise Refused(f"{channel.key}: {why}")
    row = _row(channel, new, points, earlier, (by, now))
    session.add(row)
    _note(session, channel.key, earlier, row, by, now)
    return row


def _row(
    channel: ChannelFact,
    new: NewCheck,
    points: Sequence[dict[str, Any]],
    earlier: Calibration | None,
    entered: tuple[str, datetime],
) -> Calibration:
    """Return a new check, or the one that comes in the place of an earlier one; `entered` says by whom and when."""
    start = earlier.from_at if earlier else new.from_at or new.at
    return Calibration(
        channel_id=channel.id,
        reference=points[0]["reference"],
        reads=points[0]["reads"],
        uncertainty=points[0]["uncertainty"],
        points=list(points),
        checked_at=None if start == new.at else new.at,
        done_by=new.done_by,
        note=new.note or (earlier.note if earlier else None),
        from_at=start,
        entered_by=entered[0],
        entered_at=entered[1],
        replaces_id=earlier.id if earlier else None,
    )


def withdraw_check(session: Session, channel: ChannelFact, calibration_id: int, by: str, now: datetime) -> None:
    """Take a reference check back: readings are seen as before it. The row stays, with who took it back.

    Raises
    ------
    NotFound
        There is no such check of the channel.
    Refused
        It counts no more.
    """
    row = get_calibration(session, calibration_id)
    if row.channel_id != channel.id:
        raise NotFound(f"{channel.key} has no reference check {calibration_id}")
    if successor_of(session, calibration_id) is not None:
        raise Refused(f"reference check {calibration_id} of {channel.key} counts no more: another came in its place")
    kept = row.model_dump(exclude={"id", "entered_by", "entered_at", "replaces_id", "withdrawn"})
    session.add(Calibration(**kept, entered_by=by, entered_at=now, replaces_id=row.id, withdrawn=True))
    _note(session, channel.key, row, None, by, now)


def _extended(session: Session, channel: ChannelFact, new: NewCheck) -> Calibration:
    newest = next(iter(calibrations_of(session, channel.id)), None)
    if newest is None or newest.id != new.extends_id:
        raise Refused(f"{channel.key}: points are added to its newest reference check alone; enter this as a new one")
    if not timedelta(0) <= new.at - made_at(newest) <= LONGEST_CHECK:
        raise Refused(
            f"{channel.key}: its reference check is of {made_at(newest):%Y-%m-%d}, and points of one check lie within "
            f"{LONGEST_CHECK.days} days; enter this as a new one"
        )
    return newest


def _points_of(row: Calibration) -> tuple[dict[str, Any], ...]:
    first = {"reference": row.reference, "reads": row.reads, "uncertainty": row.uncertainty}
    return tuple(row.points or [first])


def _require_times(new: NewCheck, now: datetime) -> None:
    if new.at > now:
        raise BadUse("at: a reference check that is still to come cannot be entered")
    if new.from_at is not None and new.from_at > new.at:
        raise BadUse("from: a check corrects readings since it was made, or since before, not since later")


def _note(
    session: Session, key: str, before: Calibration | None, after: Calibration | None, by: str, now: datetime
) -> None:
    """Write the journal, and let everyone load the facts anew."""
    told = [None if row is None else _told(row) for row in (before, after)]
    session.add(Change(at=now, by=by, subject=f'channel "{key}"', before=told[0], after=told[1]))
    next_number(session, "facts")
    session.flush()


def _told(row: Calibration) -> dict[str, Any]:
    return {
        "fact": "calibration",
        "from_at": row.from_at.isoformat(),
        "checked_at": made_at(row).isoformat(),
        "points": list(_points_of(row)),
        "done_by": row.done_by,
        "note": row.note,
    }

"""Readings that are older than a rule keeps: what would go is said first, and summaries and pinned spans stay."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final, TypeAlias

import sqlalchemy as sa
from sqlmodel import Session

from service.model import PinnedSpan, Reading, ReadingBlock, table_of, to_ms
from service.store.blocks import DAY_MS
from service.store.engine import Store
from service.store.facts import RoomFacts, load_facts
from service.store.readings import END_OF_TIME, lock_writes

FEWEST_DAYS: Final = 30
_DAYS_AT_ONCE: Final = 200
_BLOCK, _READING, _PIN = table_of(ReadingBlock), table_of(Reading), table_of(PinnedSpan)
Span: TypeAlias = tuple[int, int]


@dataclass(slots=True)
class ChannelPlan:
    """What would be deleted of one channel.

    Attributes
    ----------
    channel_id : int
    days : list of int
        UTC days since 1970, in order.
    readings, size : int
        How many readings, and their bytes.
    pinned : int
        How many days the rule would delete, were they not pinned.
    """

    channel_id: int
    days: list[int] = field(default_factory=list)
    readings: int = 0
    size: int = 0
    pinned: int = 0


def plan_retention(session: Session, keep_days: int, now_ms: int) -> list[ChannelPlan]:
    """Say what a rule would delete now, without deleting anything.

    Only sealed days are deleted: of each, its summary stays. A day that a pinned span touches stays whole.

    Parameters
    ----------
    session : Session
    keep_days : int
        How many days before now are kept, at least `FEWEST_DAYS`.
    now_ms : int
        The time. [ms since 1970, UTC]

    Returns
    -------
    list of ChannelPlan
        Of the channels that have anything so old.

    Raises
    ------
    ValueError
        When fewer days are to be kept.
    """
    if keep_days < FEWEST_DAYS:
        raise ValueError(f"keep_days is {keep_days}, expected at least {FEWEST_DAYS}")
    before = now_ms // DAY_MS - keep_days
    pins = pinned_spans(session, load_facts(session))
    query = sa.select(_BLOCK.c.channel_id, _BLOCK.c.day, _BLOCK.c.readings, sa.func.length(_BLOCK.c.body))
    held = query.where(_BLOCK.c.day < before, _BLOCK.c.body.is_not(None)).order_by(_BLOCK.c.channel_id, _BLOCK.c.day)
    plans: dict[int, ChannelPlan] = {}
    for channel_id, day, readings, size in session.execute(held):
        plan = plans.setdefault(channel_id, ChannelPlan(channel_id))
        if is_pinned(pins, channel_id, day):
            plan.pinned += 1
        else:
            plan.days.append(day)
            plan.readings += readings
            plan.size += size
    return list(plans.values())


def apply_retention(store: Store, plans: Sequence[ChannelPlan]) -> Iterator[int]:
    """Delete what was planned, a bounded number of days at a time, and yield how many readings went each time.

    What was pinned since the plan was made is left alone; readings that came late for a planned day go with it.
    """
    for plan in plans:
        for first in range(0, len(plan.days), _DAYS_AT_ONCE):
            days = plan.days[first : first + _DAYS_AT_ONCE]
            with store.write() as session:
                lock_writes(session)
                pins = pinned_spans(session, load_facts(session))
                gone = [day for day in days if not is_pinned(pins, plan.channel_id, day)]
                yield sum(_delete_day(session, plan.channel_id, day) for day in gone)


def _delete_day(session: Session, channel_id: int, day: int) -> int:
    """Delete the readings of a sealed day, and return how many they were; its summary stays."""
    block = (_BLOCK.c.channel_id == channel_id, _BLOCK.c.day == day, _BLOCK.c.body.is_not(None))
    count = session.execute(sa.select(_BLOCK.c.readings).where(*block)).scalar()
    if count is None:
        return 0
    session.execute(sa.update(_BLOCK).where(*block).values(body=None, checksum=b""))
    within = (_READING.c.at_ms >= day * DAY_MS, _READING.c.at_ms < (day + 1) * DAY_MS)
    session.execute(sa.delete(_READING).where(_READING.c.channel_id == channel_id, *within))
    return count


def is_deleted(session: Session, channel_id: int, day: int) -> bool:
    """Whether the readings of a channel and UTC day were deleted, so that only their summary is kept."""
    row = sa.select(_BLOCK.c.day).where(_BLOCK.c.channel_id == channel_id, _BLOCK.c.day == day, _BLOCK.c.body.is_(None))
    return session.execute(row).first() is not None


def pinned_spans(session: Session, facts: RoomFacts) -> dict[int | None, list[Span]]:
    """Return the pinned spans by channel; those of None concern all channels. [ms, UTC].

    A span that is pinned for an enclosure concerns each channel while it was placed there.
    """
    found: dict[int | None, list[Span]] = {}
    query = sa.select(_PIN.c.channel_id, _PIN.c.enclosure_id, _PIN.c.from_at, _PIN.c.until_at)
    for channel_id, enclosure_id, from_at, until_at in session.execute(query):
        start, end = to_ms(from_at), END_OF_TIME if until_at is None else to_ms(until_at)
        if enclosure_id is None:
            found.setdefault(channel_id, []).append((start, end))
            continue
        for channel in facts.channels.values():
            for placed in channel.placements:
                span = (max(start, placed.start_ms), min(end, placed.end_ms))
                if placed.enclosure_id == enclosure_id and span[0] < span[1] and channel_id in {None, channel.id}:
                    found.setdefault(channel.id, []).append(span)
    return found


def is_pinned(pins: dict[int | None, list[Span]], channel_id: int, day: int) -> bool:
    """Whether a pinned span touches a day of a channel."""
    start, end = day * DAY_MS, (day + 1) * DAY_MS
    spans = [*pins.get(None, ()), *pins.get(channel_id, ())]
    return any(first < end and last > start for first, last in spans)

"""Who is told of what, and when (pure)."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

PRIORITIES: Final = ("low", "medium", "high")


@dataclass(frozen=True, slots=True)
class Listener:
    """A contact as far as it matters here.

    Attributes
    ----------
    id : int
    name : str
    least : str
        The least priority that is sent.
    hours : str or None
        ``07:00-22:00`` by the site's clock; None for always.
    """

    id: int
    name: str
    least: str
    hours: str | None


@dataclass(frozen=True, slots=True)
class Step:
    """A step of the escalation: so long after the step before, these are told."""

    number: int
    after: timedelta
    names: tuple[str, ...]


def hears(listener: Listener, priority: str) -> bool:
    """Whether a contact is told of alarms of that priority at all."""
    return PRIORITIES.index(priority) >= PRIORITIES.index(listener.least)


def told_at_once(listeners: Sequence[Listener], steps: Sequence[Step], priority: str) -> list[Listener]:
    """Return who is told when an alarm is raised: those who are named in no step.

    Where that is nobody, the first step that reaches someone does not wait: an alarm is told at once, always.
    """
    named = {name for step in steps for name in step.names}
    at_once = [one for one in listeners if one.name not in named and hears(one, priority)]
    if at_once:
        return at_once
    for step in steps:
        first = told_in(listeners, step, priority)
        if first:
            return first
    return []


def told_in(listeners: Sequence[Listener], step: Step, priority: str) -> list[Listener]:
    """Return who is told in a step."""
    return [one for one in listeners if one.name in step.names and hears(one, priority)]


def next_step(steps: Sequence[Step], after: int) -> Step | None:
    """Return the step that follows number `after`; 0 asks for the first."""
    return min((step for step in steps if step.number > after), key=lambda step: step.number, default=None)


def is_awake(hours: str | None, now: datetime, zone: ZoneInfo) -> bool:
    """Whether a contact's hours include this instant; they may go over midnight."""
    if hours is None:
        return True
    start, end = _clocks(hours)
    local = now.astimezone(zone).time()
    return start <= local < end if start < end else (local >= start or local < end)


def awake_from(hours: str, now: datetime, zone: ZoneInfo) -> datetime:
    """Return when a contact's hours begin next, by the site's clock."""
    start, _ = _clocks(hours)
    local = now.astimezone(zone)
    for days in range(3):
        opening = datetime.combine(local.date() + timedelta(days=days), start, zone)
        if opening.astimezone(now.tzinfo) > now:
            return opening.astimezone(now.tzinfo)
    raise ValueError(f"hours {hours!r} do not begin within three days")


def _clocks(hours: str) -> tuple[time, time]:
    start, _, end = hours.partition("-")
    return time.fromisoformat(start), time.fromisoformat(end)


def is_held_by_hours(listener: Listener, priority: str, now: datetime, zone: ZoneInfo) -> bool:
    """Whether a contact sleeps now: quiet hours never hold back a high alarm."""
    return priority != "high" and not is_awake(listener.hours, now, zone)

"""What a message says: what, where, since when, how bad, why probably, what to do, and the caution (pure).

Short enough for SMS: a title of at most 70 characters and a text of at most 480, the most urgent first.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal
from zoneinfo import ZoneInfo

from service.notify.audience import PRIORITIES

LONGEST_TITLE: Final = 70
"""One part of an SMS in which a degree sign occurs. [characters]"""
LONGEST_BODY: Final = 480
"""Seven parts of an SMS at most. [characters]"""
_NAMED: Final = 5
_SHOWN: Final = {"Cel": "°C", "1": "", "0/1": "", "%EL": "%"}
Kind = Literal["raised", "escalated", "returned"]


@dataclass(frozen=True, slots=True)
class Wording:
    """What is said of a condition whatever the place.

    Attributes
    ----------
    title, next_step : str
    caution : str
        Empty where nobody is at risk by it.
    may_be_explained : bool
        Whether a common cause may explain it: it is not told before that would be known.
    """

    title: str
    next_step: str
    caution: str = ""
    may_be_explained: bool = False


@dataclass(frozen=True, slots=True)
class Told:
    """One thing that a message tells.

    Attributes
    ----------
    kind : str
    alarm_id : int
    condition, priority : str
    wording : Wording
    place : str
        ``Dart frogs 3, basking spot``.
    began, returned : datetime, datetime or None
    value, peak, limit : float or None
        [unit]
    unit, cause : str
    """

    kind: Kind
    alarm_id: int
    condition: str
    priority: str
    wording: Wording
    place: str
    began: datetime
    returned: datetime | None
    value: float | None = None
    peak: float | None = None
    limit: float | None = None
    unit: str = ""
    cause: str = ""


@dataclass(frozen=True, slots=True)
class Message:
    """What is sent.

    Attributes
    ----------
    title, body : str
    tone : str
        "high", "medium", "low", or "well" when it tells of nothing but what is over.
    told : tuple of Told
        The same as data, for receivers that are programs.
    link : str
        Where the alarm is answered; empty where the public address is not set.
    key : str
        The same for each repetition of one message, so that a receiver can know it again.
    """

    title: str
    body: str
    tone: str
    told: tuple[Told, ...] = ()
    link: str = ""
    key: str = ""


@dataclass(frozen=True, slots=True)
class Frame:
    """What a message needs besides what it tells: now, the site's zone and name, and the pages' public address."""

    now: datetime
    zone: ZoneInfo
    site: str
    base: str = ""


def message_of(told: Sequence[Told], frame: Frame, key: str = "") -> Message:
    """Return the message that tells these things.

    Parameters
    ----------
    told : sequence of Told
        At least one.
    frame : Frame
    key : str
        Of the delivery.
    """
    ordered = sorted(told, key=lambda one: (one.kind == "returned", -PRIORITIES.index(one.priority), one.began))
    first = ordered[0]
    standing = [one for one in ordered if one.kind != "returned"]
    tone = first.priority if standing else "well"
    alarms = {one.alarm_id for one in ordered}
    path = f"/alarms/{first.alarm_id}" if len(alarms) == 1 else "/alarms"
    link = f"{frame.base.rstrip('/')}{path}" if frame.base else ""
    if len(ordered) == 1:
        title, said, rest = _title_of(first), sentence_of(first, frame), _advice(first)
    else:
        title, said, rest = _title_of_many(ordered, frame), _lines(ordered, frame), _advice(first)
    return Message(_cut(title, LONGEST_TITLE), _fitted(said, rest, link), tone, tuple(ordered), link, key)


def sentence_of(one: Told, frame: Frame) -> str:
    """Return what happened in one plain sentence."""
    since = clock(one.began, frame)
    if one.kind == "returned":
        peak = f", at its worst {measured(one.peak, one.unit)}" if one.peak is not None else ""
        over = clock(one.returned, frame) if one.returned else "now"
        return f"{one.place}: {_lower(one.wording.title)} since {since}, back to normal at {over}{peak}."
    figure = f" {measured(one.value, one.unit)}" if one.value is not None else ""
    limit = f", limit {measured(one.limit, one.unit)}" if one.limit is not None else ""
    peak = f", at its worst {measured(one.peak, one.unit)}" if one.peak is not None and one.peak != one.value else ""
    unanswered = " Nobody has acknowledged it." if one.kind == "escalated" else ""
    over = f" It returned to normal at {clock(one.returned, frame)}." if one.returned else ""
    facts = "".join(part for part in (f",{figure}" if figure else "", limit, peak))
    return f"{one.place}: {_lower(one.wording.title)}{facts}, since {since}.{over}{unanswered}"


def _title_of(one: Told) -> str:
    if one.kind == "returned":
        return f"Over: {one.wording.title}, {one.place}"
    return f"{'Unanswered: ' if one.kind == 'escalated' else ''}{one.wording.title}: {one.place}"


def _title_of_many(told: Sequence[Told], frame: Frame) -> str:
    standing = [one for one in told if one.kind != "returned"]
    if not standing:
        return f"{len(told)} alarms over, {frame.site}"
    over = len(told) - len(standing)
    first = standing[0].wording.title
    if len(standing) == 1:
        return f"{first}: {standing[0].place}; {over} over"
    return f"{len(standing)} alarms, {frame.site}: {first}{' and others' if _differ(standing) else ''}"


def _differ(told: Sequence[Told]) -> bool:
    return len({one.condition for one in told}) > 1


def _lines(told: Sequence[Told], frame: Frame) -> str:
    """Return the first few by name, and how many more there are."""
    named = [_line(one, frame) for one in told[:_NAMED]]
    more = len(told) - len(named)
    return "\n".join([*named, *([f"and {more} more"] if more else [])])


def _line(one: Told, frame: Frame) -> str:
    if one.kind == "returned":
        return f"Over: {_lower(one.wording.title)}, {one.place}"
    figure = f" {measured(one.value, one.unit)}" if one.value is not None else ""
    over = f", over since {clock(one.returned, frame)}" if one.returned else ""
    return f"{one.wording.title}: {one.place}{figure}, since {clock(one.began, frame)}{over}"


def _advice(one: Told) -> tuple[str, ...]:
    """Return what is said besides, the most important first; of what is over nothing."""
    if one.kind == "returned":
        return ()
    return tuple(part for part in (one.wording.next_step, one.wording.caution, one.cause) if part)


def _fitted(said: str, advice: Sequence[str], link: str) -> str:
    """Put a text together within its length: the link is always there, what fits no more is left out."""
    room = LONGEST_BODY - (len(link) + 1 if link else 0)
    said = _cut(said, room)
    kept: dict[int, str] = {}
    for number, part in enumerate(advice):
        left = room - len(said) - sum(len(one) + 1 for one in kept.values()) - 1
        if len(part) <= left:
            kept[number] = part
    step, caution, cause = (kept.get(number, "") for number in range(3))
    return "\n".join(part for part in (" ".join(p for p in (said, cause, step, caution) if p), link) if part)


def _cut(text: str, longest: int) -> str:
    return text if len(text) <= longest else f"{text[: longest - 1].rstrip()}…"


def _lower(title: str) -> str:
    return title[:1].lower() + title[1:]


def measured(value: float | None, unit: str) -> str:
    """Return a value with its unit: one decimal for temperatures, whole otherwise."""
    if value is None:
        return "unknown"
    shown = _SHOWN.get(unit, unit)
    return f"{value:.1f} {shown}".rstrip() if shown in {"°C", ""} else f"{value:.0f} {shown}"


def clock(at: datetime, frame: Frame) -> str:
    """Return the site's wall-clock time, with the date when it is not today."""
    local, today = at.astimezone(frame.zone), frame.now.astimezone(frame.zone)
    return f"{local:%H:%M}" if local.date() == today.date() else f"{local:%Y-%m-%d %H:%M}"

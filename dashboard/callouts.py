"""Who needs someone: what happened, where, since when, how bad, why probably, what to do next, and the caution."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from dashboard.tiles import TileView, is_of_the_probe
from dashboard.words import clock, condition_name, exact, iso, measured, span, unit_of, zone_name
from service.api.standing import Standing
from service.model import Alarm
from service.store.equipment_words import equipment_words, first_up
from service.watch.conditions import CARE_OVERDUE, CONDITIONS, ILL_CAUTION, Condition

NEEDS_SOMEONE: Final = ("act", "blind")
_LOOK: Final = "Look at the enclosure."


@dataclass(frozen=True, slots=True)
class AlarmView:
    """One alarm, ready to be read.

    Attributes
    ----------
    id : int
    what, priority, state, where : str
    since, since_iso, since_exact : str
        When it began.
    lasted : str
        How long it has stood, or stood.
    peak, limit, cause, next_step, caution, answer, note : str
        Empty where there is none; `answer` says who acknowledged it, when, or that nobody has.
    returned : str
        When it returned to normal; empty while it stands.
    is_answered : bool
    """

    id: int
    what: str
    priority: str
    state: str
    where: str
    since: str
    since_iso: str
    since_exact: str
    lasted: str
    peak: str
    limit: str
    cause: str
    next_step: str
    caution: str
    answer: str
    note: str
    returned: str
    is_answered: bool


@dataclass(frozen=True, slots=True)
class Callout:
    """An enclosure that needs someone, with its worst alarm where there is one.

    Attributes
    ----------
    tile : TileView
    headline : str
        What is wrong, in a line beside the figure: ``limit 38.0 °C, for 12 min``.
    short : str
        Figure and word, for a line with many.
    alarm, others : AlarmView or None, tuple of AlarmView
    """

    tile: TileView
    headline: str
    short: str
    alarm: AlarmView | None
    others: tuple[AlarmView, ...]


def alarm_view(alarm: Alarm, now: datetime, zone: ZoneInfo) -> AlarmView:
    """Return an alarm in words; `now` and `zone` for ages and local times."""
    known, unit = CONDITIONS.get(alarm.condition), unit_of(alarm.unit)
    until = alarm.returned_at or now
    return AlarmView(
        id=alarm.id or 0,
        what=known.title if known else condition_name(alarm.condition),
        priority=alarm.priority,
        state=alarm.state,
        where=zone_name(alarm.zone) if alarm.zone else _place(alarm),
        since=clock(alarm.began_at, zone, now),
        since_iso=iso(alarm.began_at),
        since_exact=exact(alarm.began_at, zone),
        lasted=span((until - alarm.began_at).total_seconds()),
        peak=measured(alarm.peak, unit) if alarm.peak is not None else "",
        limit=measured(alarm.limit, unit) if alarm.limit is not None else "",
        cause=alarm.cause or "",
        next_step=known.next_step if known else _LOOK,
        caution=caution_of(known),
        answer=_answer(alarm, now, zone),
        note=alarm.note or "",
        returned=clock(alarm.returned_at, zone, now) if alarm.returned_at else "",
        is_answered=alarm.acknowledged_at is not None,
    )


def _place(alarm: Alarm) -> str:
    """Return what an alarm of no zone is about: ``rack/front/B`` is rack B."""
    place = alarm.place
    kind, _, rest = place.partition("/")
    if alarm.condition == CARE_OVERDUE.key:
        return first_up(equipment_words(rest))
    return {"rack": f"Rack {rest.rpartition('/')[2]}", "gateway": f"Gateway {rest}", "room": f"Room {rest}"}.get(
        kind, place
    )


def caution_of(condition: Condition | None) -> str:
    """Return the cautions that belong beside a condition; empty where neither heat nor an animal is at risk by it."""
    if condition is None or condition.caution is None:
        return ""
    return f"{condition.caution} {ILL_CAUTION}" if condition.priority == "high" else condition.caution


def _answer(alarm: Alarm, now: datetime, zone: ZoneInfo) -> str:
    if alarm.acknowledged_at is None:
        return f"unacknowledged since {clock(alarm.raised_at, zone, now)}"
    by = f" by {alarm.acknowledged_by}" if alarm.acknowledged_by else ""
    return f"acknowledged{by}, {clock(alarm.acknowledged_at, zone, now)}"


def callouts(
    standings: Sequence[Standing], tiles: Sequence[TileView], now: datetime, zone: ZoneInfo
) -> tuple[Callout, ...]:
    """Return a call-out for each enclosure that needs someone, the most urgent first.

    Parameters
    ----------
    standings, tiles : sequences of the same length
    now, zone : datetime, ZoneInfo
    """
    found: list[tuple[tuple[int, int, float], Callout]] = []
    for standing, tile in zip(standings, tiles, strict=True):
        if standing.state not in NEEDS_SOMEONE:
            continue
        views = tuple(alarm_view(alarm, now, zone) for alarm in standing.alarms)
        worst = views[0] if views else None
        began = standing.alarms[0].began_at.timestamp() if views else 0.0
        priority = ("high", "medium", "low").index(worst.priority) if worst else 1
        urgency = (NEEDS_SOMEONE.index(standing.state), priority, began)
        found.append((urgency, Callout(tile, headline(standing, worst), short(tile), worst, views[1:])))
    return tuple(callout for _, callout in sorted(found, key=lambda pair: pair[0]))


def short(tile: TileView) -> str:
    """Return the figure and the word: ``26.7 °C, too cold``."""
    figure = f"{tile.figure}\N{NO-BREAK SPACE}{tile.unit}" if tile.unit else tile.figure
    return figure if tile.state == "blind" else f"{figure}, {tile.word}"


def headline(standing: Standing, worst: AlarmView | None) -> str:
    """Return what is wrong in one line, beside the figure: ``Basking spot: limit 38.0 °C, for 12 min.``."""
    figure = standing.figure
    if standing.state == "blind" or figure is None:
        return standing.sentence
    has_limit = figure.limit is not None and not is_of_the_probe(standing)
    limit = f"limit {measured(figure.limit, unit_of(figure.unit))}" if has_limit else ""
    lasting = f"for {worst.lasted}" if worst else ""
    said = ", ".join(part for part in (limit, lasting) if part)
    return f"{figure.about}: {said}." if said else f"{figure.about}."

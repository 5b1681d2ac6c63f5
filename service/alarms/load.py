"""How much the alarms ask of the people who answer them: the figures of alarm management (pure).

Counted is what was told: an alarm that was held back when it was raised, or explained by a common cause, called nobody.
"""

from bisect import bisect_left, bisect_right
from collections import Counter, deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, NamedTuple

import numpy as np

MINUTE_MS: Final = 60_000
TEN_MINUTES_MS: Final = 10 * MINUTE_MS
DAY_MS: Final = 86_400_000
FLOOD_ABOVE: Final = 10
"""A flood begins above so many alarms in ten minutes, ISA-18.2-2016 16.4."""
FLOOD_BELOW: Final = 5
"""It ends below so many, ISA-18.2-2016 16.4."""
STALE_AFTER_MS: Final = DAY_MS
"""An alarm that stands longer is stale, ISA-18.2-2016."""
CHATTERS_AT: Final = 3
"""Raised so often within a minute an alarm chatters (working definition of the alarm-management literature)."""
FLEETING_MS: Final = MINUTE_MS
"""An alarm that stood for less came and went before anybody could act (common practice, no source)."""
BUSIEST: Final = 10
"""So many alarms are looked at first, ISA-18.2-2016 16.4."""


class Told(NamedTuple):
    """One alarm that was told; times in ms since 1970, UTC, None while it has not happened."""

    condition: str
    place: str
    enclosure: str
    priority: str
    raised_ms: int
    returned_ms: int | None
    acknowledged_ms: int | None


@dataclass(frozen=True, slots=True)
class Flood:
    """More alarms than a person can take in: from the one that made them too many until few came."""

    start_ms: int
    end_ms: int
    alarms: int


@dataclass(frozen=True, slots=True)
class Answering:
    """How soon alarms of a priority were acknowledged.

    Attributes
    ----------
    told, answered : int
    median_s, slow_s : float or None
        Half, and nine in ten, were acknowledged within it; None when none was. [s]
    """

    told: int
    answered: int
    median_s: float | None
    slow_s: float | None


@dataclass(frozen=True, slots=True)
class Actor:
    """A condition of an enclosure that was told often.

    Attributes
    ----------
    condition, enclosure : str
        The enclosure's key; empty for one of a whole room.
    alarms : int
    share : float
        Of all alarms.
    bursts : int
        How often it chattered.
    fleeting : int
    median_s : float or None
        How long it stood, by those that returned. [s]
    """

    condition: str
    enclosure: str
    alarms: int
    share: float
    bursts: int
    fleeting: int
    median_s: float | None


@dataclass(frozen=True, slots=True)
class Load:
    """The alarms of a span in figures.

    Attributes
    ----------
    start_ms, end_ms : int
        [ms since 1970, UTC]
    alarms : int
        Told within it.
    kinds : int
        Different alarms among them: conditions at places.
    by_day : tuple of (int, int)
        Start of each local day, and how many came.
    most_in_ten : int
        In any ten minutes.
    busy_share : float
        Of the ten-minute spans, those with more than `FLOOD_ABOVE`.
    floods : tuple of Flood
    flood_share : float
        Of the time.
    busiest_share : float
        Of all alarms, those of the `BUSIEST` most frequent kinds; 0 without alarms.
    bursts, fleeting : int
    stale_now : int
        Standing at the end for longer than a day.
    stale_most : int
        Present on the worst day.
    priorities : dict of str to float
        Share of each.
    by_condition, by_enclosure : tuple of (str, int)
        The most frequent first.
    actors : tuple of Actor
        The worst first.
    answering : dict of str to Answering
        By priority.
    """

    start_ms: int
    end_ms: int
    alarms: int
    kinds: int
    by_day: tuple[tuple[int, int], ...]
    most_in_ten: int
    busy_share: float
    floods: tuple[Flood, ...]
    flood_share: float
    busiest_share: float
    bursts: int
    fleeting: int
    stale_now: int
    stale_most: int
    priorities: Mapping[str, float]
    by_condition: tuple[tuple[str, int], ...]
    by_enclosure: tuple[tuple[str, int], ...]
    actors: tuple[Actor, ...]
    answering: Mapping[str, Answering]

    @property
    def days(self) -> float:
        """Length of the span. [d]."""
        return (self.end_ms - self.start_ms) / DAY_MS

    @property
    def per_day(self) -> float:
        """Alarms a day, on average."""
        return self.alarms / self.days


def load_of(told: Iterable[Told], day_edges: Sequence[int], end_ms: int) -> Load:
    """Return the figures of a span.

    Parameters
    ----------
    told : iterable of Told
        Those raised within the span, and earlier ones that stood within it: they count as stale ones alone.
    day_edges : sequence of int
        The starts of its local days, in order; the first is the span's start. [ms since 1970, UTC]
    end_ms : int
        Not included. [ms since 1970, UTC]

    Raises
    ------
    ValueError
        When the span is empty.

    References
    ----------
    .. [1] ISA-18.2-2016 16.4, table 5; EEMUA 191.
    """
    if not day_edges or day_edges[0] >= end_ms:
        raise ValueError("the figures of no time: the span must begin before its end")
    start = day_edges[0]
    known = sorted((alarm for alarm in told if alarm.raised_ms < end_ms), key=lambda alarm: alarm.raised_ms)
    new = [alarm for alarm in known if alarm.raised_ms >= start]
    raised = [alarm.raised_ms for alarm in new]
    floods = _floods(raised, end_ms)
    kinds = Counter((alarm.condition, alarm.place) for alarm in new)
    counts = np.diff([*(bisect_left(raised, edge) for edge in day_edges), len(raised)])
    return Load(
        start_ms=start,
        end_ms=end_ms,
        alarms=len(new),
        kinds=len(kinds),
        by_day=tuple(zip(day_edges, counts.tolist(), strict=True)),
        most_in_ten=_most_in_ten(raised),
        busy_share=_busy_share(raised, start, end_ms),
        floods=floods,
        flood_share=sum(flood.end_ms - flood.start_ms for flood in floods) / (end_ms - start),
        busiest_share=sum(count for _, count in kinds.most_common(BUSIEST)) / max(1, len(new)),
        bursts=sum(_bursts(new).values()),
        fleeting=sum(map(_is_fleeting, new)),
        stale_now=sum(alarm.returned_ms is None and _stale_from(alarm) < end_ms for alarm in known),
        stale_most=_stale_most(known, [*day_edges, end_ms]),
        priorities=_shares(alarm.priority for alarm in new),
        by_condition=_most_first(alarm.condition for alarm in new),
        by_enclosure=_most_first(alarm.enclosure for alarm in new),
        actors=_actors(new),
        answering=_answering(new),
    )


def _most_first(words: Iterable[str]) -> tuple[tuple[str, int], ...]:
    return tuple(sorted(Counter(words).items(), key=lambda pair: (-pair[1], pair[0])))


def _shares(words: Iterable[str]) -> dict[str, float]:
    counted = Counter(words)
    return {word: count / counted.total() for word, count in counted.items()}


def _most_in_ten(raised: Sequence[int]) -> int:
    return max((index + 1 - bisect_right(raised, at - TEN_MINUTES_MS) for index, at in enumerate(raised)), default=0)


def _busy_share(raised: Sequence[int], start_ms: int, end_ms: int) -> float:
    """Return the share of the ten-minute spans, laid end to end, that held more than `FLOOD_ABOVE`."""
    spans = max(1, -(-(end_ms - start_ms) // TEN_MINUTES_MS))
    counted = Counter((at - start_ms) // TEN_MINUTES_MS for at in raised)
    return sum(count > FLOOD_ABOVE for count in counted.values()) / spans


def _floods(raised: Sequence[int], end_ms: int) -> tuple[Flood, ...]:
    """Find the floods; one that has not ended goes on to the end of the span."""
    found: list[Flood] = []
    recent: deque[int] = deque()
    began: int | None = None
    alarms = 0
    for at in [*raised, None]:
        # What leaves the last ten minutes before the next alarm comes can end a flood.
        until = end_ms if at is None else at
        while recent and recent[0] + TEN_MINUTES_MS <= until:
            left = recent.popleft() + TEN_MINUTES_MS
            if began is not None and len(recent) < FLOOD_BELOW:
                found.append(Flood(began, left, alarms))
                began = None
        if at is None:
            break
        recent.append(at)
        alarms += 1
        if began is None and len(recent) > FLOOD_ABOVE:
            began, alarms = at, len(recent)
    return (*found, Flood(began, end_ms, alarms)) if began is not None else tuple(found)


def _bursts(told: Iterable[Told]) -> Counter[tuple[str, str]]:
    """Count how often each condition of an enclosure chattered, place by place; one burst goes on while it does."""
    times: dict[tuple[str, str, str], list[int]] = {}
    for alarm in told:
        times.setdefault((alarm.condition, alarm.enclosure, alarm.place), []).append(alarm.raised_ms)
    found: Counter[tuple[str, str]] = Counter()
    for (condition, enclosure, _place), at in times.items():
        chatters = [last - first <= MINUTE_MS for first, last in zip(at, at[CHATTERS_AT - 1 :], strict=False)]
        found[condition, enclosure] += sum(now and not before for before, now in pairwise([False, *chatters]))
    return found


def _is_fleeting(alarm: Told) -> bool:
    return alarm.returned_ms is not None and alarm.returned_ms - alarm.raised_ms < FLEETING_MS


def _stale_from(alarm: Told) -> int:
    return alarm.raised_ms + STALE_AFTER_MS


def _stale_most(told: Iterable[Told], edges: Sequence[int]) -> int:
    """Return how many stale alarms were present on the worst of the days between `edges`."""
    days = np.zeros(len(edges) - 1, dtype=np.int64)
    for alarm in told:
        end = edges[-1] if alarm.returned_ms is None else min(alarm.returned_ms, edges[-1])
        begin = max(_stale_from(alarm), edges[0])
        if begin < end:
            days[bisect_right(edges, begin) - 1 : bisect_left(edges, end)] += 1
    return int(days.max(initial=0))


def _actors(told: Sequence[Told]) -> tuple[Actor, ...]:
    counted = Counter((alarm.condition, alarm.enclosure) for alarm in told)
    bursts = _bursts(told)
    of: dict[tuple[str, str], list[Told]] = {}
    for alarm in told:
        of.setdefault((alarm.condition, alarm.enclosure), []).append(alarm)
    worst = sorted(counted.items(), key=lambda pair: (-pair[1], pair[0]))[:BUSIEST]
    return tuple(
        Actor(
            *key, count, count / len(told), bursts[key], sum(map(_is_fleeting, of[key])),
            _percentile([_seconds(a.raised_ms, a.returned_ms) for a in of[key] if a.returned_ms is not None], 50),
        )
        for key, count in worst
    )  # fmt: skip


def _answering(told: Sequence[Told]) -> dict[str, Answering]:
    found: dict[str, Answering] = {}
    for priority in ("high", "medium", "low"):
        asked = [alarm for alarm in told if alarm.priority == priority]
        took = [_seconds(a.raised_ms, a.acknowledged_ms) for a in asked if a.acknowledged_ms is not None]
        found[priority] = Answering(len(asked), len(took), _percentile(took, 50), _percentile(took, 90))
    return found


def _seconds(start_ms: int, end_ms: int | None) -> float:
    return 0.0 if end_ms is None else (end_ms - start_ms) / 1000


def _percentile(seconds: Sequence[float], percent: float) -> float | None:
    return float(np.percentile(seconds, percent)) if seconds else None

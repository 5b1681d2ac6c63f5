"""One channel under watch: its readings in, alarms raised and returned out.

The same fold serves the live watch, a watch that starts again, and replay: it depends on nothing but the
readings, the facts and what it remembers.
"""

from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from sensors.quantities import QUANTITIES
from service.alarms.delays import NOTHING, Delays, Memory, Returned, advance
from service.climate.probe_health import silent_after_ms
from service.climate.ranges import MINUTE_MS
from service.climate.series import UNKNOWN_CADENCE_MS, hold_ms
from service.climate.trend import HEADING_LOOKS_BACK_MIN
from service.model import RELIVED_MS, Flag
from service.store.facts import ChannelFact, EnclosureFact, PlacementFact, RoomFacts
from service.store.programme import Programme
from service.store.readings import StoredReadings
from service.store.traceability import errors_within
from service.watch.channel_past import ChannelPast, has_past, keeps_ms
from service.watch.conditions import (
    CHANNEL_CONDITIONS,
    CONDITIONS,
    PROBE_SILENT,
    ChannelCondition,
    Condition,
    LimitCondition,
)
from service.watch.limits import Held, Recent, judge, limit_of
from service.watch.telling import Telling, Told, tell, within_error_words
from service.watch.turns import before_turning, hour_of, lived_runs, turns_on


@dataclass(frozen=True, slots=True)
class AlarmRaised:
    """An alarm begins."""

    condition: Condition
    place: str
    enclosure_id: int | None
    zone: str
    channel_id: int | None
    at_ms: int
    began_ms: int
    value: float | None = None
    peak: float | None = None
    limit: float | None = None
    unit: str | None = None
    cause: str | None = None


@dataclass(frozen=True, slots=True)
class AlarmReturned:
    """An alarm ends; `raised_ms` tells which one of its condition and place."""

    condition: Condition
    place: str
    raised_ms: int
    at_ms: int
    peak: float | None
    why: str = "back to normal"
    channel_id: int | None = None


AlarmEvent = AlarmRaised | AlarmReturned
CONTEXT_MS: Final = int(HEADING_LOOKS_BACK_MIN * MINUTE_MS)
"""How far before a reading the conditions of a channel look. [ms]"""


@dataclass(slots=True)
class _Condition:
    """What is remembered of a limit condition, and of which place.

    A placement that is corrected is another row; the place stays what it is. `certain` is the memory of readings
    beyond the channel's U, `told` the alarm that stands, of those conditions that know a U.
    """

    enclosure_id: int
    zone: str
    memory: Memory = NOTHING
    certain: Memory = NOTHING
    told: Told | None = None

    @property
    def raised_ms(self) -> int | None:
        return self.memory.raised_ms if self.told is None else self.told.raised_ms

    @property
    def peak(self) -> float | None:
        return self.memory.peak if self.told is None else self.told.peak

    def take(self, held: Held, delays: Delays, stands_ms: int) -> list[Telling]:
        """Carry the condition over further readings."""
        self.memory, events = advance(self.memory, held.judged, delays, stands_ms)
        if held.certain is None:
            return [Telling(event) for event in events]
        self.certain, sure = advance(self.certain, held.certain, delays, stands_ms)
        self.told, told = tell(self.told, held.judged, self.memory, events, sure)
        return told

    def set_back(self, at_ms: int) -> None:
        """Go on with a clock that was set back: what has held so far still does, but no time has passed since."""
        self.memory, self.certain = _set_back(self.memory, at_ms), _set_back(self.certain, at_ms)
        if self.told is not None and self.told.back_ms is not None:
            self.told = replace(self.told, back_ms=min(self.told.back_ms, at_ms))

    @property
    def is_idle(self) -> bool:
        return self.memory == NOTHING and self.told is None

    def remembered(self) -> dict[str, Any]:
        return asdict(self)


def _set_back(memory: Memory, at_ms: int) -> Memory:
    began = None if memory.began_ms is None else min(memory.began_ms, at_ms)
    return replace(memory, at_ms=None, began_ms=began)


def _condition_of(key: str, kept: dict[str, Any]) -> _Condition:
    memory = Memory(**kept["memory"])
    told = Told(**kept["told"]) if kept.get("told") else None
    if "told" not in kept and memory.raised_ms is not None and isinstance(CONDITIONS[key], LimitCondition):
        # Remembered before alarms within the probe's error were kept apart: it ends as it would have.
        told = Told(memory.raised_ms, memory.peak or 0.0, certain=True)
    return _Condition(kept["enclosure_id"], kept["zone"], memory, Memory(**kept.get("certain", {})), told)


class ChannelWatch:
    """Watches one channel.

    Parameters
    ----------
    facts : RoomFacts
    channel : ChannelFact
    cadence_ms : int
        Declared, or measured. [ms]
    memory : dict, optional
        From `remembered`.
    """

    def __init__(
        self, facts: RoomFacts, channel: ChannelFact, cadence_ms: int | None, memory: dict[str, Any] | None = None
    ) -> None:
        self._facts, self.channel = facts, channel
        self.cadence_ms = channel.declared_cadence_ms or cadence_ms or UNKNOWN_CADENCE_MS
        stored = memory or {}
        self.last_ms: int | None = stored.get("last_ms")
        self.turn: int | None = None if self.last_ms is None else stored.get("turn", 0)
        self._set_back_ms: int | None = None
        self.silent_since_ms: int | None = stored.get("silent_since_ms")
        self._conditions = {key: _condition_of(key, kept) for key, kept in stored.get("conditions", {}).items()}
        self._past: ChannelPast | None = None
        self._programmes: dict[int, Programme] = {}

    def remembered(self) -> dict[str, Any]:
        """Return what to keep for a restart, as JSON values."""
        return {
            "last_ms": self.last_ms,
            "turn": self.turn,
            "silent_since_ms": self.silent_since_ms,
            "conditions": {key: kept.remembered() for key, kept in self._conditions.items() if not kept.is_idle},
        }

    @property
    def lacks_ms(self) -> int:
        """How much of the time before its next readings the watch must be given by `recall` first [ms]."""
        looks_back = any(has_past(self.channel.quantity, placement.zone) for placement in self.channel.placements)
        return keeps_ms(self.channel.quantity) if looks_back and self._past is None else 0

    def recall(self, readings: StoredReadings) -> None:
        """Take in readings from before those to be judged, as what the days before were like."""
        self._past = ChannelPast()
        past = before_turning(_without(readings, Flag.LATE | Flag.unfit()), self.turn)
        for _ in self._placed(past.at, past.value, -1):
            self._past.forget(self.channel.quantity)

    def take(self, readings: StoredReadings, after_ms: int) -> list[AlarmEvent]:
        """Carry the watch over further readings and return what happened in order of time.

        Parameters
        ----------
        readings : StoredReadings
            The new ones, and before them those of `CONTEXT_MS`, that trends are drawn through. Late ones are passed
            over: at their time the watch had gone on without them.
        after_ms : int
            Later readings are new, and so are those of a later turn (see `turns`). [ms since 1970, UTC]
        """
        events: list[AlarmEvent] = []
        for turn, run in lived_runs(_without(readings, Flag.LATE)):
            on = 0 if self.turn is None else turns_on(turn, self.turn)
            if on == 0:
                events += self._carry(run, turn, after_ms)
            elif on > 0:
                events += self._set_back(int(run.at[0]))
                events += self._carry(run, turn, -1)
        return events

    def _carry(self, readings: StoredReadings, turn: int, after_ms: int) -> list[AlarmEvent]:
        """Carry the watch over readings of one turn."""
        at, value, flags = readings.at, readings.value, readings.flags
        new = int(np.searchsorted(at, after_ms, "right"))
        if new == len(at):
            return []
        events = list(self._silences(at[new:]))
        fit = (flags & Flag.unfit()) == 0
        for placement, recent in self._placed(at[fit], value[fit], after_ms):
            events.extend(self._moved(placement, int(recent.at[0])))
            events.extend(self._limits(placement, recent))
            recent.past.forget(self.channel.quantity)
        self.last_ms, self.turn, self._set_back_ms = int(at[-1]), turn, None
        return sorted(map(_in_order, events), key=lambda event: event.at_ms)

    def _set_back(self, at_ms: int) -> list[AlarmEvent]:
        """Go on at an earlier time than before, since the clock was set back; what stands still stands."""
        self.last_ms = None
        for kept in self._conditions.values():
            kept.set_back(at_ms)
        if self._past is not None:
            self._past.cut(hour_of(at_ms))
        return self._heard_again(at_ms)

    def begin_anew(self) -> None:
        """Take what is newest as if nothing had come before; what stands still stands."""
        self.last_ms = self.turn = self._past = None

    def overdue(self, now_ms: int) -> list[AlarmEvent]:
        """Return the silence that began if nothing has come by now; a raised one is not raised again."""
        if self.last_ms is None or self.silent_since_ms is not None:
            return []
        heard_ms = self.last_ms
        if heard_ms > now_ms + RELIVED_MS:
            # Its last reading has a time that is far from now: the clock was set back. It has been silent since.
            heard_ms = self._set_back_ms = now_ms if self._set_back_ms is None else min(self._set_back_ms, now_ms)
        due = heard_ms + silent_after_ms(self.cadence_ms)
        return self._silence(due) if now_ms > due else []

    def standing_ends(self, now_ms: int) -> list[AlarmEvent]:
        """Return the alarms that end because the channel was taken from its place."""
        placement = self.channel.placement_at(now_ms)
        if placement is not None:
            return []
        events = list(self._moved(None, now_ms))
        if self.silent_since_ms is not None:
            raised, self.silent_since_ms = self.silent_since_ms, None
            events.append(
                AlarmReturned(
                    PROBE_SILENT, self.channel.probe, raised, now_ms, None, "probe taken away", self.channel.id
                )
            )
        return events

    def _silences(self, at: npt.NDArray[np.int64]) -> Iterator[AlarmEvent]:
        """Find the gaps that were silences, the one before the first reading included."""
        times = at if self.last_ms is None else np.concatenate(([self.last_ms], at))
        silence = silent_after_ms(self.cadence_ms)
        for gap in np.flatnonzero(np.diff(times) > silence):
            if self.silent_since_ms is None:
                yield from self._silence(int(times[gap]) + silence)
            yield from self._heard_again(int(times[gap + 1]))

    def _heard_again(self, at_ms: int) -> list[AlarmEvent]:
        if self.silent_since_ms is None:
            return []
        raised, self.silent_since_ms = self.silent_since_ms, None
        return [
            _in_order(
                AlarmReturned(PROBE_SILENT, self.channel.probe, raised, at_ms, None, "heard again", self.channel.id)
            )
        ]

    def _silence(self, due_ms: int) -> list[AlarmEvent]:
        placement = self.channel.placement_at(due_ms)
        if placement is None or placement.enclosure_id not in self._facts.enclosures:
            return []
        self.silent_since_ms = due_ms
        return [
            AlarmRaised(
                PROBE_SILENT, self.channel.probe, placement.enclosure_id, placement.zone, self.channel.id,
                due_ms, due_ms - silent_after_ms(self.cadence_ms),
            )
        ]  # fmt: skip

    def _placed(
        self, at: npt.NDArray[np.int64], value: npt.NDArray[np.float64], after_ms: int
    ) -> Iterator[tuple[PlacementFact, Recent]]:
        """Cut readings by where the channel stood; those from between two places belong nowhere."""
        past = self._past = self._past or ChannelPast()
        for placement in self.channel.placements:
            edges = np.searchsorted(at, (placement.start_ms, max(placement.start_ms, after_ms + 1), placement.end_ms))
            low, new, high = (int(edge) for edge in edges)
            if new < high and placement.enclosure_id in self._facts.enclosures:
                if has_past(self.channel.quantity, placement.zone):
                    past.take((placement.enclosure_id, placement.zone), at[new:high], value[new:high])
                yield (
                    placement,
                    Recent(at[low:high], value[low:high], new - low, self.cadence_ms, past, self._uncertainty),
                )

    def _uncertainty(self, at_ms: int) -> float:
        return errors_within(self.channel, at_ms, at_ms + 1).uncertainty

    def _moved(self, placement: PlacementFact | None, at_ms: int) -> Iterator[AlarmEvent]:
        """End what stood at another place than this: nobody measures there any more."""
        here = (placement.enclosure_id, placement.zone) if placement else None
        for key, kept in list(self._conditions.items()):
            if (kept.enclosure_id, kept.zone) == here:
                continue
            del self._conditions[key]
            place = self._place_of(kept)
            if kept.raised_ms is not None and place is not None:
                yield AlarmReturned(CONDITIONS[key], place, kept.raised_ms, at_ms, kept.peak, "probe moved")

    def _limits(self, placement: PlacementFact, recent: Recent) -> Iterator[AlarmEvent]:
        enclosure = self._facts.enclosures[placement.enclosure_id]
        programme = self._programmes.setdefault(enclosure.id, Programme(self._facts, enclosure))
        for condition in CHANNEL_CONDITIONS:
            if placement.zone not in condition.zones or self.channel.quantity not in condition.quantities:
                continue
            kept = self._conditions.setdefault(condition.key, _Condition(enclosure.id, placement.zone))
            held = judge(condition, programme, self.channel.quantity, recent)
            for told in kept.take(held, condition.delays, hold_ms(self.cadence_ms)):
                yield self._named(condition, placement, programme, held, told)

    def _named(
        self,
        condition: ChannelCondition,
        placement: PlacementFact,
        programme: Programme,
        held: Held,
        told: Telling,
    ) -> AlarmEvent:
        event, enclosure = told.event, self._facts.enclosures[placement.enclosure_id]
        place = self._place(enclosure, placement.zone)
        if isinstance(event, Returned):
            return AlarmReturned(condition, place, event.raised_ms, event.at_ms, event.peak)
        limit = limit_of(condition, programme, int(held.judged.at[event.index]), self.channel.quantity)
        unit = QUANTITIES[self.channel.quantity].unit
        cause = within_error_words(self._uncertainty(event.at_ms), unit) if told.within_error else None
        return AlarmRaised(
            condition, place, enclosure.id, placement.zone, self.channel.id,
            event.at_ms, event.began_ms, event.value, event.peak, limit, unit, cause,
        )  # fmt: skip

    def _place(self, enclosure: EnclosureFact, zone: str) -> str:
        return f"{enclosure.key}/{zone}/{self.channel.key}"

    def peaks(self) -> Iterator[tuple[str, str, int, float]]:
        """Yield condition, place, raised time and peak of what stands: how far it has gone so far."""
        for key, kept in self._conditions.items():
            if kept.raised_ms is not None and kept.peak is not None and (place := self._place_of(kept)):
                yield key, place, kept.raised_ms, kept.peak

    def _place_of(self, kept: _Condition) -> str | None:
        """Name the place that a condition was remembered at; None when its enclosure is gone."""
        enclosure = self._facts.enclosures.get(kept.enclosure_id)
        return self._place(enclosure, kept.zone) if enclosure else None


def _without(readings: StoredReadings, flags: Flag) -> StoredReadings:
    kept = (readings.flags & flags) == 0
    return StoredReadings(readings.at[kept], readings.value[kept], readings.flags[kept])


def _in_order(event: AlarmEvent) -> AlarmEvent:
    """Let nothing return before it was raised, as it would when the clock was set back in between."""
    if isinstance(event, AlarmReturned) and event.at_ms < event.raised_ms:
        return replace(event, at_ms=event.raised_ms)
    return event

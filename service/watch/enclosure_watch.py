"""One enclosure under watch: what several channels say together, at fixed moments.

A moment is judged once readings have had `SETTLE_MS` to come in; one that came later still is no part of it,
live or in replay (`Flag.DELAYED`), so that both judge the same.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, replace
from typing import Any, Final

from service.climate.day_view import Cycle
from service.climate.misting import asked_response
from service.climate.ranges import Spans
from service.climate.soaking import Soak, is_soaked_at, soak_over
from service.climate.uncertainty import widened_for_soak
from service.model import RELIVED_MS, Flag
from service.store.facts import EnclosureFact, RoomFacts
from service.store.measured import Measured
from service.store.programme import Programme
from service.store.traceability import element_of
from service.watch import health_watch, humidity_watch
from service.watch.channel_watch import AlarmEvent, AlarmRaised, AlarmReturned
from service.watch.conditions import CONDITIONS
from service.watch.cycles_run import known_cycles, pump_runs, runs_to_judge, scheduled_for, stands_for
from service.watch.findings import Finding
from service.watch.health_watch import look_at_end_of_dark, look_at_probes
from service.watch.humidity_watch import look_at_humidity
from service.watch.misting_watch import look_at_cycle
from service.watch.moments import CYCLE_AFTER_MS, Moment, moments

UNSEEN: Final = Flag.LATE | Flag.DELAYED
"""Readings that were not there when the moment was judged."""
LOOKS_BACK_MS: Final = max(health_watch.LOOKS_BACK_MS, humidity_watch.LOOKS_BACK_MS)

ReadSpan = Callable[[int, int], Sequence[Measured]]
"""Returns the enclosure's channels with their readings in [start, end). [ms since 1970, UTC]"""


class EnclosureWatch:
    """Watches one enclosure.

    Parameters
    ----------
    facts : RoomFacts
    enclosure : EnclosureFact
    memory : dict, optional
        From `remembered`.
    """

    def __init__(self, facts: RoomFacts, enclosure: EnclosureFact, memory: dict[str, Any] | None = None) -> None:
        stored = memory or {}
        self.enclosure = enclosure
        self._zone = facts.zone
        self._programme = Programme(facts, enclosure)
        self.seen_ms: int | None = stored.get("seen_ms")
        self._raised: dict[str, int] = dict(stored.get("raised", {}))
        self._responses = {key: [tuple(r) for r in kept] for key, kept in stored.get("responses", {}).items()}
        self._differences = {key: list(kept) for key, kept in stored.get("differences", {}).items()}
        self._soaks = {key: Soak(**kept) for key, kept in stored.get("soaks", {}).items()}
        self._awaited_ms: list[int] = []
        self._relived_ms: int | None = stored.get("relived_ms")
        self._lives: int = stored.get("lives", 0)

    def remembered(self) -> dict[str, Any]:
        """Return what to keep for a restart, as JSON values."""
        return {
            "seen_ms": self.seen_ms,
            "relived_ms": self._relived_ms,
            "lives": self._lives,
            "raised": self._raised,
            "responses": {key: [list(r) for r in kept] for key, kept in self._responses.items()},
            "differences": self._differences,
            "soaks": {key: asdict(soak) for key, soak in self._soaks.items()},
        }

    def is_due(self, until_ms: int) -> bool:
        """Whether a moment lies between what was seen and `until_ms`. [ms since 1970, UTC]."""
        if self.seen_ms is None or self._is_set_back(until_ms) or any(at <= until_ms for at in self._awaited_ms):
            return True
        return bool(moments(self._programme, self.seen_ms, until_ms))

    def advance(self, until_ms: int, read: ReadSpan) -> list[AlarmEvent]:
        """Judge the moments up to an instant and return what happened, in order of time. [ms since 1970, UTC].

        The first call only takes its place: nothing before it was watched. So does one after the clock was set back
        by more than `RELIVED_MS`; after less, what was judged once is not judged again.
        """
        if self._is_set_back(until_ms):
            self._relived_ms, self._lives = self.seen_ms, self._lives + 1
            self._awaited_ms, self.seen_ms = [], None
        if self.seen_ms is None:
            self.seen_ms = until_ms
            return []
        if not self.is_due(until_ms):
            return []
        after = self.seen_ms
        measured = read(after - LOOKS_BACK_MS, until_ms + 1)
        ran = pump_runs(measured, after - LOOKS_BACK_MS, until_ms + 1)
        planned = (m for m in moments(self._programme, after, until_ms) if not _is_measured(m, ran))
        due = sorted([*planned, *runs_to_judge(ran, after, until_ms)], key=lambda m: (m.at_ms, m.kind))
        soaked = self._soaked(measured)
        events = [event for m in due for event in self._changes(m, self._look(m, _widened(measured, soaked, m), ran))]
        self._awaited_ms = [c.at_ms + CYCLE_AFTER_MS for c in ran if c.at_ms + CYCLE_AFTER_MS > until_ms]
        self.seen_ms = until_ms
        return events

    def _is_set_back(self, until_ms: int) -> bool:
        return self.seen_ms is not None and self.seen_ms - until_ms > RELIVED_MS

    def _moment_told(self, at_ms: int) -> int:
        """Return when what is found at a moment is raised: not when the same may have been raised once before."""
        return at_ms + self._lives if at_ms <= (self._relived_ms or 0) else at_ms

    def _soaked(self, measured: Sequence[Measured]) -> dict[int, Spans]:
        """Return when each humidity element was soaked, by channel; what is remembered of it goes on."""
        found: dict[int, Spans] = {}
        for one in measured:
            if one.fact.quantity == "relative_humidity":
                before = self._soaks.get(one.channel.key, Soak())
                self._soaks[one.channel.key], found[one.fact.id] = soak_over(before, one.channel.series)
        return found

    def _look(self, moment: Moment, measured: Sequence[Measured], ran: Sequence[Cycle]) -> Iterable[Finding]:
        at = moment.at_ms
        if moment.kind == "cycle" and moment.cycle is not None:
            asked = asked_response(self._programme.targets_at(at))
            cycles = [c for c in known_cycles(self._programme, ran, at) if c.at_ms <= moment.cycle.at_ms]
            due = scheduled_for(self._programme, moment.cycle)
            return look_at_cycle(self.enclosure, measured, cycles, at, self._zone, asked, self._responses, due)
        if moment.kind == "humidity":
            cycles, standing = known_cycles(self._programme, ran, at), list(self._raised)
            return look_at_humidity(self.enclosure, measured, self._programme, at, self._zone, standing, cycles)
        if moment.kind == "end of dark":
            return look_at_end_of_dark(measured, at, self._differences)
        return look_at_probes(measured, at)

    def _changes(self, moment: Moment, findings: Iterable[Finding]) -> Iterator[AlarmEvent]:
        """Turn what was found into what changed."""
        at_ms = self._moment_told(moment.at_ms)
        for finding in findings:
            key = f"{finding.condition.key}|{finding.place}"
            if finding.holds and key not in self._raised:
                self._raised[key] = at_ms
                yield self._raise(finding, at_ms)
            elif finding.holds is False and key in self._raised:
                raised = self._raised.pop(key)
                yield AlarmReturned(finding.condition, finding.place, raised, max(at_ms, raised), None)

    def _raise(self, finding: Finding, at_ms: int) -> AlarmRaised:
        return AlarmRaised(
            finding.condition, finding.place, self.enclosure.id, finding.zone, finding.channel_id, at_ms,
            finding.began_ms, finding.value, finding.value, finding.limit, finding.unit, finding.cause,
        )  # fmt: skip

    def ended(self, now_ms: int) -> list[AlarmEvent]:
        """Return all that stood, ended because the enclosure is no longer watched."""
        raised, self._raised = self._raised, {}
        return [
            AlarmReturned(CONDITIONS[condition], place, at, now_ms, None, "no longer watched")
            for key, at in raised.items()
            for condition, place in [key.split("|", 1)]
        ]


def _is_measured(moment: Moment, ran: Sequence[Cycle]) -> bool:
    """Whether a moment is that of a scheduled cycle for which the pump ran: that is judged by what was measured."""
    return moment.kind == "cycle" and moment.cycle is not None and stands_for(moment.cycle, ran)


def _widened(measured: Sequence[Measured], soaked: Mapping[int, Spans], moment: Moment) -> list[Measured]:
    """Return the channels with the U that soaked elements have at a moment."""
    return [
        _with_soak(one) if one.fact.id in soaked and is_soaked_at(soaked[one.fact.id], moment.at_ms) else one
        for one in measured
    ]


def _with_soak(one: Measured) -> Measured:
    allowance = element_of(one.fact.model, one.fact.quantity).soak_allowance
    uncertainty = widened_for_soak(one.channel.uncertainty, allowance, soaked=True)
    return replace(one, channel=replace(one.channel, uncertainty=uncertainty))

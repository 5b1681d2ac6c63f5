"""Runs the watch and the day assessment over a simulated past and holds both against what happened."""

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from service.lookback.days import assessed_days
from service.store.engine import Store
from service.store.facts import EnclosureFact, RoomFacts, load_facts
from service.store.programme import Programme
from service.watch.channel_watch import AlarmEvent, AlarmRaised, AlarmReturned
from service.watch.history import watched_channels, watched_enclosure
from tests.truth.limits import RULES, score_heading, score_lights, score_limit
from tests.truth.past import Case, Past, a_store, lived_through
from tests.truth.probes import score_probes
from tests.truth.tally import Alarm, Score
from tests.truth.watered import score_missed, score_misting, score_weakening

_FAR = 2**62


def watched(store: Store, case: Case) -> list[Alarm]:
    """Return the alarms that the watch makes of all that is stored."""
    with store.read() as session:
        facts = load_facts(session)
        events: list[AlarmEvent] = []
        for _watch, happened in watched_channels(session, facts, case.start_ms, case.end_ms):
            events += happened
        for enclosure in facts.enclosures.values():
            events += watched_enclosure(session, facts, enclosure, case.start_ms, case.end_ms)[1]
    return _alarms(events, facts)


def _alarms(events: Sequence[AlarmEvent], facts: RoomFacts) -> list[Alarm]:
    ends = {(e.condition.key, e.place, e.raised_ms): e.at_ms for e in events if isinstance(e, AlarmReturned)}
    found: dict[tuple[str, str, int], Alarm] = {}
    for event in events:
        if not isinstance(event, AlarmRaised):
            continue
        key = (event.condition.key, event.place, event.at_ms)
        probe = "" if event.channel_id is None else facts.channels[event.channel_id].probe
        found[key] = Alarm(
            event.condition.key, event.condition.priority, event.place, facts.enclosures[event.enclosure_id].key,
            event.zone, probe, event.began_ms, event.at_ms, ends.get(key, _FAR),
        )  # fmt: skip
    return sorted(found.values(), key=lambda a: (a.raised_ms, a.condition, a.place))


def misting_verdicts(store: Store, facts: RoomFacts, enclosure: EnclosureFact, case: Case) -> dict[int, str]:
    """Return the day assessment's verdict of each cycle, by its start. [ms UTC]."""
    first, last = (
        datetime.fromtimestamp(t / 1000, UTC).astimezone(facts.zone).date() for t in (case.start_ms, case.end_ms)
    )
    days = assessed_days(store, facts, enclosure, first, last, case.end_ms).days
    return {
        int(datetime.fromisoformat(cycle["at"]).timestamp() * 1000): cycle["verdict"]
        for day in days
        for cycle in day.body["misting"]
        if cycle["verdict"] is not None
    }


def lived(case: Case, *, shuffled: bool = False) -> tuple[Score, list[Alarm]]:
    """Simulate a room, watch it, and return what was counted and the alarms."""
    scene = case.scene()
    score = Score(months=case.enclosures * case.days / 30)
    score.faults.update(fault.kind for fault in scene.faults)
    with TemporaryDirectory() as folder:
        store = a_store(Path(folder), case, scene)
        shuffle = np.random.default_rng([case.seed, 3]) if shuffled else None
        pasts = lived_through(case, scene, store, shuffle)
        alarms = watched(store, case)
        with store.read() as session:
            facts = load_facts(session)
        for past in pasts:
            _score_one(past, facts, store, case, alarms, score)
        store.close()
    score.readings = sum(len(s.sent) for past in pasts for s in past.sensors)
    return score, alarms


def _score_one(past: Past, facts: RoomFacts, store: Store, case: Case, alarms: Sequence[Alarm], score: Score) -> None:
    enclosure = facts.by_key[past.enclosure.id]
    own: dict[str, list[Alarm]] = {}
    for alarm in alarms:
        if alarm.enclosure == enclosure.key:
            own.setdefault(alarm.condition, []).append(alarm)
            score.of(alarm.condition).priority = alarm.priority
    programme = Programme(facts, enclosure)
    for rule in RULES:
        score_limit(past, programme, rule, own.get(rule.condition, ()), score)
    score_heading(past, programme, own.get("basking-heading-over", ()), score)
    score_lights(past, own, score)
    known = score_misting(past, misting_verdicts(store, facts, enclosure, case), score)
    score_missed(past, known, own.get("misting-missed", ()), score)
    score_weakening(past, known, own.get("misting-weakening", ()), score)
    score_probes(past, own, score)

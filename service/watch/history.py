"""The watch over stored readings: what it would have raised and returned, by the code of the live watch."""

from collections.abc import Callable, Iterator
from functools import partial

import numpy as np
from sqlmodel import Session

from service.alarms.holding import end_overdue_holds
from service.climate.series import cadence_of
from service.model import from_ms
from service.store.alarms import WatchMemory, save_enclosure_memories, save_room_memory, save_watch_memories
from service.store.engine import Store
from service.store.facts import EnclosureFact, RoomFacts, load_facts
from service.store.history import corrected
from service.store.measured import measured_in
from service.store.readings import StoredReadings, read_readings, recent_times
from service.watch.channel_watch import CONTEXT_MS, AlarmEvent, ChannelWatch
from service.watch.enclosure_watch import UNSEEN, EnclosureWatch
from service.watch.recording import record
from service.watch.room_watch import RoomWatch
from service.watch.turns import lived_runs, those, turns_after

_DAY_MS = 86_400_000
_WEEK_MS = 7 * _DAY_MS


def watched_channels(
    session: Session, facts: RoomFacts, start_ms: int, end_ms: int, enclosure_id: int | None = None
) -> Iterator[tuple[ChannelWatch, list[AlarmEvent]]]:
    """Yield each placed channel's watch after a span of stored readings, with what happened in it.

    Parameters
    ----------
    start_ms, end_ms : int
        [start_ms, end_ms). [ms since 1970, UTC]
    enclosure_id : int, optional
        Only the channels that stood there.
    """
    for channel in facts.channels.values():
        if not any(
            placement.meets(start_ms, end_ms) and enclosure_id in {None, placement.enclosure_id}
            for placement in channel.placements
        ):
            continue
        times = recent_times(session, channel.id)
        watch = ChannelWatch(facts, channel, cadence_of(times) if len(times) > 1 else None)
        if watch.lacks_ms:
            watch.recall(corrected(channel, read_readings(session, channel.id, start_ms - watch.lacks_ms, start_ms)))
        readings = _lived_by(session, channel.id, start_ms - CONTEXT_MS, end_ms)
        events = watch.take(corrected(channel, readings), start_ms - 1)
        yield watch, events + watch.overdue(end_ms)


def _lived_by(session: Session, channel_id: int, start_ms: int, end_ms: int) -> StoredReadings:
    """Return a channel's readings of a span, and what it had said of later times before the clock was set back."""
    within = read_readings(session, channel_id, start_ms, end_ms)
    runs = lived_runs(within)
    if len(runs) < 2:  # noqa: PLR2004 - one turn: nothing came twice
        return within
    later = read_readings(session, channel_id, end_ms)
    later = those(later, turns_after(later, runs[-1][0]) < 0)
    return StoredReadings(
        np.concatenate((within.at, later.at)),
        np.concatenate((within.value, later.value)),
        np.concatenate((within.flags, later.flags)),
    )


def since_turning(session: Session, channel_id: int, turn: int, last_ms: int) -> StoredReadings:
    """Return what a channel has said after a turn, and in it from an instant on. [ms since 1970, UTC].

    How far back the clock was set is found by looking, a week at a time.
    """
    start_ms = last_ms - CONTEXT_MS
    while True:
        start_ms -= _WEEK_MS
        readings = read_readings(session, channel_id, start_ms)
        after = readings.at[turns_after(readings, turn) > 0]
        if not len(after) or after[0] >= start_ms + _WEEK_MS // 2:
            return readings


def watched_enclosure(
    session: Session,
    facts: RoomFacts,
    enclosure: EnclosureFact,
    start_ms: int,
    end_ms: int,
    progress: Callable[[int], None] = lambda _: None,
) -> tuple[EnclosureWatch, list[AlarmEvent]]:
    """Return an enclosure's watch after a span of stored readings, with what happened in it; `progress` counts days."""
    watch = EnclosureWatch(facts, enclosure, {"seen_ms": start_ms})
    events: list[AlarmEvent] = []
    for until in [*range(start_ms + _DAY_MS, end_ms, _DAY_MS), end_ms]:
        read = partial(measured_in, session, facts, enclosure, unseen=UNSEEN)
        events += watch.advance(until, read)
        progress(1)
    return watch, events


def record_history(store: Store, start_ms: int, end_ms: int) -> int:
    """Record the alarms of a span that nobody watched live, and let the live watch go on from its end.

    Returns
    -------
    int
        How many alarms were raised or returned.
    """
    with store.write() as session:
        facts = load_facts(session)
        events: list[AlarmEvent] = []
        memories: list[WatchMemory] = []
        for watch, happened in watched_channels(session, facts, start_ms, end_ms):
            events += happened
            if watch.last_ms is not None:
                memories.append(WatchMemory(watch.channel.id, watch.last_ms, watch.remembered()))
        rooms = RoomWatch(facts)
        events += rooms.take(list(events), end_ms)
        whole = {}
        for enclosure in facts.enclosures.values():
            enclosure_watch, happened = watched_enclosure(session, facts, enclosure, start_ms, end_ms)
            events += happened
            whole[enclosure.id] = enclosure_watch.remembered()
        for event in sorted(events, key=lambda event: event.at_ms):
            end_overdue_holds(session, from_ms(event.at_ms))
            record(session, facts, event, event.at_ms)
        end_overdue_holds(session, from_ms(end_ms))
        save_watch_memories(session, memories)
        save_enclosure_memories(session, whole)
        save_room_memory(session, rooms.remembered())
    return len(events)

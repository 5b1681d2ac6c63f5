"""The watch over stored readings: what it would have raised and returned, by the code of the live watch."""

from collections.abc import Iterator

from sqlmodel import Session

from service.climate.series import cadence_of
from service.store.alarms import WatchMemory, save_watch_memories
from service.store.engine import Store
from service.store.facts import RoomFacts, load_facts
from service.store.history import corrected
from service.store.readings import read_readings, recent_times
from service.watch.channel_watch import CONTEXT_MS, AlarmEvent, ChannelWatch
from service.watch.live import record


def watched(
    session: Session, facts: RoomFacts, start_ms: int, end_ms: int
) -> Iterator[tuple[ChannelWatch, list[AlarmEvent]]]:
    """Yield each placed channel's watch after a span of stored readings, with what happened in it.

    Parameters
    ----------
    start_ms, end_ms : int
        [start_ms, end_ms). [ms since 1970, UTC]
    """
    for channel in facts.channels.values():
        if not any(placement.meets(start_ms, end_ms) for placement in channel.placements):
            continue
        times = recent_times(session, channel.id)
        watch = ChannelWatch(facts, channel, cadence_of(times) if len(times) > 1 else None)
        readings = read_readings(session, channel.id, start_ms - CONTEXT_MS, end_ms)
        yield watch, watch.take(corrected(channel, readings), start_ms - 1)


def record_history(store: Store, start_ms: int, end_ms: int) -> int:
    """Record the alarms of a span that nobody watched live, and let the live watch go on from its end.

    Returns
    -------
    int
        How many alarms were raised or returned.
    """
    count = 0
    with store.write() as session:
        facts = load_facts(session)
        memories: list[WatchMemory] = []
        for watch, events in watched(session, facts, start_ms, end_ms):
            for event in events:
                record(session, event, event.at_ms)
            count += len(events)
            if watch.last_ms is not None:
                memories.append(WatchMemory(watch.channel.id, watch.last_ms, watch.remembered()))
        save_watch_memories(session, memories)
    return count

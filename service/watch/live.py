"""The live watch: what a commit brought is held against the conditions, and alarms are recorded.

It meets the ingest only in the store: a hint says that something came, the store says what. Its memory is
saved with the alarms it records and now and then besides, and readings after the saved point are judged again
after a restart; since every decision follows from the readings, they come out the same and are recorded once.
"""

import math
import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial
from typing import Any

import orjson
import structlog
from sqlmodel import Session

from service.alarms.holding import end_overdue_holds
from service.climate.series import cadence_of
from service.errors import StoreContended, StoreUnusable
from service.model import SETTLE_MS, from_ms
from service.store.alarms import (
    WatchMemory,
    enclosure_memories,
    find_alarm,
    room_memory,
    save_enclosure_memories,
    save_room_memory,
    save_watch_memories,
    watch_memories,
)
from service.store.engine import Store
from service.store.facts import ChannelFact, RoomFacts, facts_version, load_facts
from service.store.history import corrected
from service.store.holds import overdue_holds
from service.store.measured import Measured, measured_in
from service.store.readings import (
    Newest,
    StoredReadings,
    newest_readings,
    number,
    read_readings,
    recent_times,
)
from service.store.recent import recent_readings
from service.watch.by_the_clock import LOOK_EVERY_MS, changes_by_the_clock
from service.watch.channel_watch import CONTEXT_MS, AlarmEvent, AlarmRaised, ChannelWatch
from service.watch.enclosure_watch import UNSEEN, EnclosureWatch
from service.watch.history import since_turning
from service.watch.recording import record
from service.watch.room_watch import RoomWatch
from service.watch.shares import Shares
from service.watch.supplies import ROOM, islands
from service.watch.turns import turn_of, turns_on

log = structlog.get_logger("watch")

_SAVE_EVERY_S = 30.0
_SETTLE_EVERY_S = 2.0
_LOOK_EVERY_MS = 1000


class Watch:
    """Watches every placed channel of the store.

    Parameters
    ----------
    store : Store
    now_ms : callable
        The time. [ms since 1970, UTC]
    recorded : callable
        Told after alarms were recorded.
    shares : Shares, optional
        Which rooms are ours to watch; by default all.
    """

    def __init__(
        self, store: Store, now_ms: Callable[[], int], recorded: Callable[[], None], shares: Shares | None = None
    ) -> None:
        self._store, self._now_ms, self._recorded, self._shares = store, now_ms, recorded, shares
        self._settled_at = -math.inf
        self._islands: dict[str, str] = {}
        self._facts: RoomFacts | None = None
        self._channels: dict[int, ChannelWatch] = {}
        self._enclosures: dict[int, EnclosureWatch] = {}
        self._rooms: RoomWatch | None = None
        self._seen_write = -1
        self._unsaved: set[int] = set()
        self._enclosures_saved: dict[int, bytes] = {}
        self._peaks_saved: dict[tuple[str, str, int], float] = {}
        self._first_seen = False
        self._moved_on = False
        self._saved_at = time.monotonic()
        self._looked_ms = self._by_the_clock_ms = 0
        self.said: str | None = None
        self.stepped_at = time.monotonic()
        self.step_s, self.writes_behind = 0.0, 0

    def run(self, stop: threading.Event, woken: threading.Event) -> None:
        """Step whenever woken, and each second besides, until told to stop."""
        while not stop.is_set():
            woken.wait(1.0)
            woken.clear()
            begun = time.monotonic()
            try:
                self.step()
                self.said = None
            except (StoreUnusable, StoreContended) as exc:
                # Nothing was recorded: load everything anew and judge again from what was saved.
                self.said = str(exc)
                self._forget()
                log.warning("watch_waits", reason=str(exc))
                stop.wait(1.0)
            self.stepped_at = time.monotonic()
            self.step_s = self.stepped_at - begun
        try:
            self.save()
        except StoreUnusable as exc:
            log.warning("watch_not_saved", reason=str(exc))

    def step(self) -> int:
        """Judge what has come since the last step and record what follows; return how many alarms changed."""
        self._settle()
        with self._store.read() as session:
            ended = self._reload(session)
            touched = [
                state for state in newest_readings(session, self._seen_write) if state.channel_id in self._channels
            ]
            self.writes_behind = number(session, "write") - self._seen_write if self._seen_write >= 0 else 0
            recent = recent_readings(session, self._spans(touched))
            events = ended + [event for state in touched for event in self._take(session, state, recent)]
            events += self._by_the_clock(session)
            holds_are_over = self._has_the_first() and bool(overdue_holds(session, from_ms(self._now_ms())))
        if self._rooms is not None:
            events += self._rooms.take(list(events), self._now_ms())
        self._record(events, touched)
        if holds_are_over:
            self._end_holds()
        self._seen_write = max((state.write for state in touched), default=self._seen_write)
        self.writes_behind = 0
        return len(events)

    def _settle(self) -> None:
        """Look whose rooms are whose now; where that changes, begin anew with what is saved."""
        if self._shares is None or time.monotonic() - self._settled_at < _SETTLE_EVERY_S:
            return
        self._settled_at = time.monotonic()
        before = self._shares.held
        surplus = self._shares.settle()
        if self._shares.held == before and not surplus:
            return
        if before <= self._shares.held:
            self.save()  # of a share that was lost, another process may have saved more than we know
        self._shares.give(surplus)
        self._forget()
        log.info("shares_changed", shares=len(self._shares.held))

    def _has_the_first(self) -> bool:
        return self._shares is None or self._shares.first

    def _is_ours(self, place: str) -> bool:
        """Say whether a room, gateway or rack is ours; one that is no more goes with the first share."""
        if self._shares is None:
            return True
        island = self._islands.get(place if "/" in place else f"{ROOM}{place}")
        return self._shares.first if island is None else self._shares.has(island)

    def _end_holds(self) -> None:
        """Let go what was held back until now; what still holds is told again."""
        with self._store.write() as session:
            end_overdue_holds(session, from_ms(self._now_ms()))
        self._recorded()

    def save(self) -> None:
        """Save what is remembered."""
        if self._unsaved or self._moved_on:
            with self._store.write() as session:
                self._save(session)
        self._saved()

    def _save(self, session: Session) -> None:
        save_watch_memories(session, self._memories())
        save_enclosure_memories(session, self._changed_enclosures())
        if self._rooms is not None:
            save_room_memory(session, self._rooms.remembered(), self._is_ours)

    def _changed_enclosures(self) -> dict[int, dict[str, Any]]:
        """Return what is remembered of the enclosures of which something else was saved last."""
        memories = {key: watch.remembered() for key, watch in self._enclosures.items()}
        told = {key: orjson.dumps(memory) for key, memory in memories.items()}
        changed = {key: memory for key, memory in memories.items() if self._enclosures_saved.get(key) != told[key]}
        self._enclosures_saved = told
        return changed

    def _saved(self) -> None:
        self._unsaved.clear()
        self._first_seen = self._moved_on = False
        self._saved_at = time.monotonic()

    def _forget(self) -> None:
        self._facts, self._channels, self._enclosures, self._rooms = None, {}, {}, None
        self._seen_write = -1
        self._unsaved.clear()
        # A transaction that failed has saved nothing of it.
        self._enclosures_saved, self._peaks_saved = {}, {}

    def _reload(self, session: Session) -> list[AlarmEvent]:
        """Take up changed facts: new channels begin at their newest reading, those taken away end their alarms."""
        if self._facts is not None and self._facts.version == facts_version(session):
            return []
        self._facts = facts = load_facts(session)
        self._islands = islands(facts) if self._shares else {}
        kept = {memory.channel_id: memory.memory for memory in watch_memories(session)}
        kept |= {channel_id: watch.remembered() for channel_id, watch in self._channels.items()}
        self._channels = {
            channel.id: ChannelWatch(facts, channel, _cadence(session, channel), kept.get(channel.id))
            for channel in facts.channels.values()
            if channel.placements and self._is_ours(_room_of(facts, channel))
        }
        self._seen_write = -1
        now = self._now_ms()
        ended = [event for watch in self._channels.values() for event in watch.standing_ends(now)]
        return ended + self._reload_enclosures(session, facts, now)

    def _reload_enclosures(self, session: Session, facts: RoomFacts, now_ms: int) -> list[AlarmEvent]:
        remembered = self._rooms.remembered() if self._rooms else room_memory(session)
        self._rooms = RoomWatch(facts, {place: kept for place, kept in remembered.items() if self._is_ours(place)})
        kept = enclosure_memories(session)
        kept |= {enclosure_id: watch.remembered() for enclosure_id, watch in self._enclosures.items()}
        gone = [watch for enclosure_id, watch in self._enclosures.items() if enclosure_id not in facts.enclosures]
        self._enclosures = {
            enclosure.id: EnclosureWatch(facts, enclosure, kept.get(enclosure.id))
            for enclosure in facts.enclosures.values()
            if self._is_ours(f"{ROOM}{enclosure.room}")
        }
        return [event for watch in gone for event in watch.ended(now_ms)]

    def _spans(self, touched: Iterable[Newest]) -> dict[int, tuple[int, int]]:
        """Return which readings of each channel are to be judged, with those that trends are drawn through."""
        known = ((state, self._channels[state.channel_id].last_ms) for state in touched)
        return {
            state.channel_id: (last - CONTEXT_MS, state.at_ms + 1)
            for state, last in known
            if last is not None and last < state.at_ms and self._channels[state.channel_id].turn == turn_of(state.flags)
        }

    def _take(self, session: Session, state: Newest, recent: Mapping[int, StoredReadings]) -> list[AlarmEvent]:
        watch = self._channels[state.channel_id]
        self._first_seen = self._first_seen or watch.last_ms is None
        turns = 0 if watch.turn is None else turns_on(turn_of(state.flags), watch.turn)
        if turns < 0:
            watch.begin_anew()
        after = state.at_ms - 1 if watch.last_ms is None else watch.last_ms
        if turns <= 0 and after >= state.at_ms:
            return []
        if watch.lacks_ms:
            before = read_readings(session, state.channel_id, after + 1 - watch.lacks_ms, after + 1)
            watch.recall(corrected(watch.channel, before))
        readings = recent.get(state.channel_id)
        if turns > 0 and watch.turn is not None:
            readings = since_turning(session, state.channel_id, watch.turn, min(after, state.at_ms))
        elif readings is None:
            readings = read_readings(session, state.channel_id, after - CONTEXT_MS, state.at_ms + 1)
        return watch.take(corrected(watch.channel, readings), after)

    def _by_the_clock(self, session: Session) -> list[AlarmEvent]:
        """Look once a second for silences and for the moments at which enclosures are judged as a whole."""
        now_ms = self._now_ms()
        if abs(now_ms - self._looked_ms) < _LOOK_EVERY_MS:
            return []
        self._looked_ms = now_ms
        by_the_clock: list[AlarmEvent] = []
        if self._facts is not None and abs(now_ms - self._by_the_clock_ms) >= LOOK_EVERY_MS:
            self._by_the_clock_ms = now_ms
            by_the_clock = changes_by_the_clock(
                session, self._facts, self._enclosures, now_ms, whole_site=self._has_the_first()
            )
        events = by_the_clock + [event for watch in self._channels.values() for event in watch.overdue(now_ms)]
        for watch in self._enclosures.values():
            if watch.is_due(now_ms - SETTLE_MS):
                events += watch.advance(now_ms - SETTLE_MS, partial(self._measured, session, watch))
                self._moved_on = True
        return events

    def _measured(self, session: Session, watch: EnclosureWatch, start_ms: int, end_ms: int) -> list[Measured]:
        facts = self._facts or load_facts(session)
        return measured_in(session, facts, watch.enclosure, start_ms, end_ms, UNSEEN)

    def _record(self, events: Sequence[AlarmEvent], touched: Iterable[Newest]) -> None:
        """Record alarms together with the memory they followed from."""
        self._unsaved |= {state.channel_id for state in touched}
        if not events:
            # A channel seen for the first time is saved at once: a restart must not begin with it anew.
            if self._first_seen or self._moved_on or time.monotonic() - self._saved_at >= _SAVE_EVERY_S:
                self.save()
            return
        with self._store.write() as session:
            facts = self._facts or load_facts(session)
            numbers = [record(session, facts, event, self._now_ms()) for event in events]
            self._update_peaks(session)
            self._save(session)
        self._saved()
        self._recorded()
        for event, alarm in zip(events, numbers, strict=True):
            kind = "alarm_raised" if isinstance(event, AlarmRaised) else "alarm_returned"
            log.info(kind, alarm=alarm, condition=event.condition.key, place=event.place)

    def _update_peaks(self, session: Session) -> None:
        """Note in the record how far what stands has gone; what stands where it stood is not looked at again."""
        before, self._peaks_saved = self._peaks_saved, {}
        for watch in self._channels.values():
            for condition, place, raised_ms, peak in watch.peaks():
                raised = condition, place, raised_ms
                if before.get(raised) != peak:
                    alarm = find_alarm(session, condition, place, from_ms(raised_ms))
                    if alarm is None:
                        continue
                    if alarm.peak != peak:
                        alarm.peak = peak
                        session.add(alarm)
                self._peaks_saved[raised] = peak

    def _memories(self) -> list[WatchMemory]:
        return [
            WatchMemory(channel_id, watch.last_ms, watch.remembered())
            for channel_id in self._unsaved
            if (watch := self._channels.get(channel_id)) is not None and watch.last_ms is not None
        ]


def _cadence(session: Session, channel: ChannelFact) -> int | None:
    """Return a channel's measured cadence; a declared one needs no measuring, and thousands of probes have one."""
    if channel.declared_cadence_ms is not None:
        return None
    times = recent_times(session, channel.id)
    return cadence_of(times) if len(times) > 1 else None


def _room_of(facts: RoomFacts, channel: ChannelFact) -> str:
    """Return the place of the room that a channel stands in, or stood in last."""
    enclosure = facts.enclosures.get(channel.placements[-1].enclosure_id)
    return f"{ROOM}{enclosure.room}" if enclosure else ""

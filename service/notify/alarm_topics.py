"""The standing alarms on the broker, so that a siren or another system can follow: one retained message a topic.

``wardian/alarms/<enclosure>/<condition>`` keeps the alarm of a condition in an enclosure as JSON while it stands and is
not held back, and nothing afterwards; before it is taken back, its last state is said once, unretained. What a broker
keeps is a copy of the record: after each new connection all is said again, and what no longer stands is taken back.
"""

import threading
import time
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, Final, Protocol

import orjson
import structlog

from service.errors import StoreUnusable
from service.store.alarm_topics import SaidAlarm, alarms_of, standing_now
from service.store.alarms import last_transition
from service.store.engine import Store

log = structlog.get_logger("alarm_topics")

PREFIX: Final = "wardian/alarms/"
LOOK_EVERY_S: Final = 1.0
SETTLED_AFTER_S: Final = 2.0
"""So long after joining a broker has sent what it keeps. [s]"""
_OUTSIDE: Final = str.maketrans("/+#\0", "....")


class Voice(Protocol):
    """Where messages are put that are to be said on the broker."""

    @property
    def connections(self) -> int:
        """How often the broker was joined."""
        ...

    def put(self, topic: str, payload: bytes, *, retain: bool) -> None:
        """Let a message be sent soon."""
        ...

    def kept(self) -> frozenset[str]:
        """Return the topics on which the broker kept something when it was joined."""
        ...


class AlarmTopics:
    """Says which alarms stand.

    Parameters
    ----------
    store : Store
    voice : Voice
    titles : mapping of str to str
        What a person reads of each condition.
    look_every_s : float
        How often it looks for changes. [s]
    """

    def __init__(
        self, store: Store, voice: Voice, titles: Mapping[str, str], look_every_s: float = LOOK_EVERY_S
    ) -> None:
        self._store, self._voice, self._titles, self._look_every_s = store, voice, titles, look_every_s
        self._said: dict[str, bytes] = {}
        self._ids: dict[str, tuple[int, ...]] = {}
        self._connection = self._transition = 0
        self._joined_at, self._settled = 0.0, True

    def run(self, stop: threading.Event) -> None:
        """Say what changes, until told to stop."""
        while not stop.wait(self._look_every_s):
            try:
                self.step()
            except StoreUnusable as exc:
                log.warning("alarm_topics_wait", reason=str(exc))

    def step(self) -> int:
        """Say what has changed since the last step; return how many messages that took."""
        connection = self._voice.connections
        if connection == 0:
            return 0
        if connection != self._connection:
            self._connection, self._transition, self._said = connection, -1, {}
            self._joined_at, self._settled = time.monotonic(), False
        said = self._say_changes()
        if not self._settled and time.monotonic() - self._joined_at >= SETTLED_AFTER_S:
            self._settled = True
            said += self._take_back(self._voice.kept() - self._said.keys())
        return said

    def _say_changes(self) -> int:
        with self._store.read() as session:
            last = last_transition(session)
            if last == self._transition:
                return 0
            grouped = by_topic(standing_now(session))
            gone = {topic: self._ids.get(topic, ()) for topic in self._said if topic not in grouped}
            ended = {alarm.id: alarm for alarm in alarms_of(session, [one for ids in gone.values() for one in ids])}
        for topic, ids in gone.items():
            for alarm in (ended[one] for one in ids if one in ended):
                self._voice.put(topic, self._json([alarm]), retain=False)
        wanted = {topic: self._json(alarms) for topic, alarms in grouped.items()}
        news = [topic for topic, payload in wanted.items() if self._said.get(topic) != payload]
        for topic in news:
            self._voice.put(topic, wanted[topic], retain=True)
        count = sum(map(len, gone.values())) + len(news) + self._take_back(gone)
        self._said, self._transition = wanted, last
        self._ids = {topic: tuple(alarm.id for alarm in alarms) for topic, alarms in grouped.items()}
        return count

    def _take_back(self, topics: frozenset[str] | Mapping[str, object]) -> int:
        for topic in topics:
            self._voice.put(topic, b"", retain=True)
        return len(topics)

    def _json(self, alarms: Sequence[SaidAlarm]) -> bytes:
        """Return the first of a topic's alarms as JSON, and how many more places it stands at."""
        first = alarms[0]
        told: dict[str, Any] = {"title": self._titles.get(first.condition, first.condition), **first._asdict()}
        told |= {name: written(value) for name, value in told.items() if isinstance(value, datetime)}
        return orjson.dumps(told | {"places": [alarm.place for alarm in alarms]}, option=orjson.OPT_SORT_KEYS)


def by_topic(alarms: Sequence[SaidAlarm]) -> dict[str, list[SaidAlarm]]:
    """Return alarms by the topic that they are said on; a condition may stand at several places of an enclosure."""
    found: dict[str, list[SaidAlarm]] = {}
    for alarm in alarms:
        found.setdefault(topic_of(alarm), []).append(alarm)
    return found


def topic_of(alarm: SaidAlarm) -> str:
    """Return an alarm's topic; one of no enclosure is named by its place, after a sign that no enclosure's id has."""
    where = alarm.enclosure or f"@{alarm.place.translate(_OUTSIDE)}"
    return f"{PREFIX}{where}/{alarm.condition}"


def written(instant: datetime) -> str:
    """Return an aware UTC instant as ISO 8601 with milliseconds and Z."""
    return f"{instant:%Y-%m-%dT%H:%M:%S}.{instant.microsecond // 1000:03d}Z"

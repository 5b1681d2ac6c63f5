"""What a probe has said before it was claimed becomes readings, each once."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np
from sqlmodel import Session

from sensors.payloads.measurement import Decoded, Measurement, PayloadError
from service.climate.series import cadence_of
from service.ingest.mapping import ChannelIntake, Listeners, Mappings, ProbeIntake
from service.ingest.times import lay_backlog, time_of
from service.ingest.topic_filters import matches
from service.model import SETTLE_MS, Flag, UnclaimedMessage, from_ms, to_ms
from service.store.facts import RoomFacts
from service.store.intake import Refusal, keep_refusals
from service.store.readings import NewReading, add_readings, in_present_turn
from service.store.unclaimed import add_sources, forget_sources, list_sources, messages_of, unclaimed_topics

_LAID = int(Flag.ARRIVAL_CLOCK | Flag.APPROXIMATE)
_USUAL_CADENCE_MS = 60_000


@dataclass(frozen=True, slots=True)
class Taken:
    """What became of the messages that were kept.

    Attributes
    ----------
    messages, readings, refused : int
    first_at : datetime or None
        When the first reading was taken; None without one.
    """

    messages: int
    readings: int
    refused: int
    first_at: datetime | None


@dataclass(slots=True)
class _Heard:
    """What the kept messages come to."""

    messages: int = 0
    rows: list[NewReading] = field(default_factory=list)
    refusals: list[Refusal] = field(default_factory=list)
    held: dict[tuple[int, int], list[float]] = field(default_factory=dict)
    last: dict[int, int] = field(default_factory=dict)
    spoken: dict[str, dict[str, list[datetime]]] = field(default_factory=dict)


def take_in(session: Session, facts: RoomFacts, probe_key: str, now: datetime, keep_refused: int) -> Taken:
    """Store what kept messages hold of a probe, and let go of those that are nobody's no more.

    The readings are flagged late: the watch went on without them, live as in replay, so that a claim raises no alarm of
    yesterday. Called twice it stores nothing twice: what was taken in is no longer kept.

    Parameters
    ----------
    session : Session
        Of `Store.write`, with the probe entered.
    facts : RoomFacts
        As they are with the probe.
    probe_key : str
    now : datetime
    keep_refused : int
        How many refused messages are kept.
    """
    mappings = Mappings(facts)
    probe = mappings.probes[probe_key]
    topic_filter = next(fact.topic for fact in facts.probes.values() if fact.key == probe_key)
    heard = _Heard()
    for topic in unclaimed_topics(session):
        if not matches(topic_filter, topic):
            continue
        listeners, messages = mappings.of_topic(topic), messages_of(session, topic)
        for message in messages:
            _hear(message, listeners, probe, heard)
        if listeners:
            _refile(session, topic, heard.spoken.get(topic, {}))
    _lay(heard, probe)
    late = [(c, at, value, flags | _lateness(at, now)) for c, at, value, flags in heard.rows]
    stored = add_readings(session, in_present_turn(session, late))
    keep_refusals(session, heard.refusals, keep_refused)
    first = min((row[1] for row in late), default=None)
    return Taken(heard.messages, stored, len(heard.refusals), None if first is None else from_ms(first))


def _lateness(at_ms: int, now: datetime) -> int:
    return int(Flag.LATE | Flag.DELAYED if to_ms(now) - at_ms > SETTLE_MS else Flag.LATE)


def _hear(message: UnclaimedMessage, listeners: Listeners, probe: ProbeIntake, heard: _Heard) -> None:
    said, strangers, refusals = [], list[str](), list[str]()
    try:
        said, strangers, refusals = _said(message, listeners, probe)
    except PayloadError as exc:
        refusals = [str(exc)]
    for called in strangers:
        heard.spoken.setdefault(message.topic, {}).setdefault(called, []).append(message.received_at)
    heard.messages += bool(said)
    for decoded in said:
        refusals += decoded.refusals
        for measurement in decoded.measurements:
            refusals += _measured(message, measurement, probe.channels[measurement.quantity], heard)
    heard.refusals += [
        Refusal(message.received_at, message.topic, message.payload, f"probe {probe.key}: {reason}")
        for reason in refusals
    ]


def _said(
    message: UnclaimedMessage, listeners: Listeners, probe: ProbeIntake
) -> tuple[list[Decoded], list[str], list[str]]:
    """Return what a message says of a probe, the names in it that are still nobody's, and what cannot be read."""
    at_ms, said = to_ms(message.received_at), list[Decoded]()
    if probe.decode is not None and probe in listeners.probes:
        said.append(probe.decode(message.payload, at_ms))
    strangers, refusals = list[str](), list[str]()
    for gateway in listeners.gateways:
        if gateway.decode is not None:
            told = gateway.decode(message.payload, at_ms)
            said += [decoded for called, decoded in told.of_probes if gateway.probes[called] is probe]
            strangers += [called for called in told.strangers if called not in gateway.probes]
            refusals += told.refusals
    return said, strangers, refusals


def _measured(
    message: UnclaimedMessage, measurement: Measurement, channel: ChannelIntake, heard: _Heard
) -> Iterator[str]:
    """Put one value where it belongs; yield why it is not taken, or not at its own time."""
    at_ms = to_ms(message.received_at)
    if measurement.at_ms is None and message.retained:
        yield "retained, and without a time: it may be of any age"
    elif measurement.at_ms is None and message.resumed_at is not None:
        heard.held.setdefault((channel.id, to_ms(message.resumed_at)), []).append(measurement.value)
    else:
        dated = time_of(measurement.at_ms, at_ms, heard.last.get(channel.id))
        if dated.refusal:
            yield dated.refusal
        if dated.flags & Flag.ARRIVAL_CLOCK:
            heard.last[channel.id] = dated.at_ms
        heard.rows.append(
            (channel.id, dated.at_ms, measurement.value, dated.flags | _impossible(channel, measurement.value))
        )


def _impossible(channel: ChannelIntake, value: float) -> int:
    return int(Flag.IMPOSSIBLE) if channel.is_impossible(value) else 0


def _lay(heard: _Heard, probe: ProbeIntake) -> None:
    """Give times to what came in a burst after a resumed session: approximate ones, a cadence apart."""
    channels = {channel.id: channel for channel in probe.channels.values()}
    for (channel_id, resumed_ms), values in heard.held.items():
        channel = channels[channel_id]
        times = sorted(row[1] for row in heard.rows if row[0] == channel_id)
        before = max((at for at in times if at < resumed_ms), default=None)
        cadence = channel.declared_cadence_ms or (_spacing(times) if len(times) > 1 else _USUAL_CADENCE_MS)
        for at, value in zip(lay_backlog(len(values), before, resumed_ms, cadence, more=False), values, strict=True):
            heard.rows.append((channel_id, at, value, _LAID | _impossible(channel, value)))


def _spacing(times: Sequence[int]) -> int:
    return cadence_of(np.array(times[-200:], dtype=np.int64))


def _refile(session: Session, topic: str, spoken: dict[str, list[datetime]]) -> None:
    """Let a topic's messages wait for the names in them that are still nobody's; with none left they go."""
    known = {source.called for source in list_sources(session) if source.topic == topic}
    new = {called: times for called, times in spoken.items() if called not in known}
    reason = "its gateway speaks for a probe that nobody has claimed"
    add_sources(
        session,
        [
            {"topic": topic, "called": called, "reason": reason, "count": len(times), "first_at": times[0],
             "last_at": times[-1]}
            for called, times in new.items()
        ],
    )  # fmt: skip
    forget_sources(session, topic, spoken)

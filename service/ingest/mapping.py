"""From the room's facts to what each topic means."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from sensors.payloads.decoder import decoder_for
from sensors.payloads.gateways import GatewayDecoder, gateway_decoder
from sensors.payloads.measurement import Decoder, Field, Mapping, MappingError
from sensors.payloads.naming import level_in, level_of, require_names
from service.ingest.topic_filters import TopicIndex
from service.store.facts import ChannelFact, ProbeFact, RoomFacts
from service.store.traceability import element_of

NOBODY = "no probe has this topic; claim it, or add it to the room file"
_REMEMBERED_TOPICS = 20_000


@dataclass(frozen=True, slots=True)
class ChannelIntake:
    """What the intake must know of a channel: its id, its cadence if declared, what its element can show at all."""

    id: int
    declared_cadence_ms: int | None
    low: float
    high: float
    artefacts: tuple[float, ...]

    def is_impossible(self, value: float) -> bool:
        """Whether the element cannot have measured that value."""
        return not self.low <= value <= self.high or value in self.artefacts


@dataclass(frozen=True, slots=True)
class ProbeIntake:
    """A probe as the intake knows it: how to read its messages, and its channels by quantity.

    `decode` is None where the mapping cannot be used, which `problem` says, and where its gateway's reads for it.
    """

    key: str
    decode: Decoder | None
    problem: str | None
    channels: dict[str, ChannelIntake]


@dataclass(frozen=True, slots=True)
class GatewayIntake:
    """A gateway whose messages name its probes: how to read them, and the probes by what it calls them."""

    decode: GatewayDecoder | None
    probes: dict[str, ProbeIntake]


@dataclass(frozen=True, slots=True)
class _Level:
    """Probes that are told apart by a level of the topic."""

    level: int
    probes: dict[str, ProbeIntake]


@dataclass(slots=True)
class Listeners:
    """Who listens to a topic; `nobody` says why nobody does."""

    probes: list[ProbeIntake] = field(default_factory=list)
    gateways: list[GatewayIntake] = field(default_factory=list)
    nobody: str = NOBODY

    def __bool__(self) -> bool:
        """Whether anybody does."""
        return bool(self.probes or self.gateways)


class Mappings:
    """What each topic means, by one state of the room's facts."""

    def __init__(self, facts: RoomFacts) -> None:
        self.version = facts.version
        self.probes: dict[str, ProbeIntake] = {}
        self._index = TopicIndex(self._listeners(facts))
        self._found: dict[str, Listeners] = {}

    def of_topic(self, topic: str) -> Listeners:
        """Return who listens to a topic."""
        found = self._found.get(topic)
        if found is None:
            found = _listening(topic, self._index.find(topic))
            if len(self._found) >= _REMEMBERED_TOPICS:
                self._found.clear()
            self._found[topic] = found
        return found

    def _listeners(self, facts: RoomFacts) -> Iterable[tuple[str, ProbeIntake | GatewayIntake | _Level]]:
        """Yield each probe with its filter; those that share a gateway together."""
        together: dict[tuple[str, ...], list[ProbeFact]] = {}
        for fact in facts.probes.values():
            if fact.called is None or fact.called_at is None:
                self.probes[fact.key] = probe = _probe(facts, fact)
                yield fact.topic, probe
            else:
                key = (fact.topic, fact.called_at)
                whole = key if level_of(fact.called_at) else (*key, fact.format, f"{fact.each_pointer}")
                together.setdefault(whole, []).append(fact)
        for (topic, called_at, *_), members in together.items():
            level = level_of(called_at)
            listener = self._level(facts, members, level) if level else self._gateway(facts, members)
            yield topic, listener

    def _level(self, facts: RoomFacts, members: Sequence[ProbeFact], level: int) -> _Level:
        found: dict[str, ProbeIntake] = {}
        for fact in members:
            self.probes[fact.key] = found[fact.called or ""] = _probe(facts, fact)
        return _Level(level, found)

    def _gateway(self, facts: RoomFacts, members: Sequence[ProbeFact]) -> GatewayIntake:
        """Make one decoder for all; a mapping that cannot be used leaves the others standing."""
        found: dict[str, ProbeIntake] = {}
        sound: dict[str, Mapping] = {}
        for fact in members:
            mapping, problem, called = mapping_of(facts, fact), None, fact.called or ""
            try:
                require_names(mapping, fact.topic)
                gateway_decoder([*([sound[called]] if called in sound else []), mapping])
                sound[called] = mapping
            except MappingError as exc:
                problem = _unusable(fact, exc)
            self.probes[fact.key] = probe = ProbeIntake(fact.key, None, problem, _channels(facts, fact))
            found.setdefault(called, probe)
        return GatewayIntake(gateway_decoder(list(sound.values())) if sound else None, found)


def _listening(topic: str, found: Iterable[ProbeIntake | GatewayIntake | _Level]) -> Listeners:
    listeners = Listeners()
    for listener in found:
        if isinstance(listener, ProbeIntake):
            listeners.probes.append(listener)
        elif isinstance(listener, GatewayIntake):
            listeners.gateways.append(listener)
        else:
            called = level_in(topic, listener.level)
            probe = listener.probes.get(called or "")
            if probe is None:
                listeners.nobody = f"no probe is called '{(called or '')[:60]}', level {listener.level} of the topic"
            else:
                listeners.probes.append(probe)
    return listeners


def mapping_of(facts: RoomFacts, probe: ProbeFact) -> Mapping:
    """Return how a probe's messages are read."""
    channels = [facts.channels[channel] for channel in probe.channels]
    fields = tuple(Field(channel.quantity, channel.pointer, channel.unit) for channel in channels)
    return Mapping(probe.format, fields, probe.time_pointer, probe.each_pointer, probe.called, probe.called_at)


def _probe(facts: RoomFacts, probe: ProbeFact) -> ProbeIntake:
    mapping = mapping_of(facts, probe)
    decode, problem = None, None
    try:
        require_names(mapping, probe.topic)
        decode = decoder_for(mapping)
    except MappingError as exc:
        problem = _unusable(probe, exc)
    return ProbeIntake(probe.key, decode, problem, _channels(facts, probe))


def _unusable(probe: ProbeFact, exc: MappingError) -> str:
    return f"the mapping of probe {probe.key} cannot be used: {exc}"


def _channels(facts: RoomFacts, probe: ProbeFact) -> dict[str, ChannelIntake]:
    channels = [facts.channels[channel] for channel in probe.channels]
    return {channel.quantity: _channel(channel) for channel in channels}


def _channel(channel: ChannelFact) -> ChannelIntake:
    """Take what the element can show from the catalogue; of an unknown model only the quantity's own range counts."""
    element = element_of(channel.model, channel.quantity, channel.figures)
    return ChannelIntake(channel.id, channel.declared_cadence_ms, element.low, element.high, element.artefacts)

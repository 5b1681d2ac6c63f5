"""From the room's facts to what each topic means."""

from dataclasses import dataclass

from sensors.payloads.decoder import decoder_for
from sensors.payloads.measurement import Decoder, Field, Mapping, MappingError
from service.ingest.topic_filters import TopicIndex
from service.store.facts import ChannelFact, ProbeFact, RoomFacts
from service.store.traceability import element_of

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
    """A probe as the intake knows it: how to read its messages, and its channels by quantity."""

    key: str
    decode: Decoder | None
    problem: str | None
    channels: dict[str, ChannelIntake]


class Mappings:
    """What each topic means, by one state of the room's facts."""

    def __init__(self, facts: RoomFacts) -> None:
        self.version = facts.version
        self.probes = {probe.key: _probe(facts, probe) for probe in facts.probes.values()}
        self._index = TopicIndex((probe.topic, self.probes[probe.key]) for probe in facts.probes.values())
        self._found: dict[str, list[ProbeIntake]] = {}

    def of_topic(self, topic: str) -> list[ProbeIntake]:
        """Return the probes that speak on a topic."""
        found = self._found.get(topic)
        if found is None:
            found = self._index.find(topic)
            if len(self._found) >= _REMEMBERED_TOPICS:
                self._found.clear()
            self._found[topic] = found
        return found


def _probe(facts: RoomFacts, probe: ProbeFact) -> ProbeIntake:
    channels = [facts.channels[channel] for channel in probe.channels]
    fields = tuple(Field(channel.quantity, channel.pointer, channel.unit) for channel in channels)
    decode, problem = None, None
    try:
        decode = decoder_for(Mapping(probe.format, fields, probe.time_pointer))
    except MappingError as exc:
        problem = f"the mapping of probe {probe.key} cannot be used: {exc}"
    return ProbeIntake(probe.key, decode, problem, {channel.quantity: _channel(channel) for channel in channels})


def _channel(channel: ChannelFact) -> ChannelIntake:
    """Take what the element can show from the catalogue; of an unknown model only the quantity's own range counts."""
    element = element_of(channel.model, channel.quantity, channel.figures)
    return ChannelIntake(channel.id, channel.declared_cadence_ms, element.low, element.high, element.artefacts)

"""The shapes of what is asked and answered about probes and about who speaks unclaimed."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat

from sensors.catalogue import Figures
from sensors.payloads.proposing import Proposal
from service.api.answers import Answer, At
from service.api.probe_standing import ProbeStanding
from service.api.requests import IsoInstant, QuantityName, ZoneName
from service.api.zone_values import unit_of
from service.ingest.claims import MOST_CHANNELS, ChannelClaim, Claim
from service.model import UnclaimedSource

_KEY = Field(min_length=1, max_length=64)
_TEXT = Field(max_length=200)
_SHOWN = 2_000


class TroubleAnswer(Answer):
    """What is wrong with a probe, and since when."""

    condition: str
    since: At
    alarm: int | None


class ChannelAnswer(Answer):
    """A channel with its newest value and its place."""

    channel: str
    quantity: str
    unit: str = Field(description="SenML unit name.")
    value: float | None = Field(description="Corrected by reference checks. [unit]")
    at: At | None
    enclosure: str | None
    zone: str | None


class ProbeAnswer(Answer):
    """A probe as it is."""

    id: str
    model: str
    topic: str
    format: str
    called: str | None
    called_at: str | None
    last_at: At | None
    cadence_declared_ms: int | None
    cadence_seen_ms: int | None
    battery: float | None = Field(description="[%]")
    signal: float | None = Field(description="[dBm]")
    troubles: list[TroubleAnswer]
    channels: list[ChannelAnswer]


class ProbesAnswer(Answer):
    """A page of probes, by id."""

    probes: list[ProbeAnswer]
    next: str | None = Field(description="Pass it as `cursor` for the next page; null at the end.")


class ClaimedAnswer(Answer):
    """What a claim came to: `readings` were taken from `messages` that were kept."""

    id: str
    messages: int
    readings: int
    refused: int


class SourceAnswer(Answer):
    """Who speaks and belongs to no probe."""

    id: int
    topic: str
    called: str | None
    reason: str
    count: int
    first_at: At
    last_at: At


class SourcesAnswer(Answer):
    """A page of those, the newest source first."""

    unclaimed: list[SourceAnswer]
    made_room: int = Field(description="Messages of sources that made room for others: a flood was bounded.")
    next: str | None = Field(description="Pass it as `cursor` for the next page; null at the end.")


class MessageAnswer(Answer):
    """A message as it came, its payload as text where it is one, cut after 2,000 characters."""

    at: At
    payload: str


class PlaceAnswer(Answer):
    """A number in the message, and what it probably is."""

    pointer: str
    quantity: str | None
    unit: str | None
    why: str


class ProposalAnswer(Answer):
    """A mapping that is proposed for one probe."""

    format: str
    time: str | None
    each: str | None
    called: str | None
    called_at: str | None
    places: list[PlaceAnswer]


class SourceDetail(SourceAnswer):
    """A source with its last messages and what is proposed."""

    messages: list[MessageAnswer]
    proposals: list[ProposalAnswer]


class FiguresIn(BaseModel):
    """A keeper's own figures of an element, for the model "other". [the quantity's unit]."""

    model_config = ConfigDict(extra="forbid")

    accuracy: Annotated[FiniteFloat, Field(gt=0)]
    resolution: Annotated[FiniteFloat | None, Field(gt=0)] = None
    low: FiniteFloat | None = None
    high: FiniteFloat | None = None
    response_s: Annotated[FiniteFloat | None, Field(gt=0)] = None
    source: Annotated[str | None, _TEXT] = None


class ChannelIn(BaseModel):
    """One quantity of the probe, where it stands in the message, and where the probe stands."""

    model_config = ConfigDict(extra="forbid")

    quantity: QuantityName
    pointer: Annotated[str | None, _TEXT] = None
    unit: Annotated[str | None, Field(max_length=16)] = None
    enclosure: Annotated[str | None, _KEY] = None
    zone: ZoneName | None = None
    figures: FiguresIn | None = None


class ProbeIn(BaseModel):
    """A probe to be entered: the same keys as in the room file."""

    model_config = ConfigDict(extra="forbid")

    id: Annotated[str, _KEY]
    model: Annotated[str, _KEY]
    topic: Annotated[str, Field(min_length=1, max_length=1_800)]
    format: Annotated[str, Field(max_length=16)]
    channels: Annotated[list[ChannelIn], Field(min_length=1, max_length=MOST_CHANNELS)]
    every: Annotated[FiniteFloat | None, Field(description="[s]")] = None
    time: Annotated[str | None, _TEXT] = None
    each: Annotated[str | None, _TEXT] = None
    called: Annotated[str | None, _TEXT] = None
    called_at: Annotated[str | None, _TEXT] = None
    since: Annotated[IsoInstant | None, Field(description="By default since it first spoke.")] = None

    def claim(self) -> Claim:
        """Return it as `service.ingest.claims` takes it."""
        channels = tuple(
            ChannelClaim(
                one.quantity, one.pointer, one.unit, one.enclosure, one.zone,
                None if one.figures is None else Figures(**one.figures.model_dump()),
            )
            for one in self.channels
        )  # fmt: skip
        return Claim(
            self.id, self.model, self.topic, self.format, channels, self.every, self.time, self.each, self.called,
            self.called_at, self.since,
        )  # fmt: skip


class PlaceIn(BaseModel):
    """Where a probe's channels stand from a time on; without enclosure nowhere."""

    model_config = ConfigDict(extra="forbid")

    enclosure: Annotated[str | None, _KEY] = None
    zone: ZoneName | None = None
    quantities: Annotated[list[QuantityName] | None, Field(description="By default all that are placed.")] = None
    from_: Annotated[IsoInstant | None, Field(alias="from", description="By default now.")] = None


def probe_answer(standing: ProbeStanding) -> ProbeAnswer:
    """Return a probe as it is answered."""
    fact = standing.fact
    return ProbeAnswer(
        id=fact.key,
        model=fact.model,
        topic=fact.topic,
        format=fact.format,
        called=fact.called,
        called_at=fact.called_at,
        last_at=standing.last_at,
        cadence_declared_ms=standing.declared_ms,
        cadence_seen_ms=standing.seen_ms,
        battery=standing.battery,
        signal=standing.signal,
        troubles=[TroubleAnswer(condition=t.condition, since=t.since, alarm=t.alarm_id) for t in standing.troubles],
        channels=[
            ChannelAnswer(
                channel=c.fact.key,
                quantity=c.fact.quantity,
                unit=unit_of(c.fact.quantity),
                value=c.value,
                at=c.at,
                enclosure=c.enclosure,
                zone=c.zone,
            )
            for c in standing.channels
        ],
    )


def source_answer(source: UnclaimedSource) -> SourceAnswer:
    """Return a source as it is answered."""
    return SourceAnswer(
        id=source.id or 0,
        topic=source.topic,
        called=source.called or None,
        reason=source.reason,
        count=source.count,
        first_at=source.first_at,
        last_at=source.last_at,
    )


def proposal_answer(proposal: Proposal) -> ProposalAnswer:
    """Return a proposal as it is answered."""
    return ProposalAnswer(
        format=proposal.format,
        time=proposal.time_pointer,
        each=proposal.each,
        called=proposal.called,
        called_at=proposal.called_at,
        places=[PlaceAnswer(pointer=p.pointer, quantity=p.quantity, unit=p.unit, why=p.why) for p in proposal.places],
    )


def shown_payload(payload: bytes) -> str:
    """Return a payload as text where it is one, else its bytes in hexadecimal; cut."""
    try:
        return payload.decode()[:_SHOWN]
    except UnicodeDecodeError:
        return payload[: _SHOWN // 3].hex(" ")

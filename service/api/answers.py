"""The shapes of what the HTTP interface answers."""

import math
from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, PlainSerializer

from service.api.standing import Figure, Standing
from service.api.zone_values import Band, ZoneValue
from service.climate.targets import Target
from service.model import Alarm, AlarmTransition, Flag, from_ms
from service.store.facts import EnclosureFact


def written(instant: datetime) -> str:
    """Return an aware UTC instant as ISO 8601 with milliseconds and Z."""
    return f"{instant:%Y-%m-%dT%H:%M:%S}.{instant.microsecond // 1000:03d}Z"


def flag_names(flags: int) -> list[str]:
    """Return the flags of a reading in words: ["arrival clock", "approximate"]."""
    return [flag.name.lower().replace("_", " ") for flag in Flag if flags & flag and flag.name]


At = Annotated[datetime, PlainSerializer(written, return_type=str)]
"""An instant, written as ISO 8601 with milliseconds and Z."""


class Answer(BaseModel):
    """What every answer shares: it says no more than its schema."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class RoomAnswer(Answer):
    """A room."""

    id: str
    name: str


class RoomsAnswer(Answer):
    """A page of rooms."""

    rooms: list[RoomAnswer]
    next: str | None = Field(description="Pass it as `cursor` for the next page; null at the end.")


class Place(Answer):
    """Where an enclosure stands: column = slot, row = level."""

    rack: str | None
    level: int | None
    slot: int | None


class PlacementAnswer(Answer):
    """A channel in a zone, from a time on."""

    channel: str
    quantity: str
    unit: str
    zone: str
    from_: At = Field(serialization_alias="from")
    until: At | None


class EnclosureAnswer(Answer):
    """An enclosure."""

    id: str
    name: str
    room: str
    place: Place
    profile: str | None = Field(description="The profile that it follows now.")


class EnclosureDetail(EnclosureAnswer):
    """An enclosure with its placements, past ones too."""

    placements: list[PlacementAnswer]


class EnclosuresAnswer(Answer):
    """A page of enclosures."""

    enclosures: list[EnclosureAnswer]
    next: str | None = Field(description="Pass it as `cursor` for the next page; null at the end.")


class BandAnswer(Answer):
    """Limits: an end that is null is open."""

    check: str
    low: float | None
    high: float | None
    source: str


class ValueAnswer(Answer):
    """The newest value of a quantity in a zone, corrected by calibration."""

    zone: str
    quantity: str
    channel: str
    at: At
    value: float
    unit: str = Field(description="SenML unit name.")
    flags: list[str]
    uncertainty: float | None = Field(description="Expanded, k = 2; null when the probe model is not known.")
    fresh: bool = Field(description="Young enough and fit to be judged.")
    target: BandAnswer | None = Field(description="What it is held against at this time of day.")


class FigureAnswer(Answer):
    """The one figure that matters now."""

    about: str
    value: float
    unit: str
    limit: float | None = Field(description="The limit that was passed; null when none was.")
    target: BandAnswer | None
    at: At


class AlarmAnswer(Answer):
    """An alarm."""

    id: int
    condition: str
    enclosure: str | None
    zone: str | None
    channel: str | None
    place: str
    priority: str
    state: str
    raised_at: At
    began_at: At
    returned_at: At | None
    acknowledged_at: At | None
    acknowledged_by: str | None
    value: float | None
    peak: float | None
    limit: float | None
    unit: str | None
    cause: str | None
    note: str | None


class TransitionAnswer(Answer):
    """A change of an alarm's state."""

    id: int
    at: At
    recorded_at: At
    before: str
    after: str
    by: str
    note: str | None


class AlarmDetail(AlarmAnswer):
    """An alarm with all that happened to it."""

    transitions: list[TransitionAnswer]


class AlarmsAnswer(Answer):
    """A page of alarms, the newest record first."""

    alarms: list[AlarmAnswer]
    next: str | None = Field(description="Pass it as `cursor` for the next page; null at the end.")


class NowAnswer(Answer):
    """How an enclosure stands now."""

    enclosure: str
    at: At
    state: Literal["act", "blind", "drifting", "steady", "resting"]
    word: str
    sentence: str
    figure: FigureAnswer | None
    part_of_day: Literal["day", "night", "between"]
    values: list[ValueAnswer]
    targets: list[BandAnswer]
    alarms: list[AlarmAnswer]
    newest_at: At | None


class GapAnswer(Answer):
    """A span in which no reading stands."""

    from_: int = Field(serialization_alias="from", description="[ms since 1970, UTC]")
    to: int = Field(description="[ms since 1970, UTC]")


class SeriesChannel(Answer):
    """One channel in one zone: three lists of one length."""

    channel: str
    zone: str
    quantity: str
    unit: str = Field(description="SenML unit name.")
    cadence_ms: int
    readings: int = Field(description="How many readings the span holds; fewer may be in the lists.")
    at_ms: list[int] = Field(description="Increasing. [ms since 1970, UTC]")
    value: list[float | None] = Field(description="Null is a break: no line crosses it. [unit]")
    flags: list[int] = Field(
        description="Bits: 1 device clock, 2 arrival clock, 4 approximate time, 8 impossible value, 16 late, "
        "32 delayed, 64 given before the clock was set back and again; those above: how often it was, modulo 8."
    )
    gaps: list[GapAnswer]


class SeriesAnswer(Answer):
    """What charts draw."""

    enclosure: str
    from_: At = Field(serialization_alias="from")
    to: At
    time_zone: str
    series: list[SeriesChannel]


class RefusedAnswer(Answer):
    """A reading that was not taken."""

    index: int
    reason: str


class TakenAnswer(Answer):
    """What became of posted readings."""

    stored: int
    repeated: int
    refused: list[RefusedAnswer]


def enclosure_answer(enclosure: EnclosureFact, now_ms: int) -> EnclosureAnswer:
    """Return an enclosure as it is answered."""
    return EnclosureAnswer(
        id=enclosure.key,
        name=enclosure.name,
        room=enclosure.room,
        place=Place(rack=enclosure.rack, level=enclosure.level, slot=enclosure.slot),
        profile=enclosure.profile_at(now_ms),
    )


def alarm_answer(alarm: Alarm, enclosures: Mapping[int, str], channels: Mapping[int, str]) -> AlarmAnswer:
    """Return an alarm as it is answered, with the keys of what it is about."""
    return AlarmAnswer(
        id=alarm.id or 0,
        condition=alarm.condition,
        enclosure=None if alarm.enclosure_id is None else enclosures.get(alarm.enclosure_id),
        zone=alarm.zone,
        channel=None if alarm.channel_id is None else channels.get(alarm.channel_id),
        place=alarm.place,
        priority=alarm.priority,
        state=alarm.state,
        raised_at=alarm.raised_at,
        began_at=alarm.began_at,
        returned_at=alarm.returned_at,
        acknowledged_at=alarm.acknowledged_at,
        acknowledged_by=alarm.acknowledged_by,
        value=alarm.value,
        peak=alarm.peak,
        limit=alarm.limit,
        unit=alarm.unit,
        cause=alarm.cause,
        note=alarm.note,
    )


def transition_answer(transition: AlarmTransition) -> TransitionAnswer:
    """Return a transition as it is answered."""
    return TransitionAnswer(
        id=transition.id or 0,
        at=transition.at,
        recorded_at=transition.recorded_at,
        before=transition.before,
        after=transition.after,
        by=transition.by,
        note=transition.note,
    )


def now_answer(stands: Standing, alarms: list[AlarmAnswer], now: datetime) -> NowAnswer:
    """Return how an enclosure stands, as it is answered."""
    return NowAnswer(
        enclosure=stands.enclosure.key,
        at=now,
        state=stands.state,
        word=stands.word,
        sentence=stands.sentence,
        figure=None if stands.figure is None else _figure(stands.figure),
        part_of_day=stands.part_of_day,
        values=[_value(value) for value in stands.values],
        targets=[_target(check, target) for check, target in stands.targets.items()],
        alarms=alarms,
        newest_at=None if stands.newest_at_ms is None else from_ms(stands.newest_at_ms),
    )


def _band(band: Band | None) -> BandAnswer | None:
    return None if band is None else BandAnswer(check=band.check, low=band.low, high=band.high, source=band.source)


def _target(check: str, target: Target) -> BandAnswer:
    return BandAnswer(check=check, low=_finite(target.low), high=_finite(target.high), source=target.source)


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _figure(figure: Figure) -> FigureAnswer:
    return FigureAnswer(
        about=figure.about,
        value=figure.value,
        unit=figure.unit,
        limit=figure.limit,
        target=_band(figure.target),
        at=from_ms(figure.at_ms),
    )


def _value(value: ZoneValue) -> ValueAnswer:
    return ValueAnswer(
        zone=value.zone,
        quantity=value.quantity,
        channel=value.channel,
        at=from_ms(value.at_ms),
        value=value.value,
        unit=value.unit,
        flags=flag_names(value.flags),
        uncertainty=_finite(value.uncertainty),
        fresh=value.fresh,
        target=_band(value.target),
    )

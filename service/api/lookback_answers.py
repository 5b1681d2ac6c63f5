"""The shapes of what is answered about the past of an enclosure."""

from typing import Annotated, Any, Literal

from pydantic import Field, WithJsonSchema

from service.api.answers import Answer

VerdictName = Literal["met", "not met", "borderline", "no data"]
CycleVerdictName = Literal["confirmed", "weak", "none", "saturated", "no data"]
Moment = Annotated[str, WithJsonSchema({"type": "string", "format": "date-time"})]
Day = Annotated[str, WithJsonSchema({"type": "string", "format": "date"})]


class PhotoperiodAnswer(Answer):
    """The lit period that began on a day; without lights there is none."""

    on: Moment | None
    off: Moment | None
    basis: Literal["light", "lamp power", "schedule", "none"]


class TargetAnswer(Answer):
    """What a check was held against; an end that is null is open."""

    low: float | None
    high: float | None
    share: float | None = Field(description="Share of time, or of cycles, that is asked for.")
    unit: str
    source: str


class CheckAnswer(Answer):
    """What a check says of a day."""

    check: str
    verdict: VerdictName | None = Field(description="Null while it may still come out either way.")
    value: float | None
    unit: str
    target: TargetAnswer
    uncertainty: float | None = Field(description="Expanded, k = 2.")
    coverage: float | None = Field(description="0 to 1, of the time looked at so far.")
    from_: Moment = Field(alias="from")
    to: Moment
    zone: str | None
    channels: list[str]
    complete: bool
    sentence: str
    details: dict[str, float | int | str | bool | None]


class SpikesAnswer(Answer):
    """How many misting cycles came out how, and how many spikes no cycle explains."""

    confirmed: int
    weak: int
    none: int
    saturated: int
    no_data: int
    unscheduled: int


class DayAnswer(Answer):
    """A local day of an enclosure."""

    date: Day
    enclosure: str
    photoperiod: PhotoperiodAnswer
    verdict: VerdictName | None = Field(description="The worst of its checks; null while the day may still be met.")
    complete: bool
    checks: list[CheckAnswer]
    spikes: SpikesAnswer


class ToldDayAnswer(DayAnswer):
    """A day as a look-back tells it."""

    fingerprint: str = Field(description="The first digits of the SHA-256 of all that the day was assessed from.")


class CycleAnswer(Answer):
    """What a misting cycle did."""

    at: Moment
    basis: Literal["pump current", "pump state", "schedule"]
    verdict: CycleVerdictName | None = Field(description="Null while its 20 min are not over.")
    response: float | None = Field(description="Greatest added humidity within 20 min. [%RH]")
    uncertainty: float | None
    rise_minutes: float | None
    decay_minutes: float | None
    baseline_vapour_pressure: float | None = Field(description="Median of the 10 min before. [Pa]")
    temperature_moving: bool
    sentence: str


class DaysAnswer(Answer):
    """The local days that a span touches, as far as they have begun."""

    enclosure: str
    time_zone: str
    days: list[DayAnswer]


class MistingAnswer(Answer):
    """The misting cycles of a span."""

    enclosure: str
    time_zone: str
    misting: list[CycleAnswer]


class SubjectAnswer(Answer):
    """Whose past it is."""

    enclosure: str
    name: str


class SummaryAnswer(Answer):
    """What a span came to."""

    verdict: VerdictName | None
    sentences: list[str]


class PastAlarmAnswer(Answer):
    """An alarm that stood within the span."""

    condition: str
    zone: str | None
    priority: str
    state: str
    raised_at: Moment
    acknowledged_at: Moment | None
    acknowledged_by: str | None
    returned_at: Moment | None
    peak: float | None
    limit: float | None
    unit: str | None
    cause: str | None
    note: str | None


class GapAnswer(Answer):
    """When a channel said nothing that can be judged, and why."""

    channel: str
    zone: str
    from_: Moment = Field(alias="from")
    to: Moment
    reason: str


class DataAnswer(Answer):
    """What a look-back rests on."""

    readings: int
    approximate: int
    refused: int = Field(description="Beyond what the probe can measure: stored and shown, never judged.")
    fingerprint: str = Field(description="SHA-256 of this answer and of everything that it was made from.")


class CorrectionAnswer(Answer):
    """What was put right afterwards; `was` and `is` are null where there is but a sentence to say."""

    kind: str
    was: dict[str, Any] | None
    is_: dict[str, Any] | None = Field(alias="is")
    noted_at: Moment | None
    sentence: str


class PastAnswer(Answer):
    """What every look-back tells."""

    from_: Moment = Field(alias="from")
    to: Moment
    time_zone: str
    as_of: Moment | None = Field(description="When it was asked, while the span is not over; null when it is.")
    days: list[ToldDayAnswer]
    facts: list[dict[str, Any]] = Field(description="Each has a kind, from, until, entered_by and entered_at.")
    journal: list[dict[str, Any]]
    corrections: list[CorrectionAnswer]
    data: DataAnswer


class LookbackAnswer(PastAnswer):
    """What an enclosure lived through."""

    subject: SubjectAnswer
    summary: SummaryAnswer
    misting: list[CycleAnswer]
    alarms: list[PastAlarmAnswer]
    gaps: list[GapAnswer]


class PartAnswer(Answer):
    """A part of a summary."""

    title: str
    sentences: list[str]


class LifeSummaryAnswer(SummaryAnswer):
    """A summary by parts; `sentences` are all of them in order."""

    parts: list[PartAnswer]


class LifeSubjectAnswer(Answer):
    """Whose past it is, and where it was."""

    animal: str | None = None
    clutch: str | None = None
    species: str
    members: int | None = None
    eggs: int | None = None
    gone_at: Moment | None
    housings: list[dict[str, Any]]


class ThereCycleAnswer(CycleAnswer):
    """A misting cycle of one of its enclosures."""

    enclosure: str


class TherePastAlarmAnswer(PastAlarmAnswer):
    """An alarm of one of its enclosures."""

    enclosure: str


class ThereGapAnswer(GapAnswer):
    """A gap in one of its enclosures."""

    enclosure: str


class ChangeBeforeAnswer(Answer):
    """What changed shortly before."""

    at: Moment
    days_before: float
    kind: str
    enclosure: str | None
    sentence: str


class LifeLookbackAnswer(PastAnswer):
    """What an animal, or a clutch, lived through."""

    subject: LifeSubjectAnswer
    event_at: Moment | None
    summary: LifeSummaryAnswer
    misting: list[ThereCycleAnswer]
    alarms: list[TherePastAlarmAnswer]
    gaps: list[ThereGapAnswer]
    changes: list[ChangeBeforeAnswer]
    compared: dict[str, Any] = Field(description="Medians of checks against the weeks before, and against neighbours.")
    eggs: dict[str, Any] | None = Field(None, description="Of a clutch: degree-days, and when hatching is expected.")

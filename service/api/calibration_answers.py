"""Reference checks as the HTTP interface and the pages tell them."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any

from pydantic import Field

from sensors.quantities import QUANTITIES
from service.api.answers import Answer, At
from service.climate.calibration import CheckPoint, Correction, as_found, correction_of
from service.climate.uncertainty import months_between
from service.model import Calibration, to_ms
from service.store.calibrations import made_at
from service.store.facts import ChannelFact, RoomFacts
from service.store.reference_checks import point_values
from service.store.reference_readings import Found


class PointAnswer(Answer):
    """One reference point, and how it was made where that is known."""

    reference: float = Field(description="What was true. [unit]")
    reads: float = Field(description="What the channel read, as stored. [unit]")
    uncertainty: float = Field(description="Of the difference, k = 2. [unit]")
    as_found: float = Field(description="What the channel was off by here, as it was corrected until then. [unit]")
    method: str | None = None
    against: str | None = Field(None, description="The salt, the reference instrument, or the certificate.")
    reference_uncertainty: float | None = Field(None, description="Of the reference alone, k = 2. [unit]")
    temperature: float | None = Field(None, description="Over a salt. [°C]")
    readings: int | None = None
    spread: float | None = Field(None, description="Standard deviation of the readings. [unit]")
    since: At | None = Field(None, description="When the probe was put in.")
    from_: Annotated[At | None, Field(serialization_alias="from")] = None
    until: At | None = None


class CorrectionAnswer(Answer):
    """What a check makes of a reading: ``slope · reading + offset``."""

    slope: float
    offset: float = Field(description="[unit]")
    uncertainty: float = Field(description="k = 2, at the worse end of its use; it grows with the months. [unit]")
    low: float = Field(description="The least reading that was checked. [unit]")
    high: float = Field(description="The greatest reading that was checked. [unit]")


class CalibrationAnswer(Answer):
    """A reference check of a channel."""

    id: int
    channel: str
    unit: str
    made_at: At
    from_: Annotated[At, Field(serialization_alias="from", description="Since when it corrects readings.")]
    by: str = Field(description="Who made the check.")
    entered_by: str
    entered_at: At
    note: str | None
    points: list[PointAnswer]
    correction: CorrectionAnswer
    months_since_the_last: float | None = Field(description="From the check before it; null where there is none.")


class CalibrationsAnswer(Answer):
    """A page of reference checks."""

    calibrations: list[CalibrationAnswer]
    next: str | None = Field(description="Pass it as `cursor` for the next page; null at the end.")


class SaltAnswer(Answer):
    """A salt, and the humidity of the air over its saturated solution."""

    salt: str
    name: str
    humidity: float | None = Field(description="At the temperature asked for; null outside the table. [%RH]")
    uncertainty: float | None = Field(description="Of the salt alone, k = 2. [%RH]")
    lowest: float = Field(description="Where its table begins. [°C]")
    highest: float = Field(description="Where its table ends. [°C]")
    caution: str


class SaltsAnswer(Answer):
    """Every salt, the driest first."""

    temperature: float
    salts: list[SaltAnswer]
    source: str


class ReadingAnswer(Answer):
    """What stands of a reference point so far."""

    channel: str
    unit: str
    settled: bool
    why_not: str | None = Field(description="Why the point cannot be taken yet, or at all.")
    mean: float | None = Field(description="Of the readings as stored. [unit]")
    spread: float | None = Field(description="Their standard deviation. [unit]")
    moved: float | None = Field(description="What they rose by over the minutes. [unit]")
    readings: int
    expected: float | None = Field(description="What the reference stands at. [unit]")
    expected_uncertainty: float | None = Field(description="k = 2. [unit]")
    temperature: float | None = Field(description="Over a salt. [°C]")
    uncertainty: float | None = Field(description="Of the point, k = 2; null while it cannot be taken. [unit]")


@dataclass(frozen=True, slots=True)
class History:
    """The checks of one channel, the last made first."""

    channel: ChannelFact
    rows: Sequence[Calibration]

    def before(self, row: Calibration) -> Calibration | None:
        """Return the check that was made before one."""
        return next((other for other in self.rows if made_at(other) < made_at(row)), None)


def points_of(row: Calibration) -> list[dict[str, Any]]:
    """Return every point of a stored check."""
    first = {"reference": row.reference, "reads": row.reads, "uncertainty": row.uncertainty}
    return list(row.points or [first])


def check_points(row: Calibration) -> list[CheckPoint]:
    """Return every point of a stored check as figures."""
    return [CheckPoint(p["reference"], p["reads"], p["uncertainty"]) for p in points_of(row)]


def correction_answer(correction: Correction, quantity: str) -> CorrectionAnswer:
    """Return a correction as it is told."""
    widest = correction.widest(quantity)
    return CorrectionAnswer(
        slope=correction.slope, offset=correction.offset, uncertainty=widest, low=correction.low, high=correction.high
    )


def calibration_answer(history: History, row: Calibration) -> CalibrationAnswer:
    """Return a stored check with what it corrects, and what had drifted since the one before it."""
    before = history.before(row)
    points = check_points(row)
    found = as_found(None if before is None else correction_of(check_points(before)), points)
    values = [point_values(point) for point in points_of(row)]
    told = [
        PointAnswer(**{"from_" if k == "from" else k: v for k, v in value.items()}, as_found=off)
        for value, off in zip(values, found, strict=True)
    ]
    return CalibrationAnswer(
        id=row.id or 0,
        channel=history.channel.key,
        unit=unit_of(history.channel.quantity),
        made_at=made_at(row),
        from_=row.from_at,
        by=row.done_by or row.entered_by,
        entered_by=row.entered_by,
        entered_at=row.entered_at,
        note=row.note,
        points=told,
        correction=correction_answer(correction_of(points), history.channel.quantity),
        months_since_the_last=None if before is None else _months(made_at(before), made_at(row)),
    )


def reading_answer(channel: ChannelFact, found: Found) -> ReadingAnswer:
    """Return what stands of a reference point."""
    settling, expected = found.settling, found.expected
    known = settling is not None and settling.readings > 0
    return ReadingAnswer(
        channel=channel.key,
        unit=unit_of(channel.quantity),
        settled=found.point is not None,
        why_not=found.why_not,
        mean=settling.mean if settling and known else None,
        spread=settling.spread if settling and known else None,
        moved=settling.moved if settling and settling.readings > 1 else None,
        readings=settling.readings if settling else 0,
        expected=expected.value if expected else None,
        expected_uncertainty=expected.uncertainty if expected else None,
        temperature=found.temperature,
        uncertainty=found.point["uncertainty"] if found.point else None,
    )


def unit_of(quantity: str) -> str:
    """Return the unit that a quantity is stored in."""
    return QUANTITIES[quantity].unit if quantity in QUANTITIES else ""


def history_of(facts: RoomFacts, channel_id: int, rows: Sequence[Calibration]) -> History:
    """Return the checks of one channel out of all."""
    return History(facts.channels[channel_id], [row for row in rows if row.channel_id == channel_id])


def _months(earlier: datetime, later: datetime) -> float:
    return months_between(to_ms(earlier), to_ms(later))

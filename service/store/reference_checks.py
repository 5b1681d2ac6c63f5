"""Reference checks of a channel as plain values, and what they make of its readings."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any, Final

from service.climate.calibration import CheckPoint, Correction, correction_of
from service.model import Calibration, to_ms
from service.store.since import Since, span_of


@dataclass(frozen=True, slots=True)
class CalibrationFact(Since):
    """A reference check of a channel: it corrects readings from `start_ms` on, until a later check does.

    Attributes
    ----------
    reference, reads, uncertainty : float
        Its first point. [the channel's unit]
    further : tuple of CheckPoint
        The other points, of a line.
    made_ms : int or None
        When the check was made, where that is not `start_ms`. [ms, UTC]
    """

    channel_id: int
    reference: float
    reads: float
    uncertainty: float
    further: tuple[CheckPoint, ...] = ()
    made_ms: int | None = None

    @property
    def checked_ms(self) -> int:
        """When the check was made. [ms, UTC]."""
        return self.start_ms if self.made_ms is None else self.made_ms

    @property
    def points(self) -> tuple[CheckPoint, ...]:
        """Every point."""
        return CheckPoint(self.reference, self.reads, self.uncertainty), *self.further

    @property
    def correction(self) -> Correction:
        """What it makes of a reading."""
        return _correction(self.points)


@lru_cache(maxsize=4096)
def _correction(points: tuple[CheckPoint, ...]) -> Correction:
    return correction_of(points)


_INSTANTS: Final = ("since", "from", "until")


def point_json(**point: Any) -> dict[str, Any]:  # noqa: ANN401 - figures, words and instants
    """Return a point as `service.model.Calibration.points` holds it: what is None is left out, instants are texts.

    Parameters
    ----------
    reference, reads, uncertainty : float
        See `CheckPoint`. [the channel's unit]
    method : str
        See `service.climate.reference_points.Method`.
    against : str
        The salt, or the instrument.
    reference_uncertainty : float
        Of the reference alone, k = 2. [unit]
    temperature : float
        Of a salt. [°C]
    readings, spread : int, float
        How many were averaged, and their standard deviation. [unit]
    since, from, until : datetime
        When the probe was put in; the window of its readings.
    """
    said = {name: value for name, value in point.items() if value is not None}
    return {name: _text(value) if isinstance(value, datetime) else value for name, value in said.items()}


def _text(instant: datetime) -> str:
    return instant.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def point_values(point: Mapping[str, Any]) -> dict[str, Any]:
    """Return a stored point with its instants as such: what `point_json` was given."""
    instants = {name: datetime.fromisoformat(point[name]) for name in _INSTANTS if name in point}
    return {**point, **instants}


def check_of(row: Calibration) -> CalibrationFact:
    """Return a stored check as a plain value."""
    further = tuple(CheckPoint(p["reference"], p["reads"], p["uncertainty"]) for p in (row.points or ())[1:])
    made = None if row.checked_at is None else to_ms(row.checked_at)
    return CalibrationFact(
        *span_of(row), row.channel_id, row.reference, row.reads, row.uncertainty, further=further, made_ms=made
    )

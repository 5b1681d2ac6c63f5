"""A day's assessment as plain values that can be kept and sent."""

import math
from typing import Any, Final

from service.climate.assessment import CheckResult, DayAssessment
from service.climate.misting import MistingResult, MistingVerdict
from service.climate.targets import Target
from service.lookback.gaps import counts_of, gaps_of
from service.lookback.inputs import DayReadings
from service.model import from_ms

_DIGITS: Final = 4
Body = dict[str, Any]


def instant(ms: int) -> str:
    """Return an instant as ISO 8601 in UTC with milliseconds."""
    return f"{from_ms(ms).isoformat(timespec='milliseconds').removesuffix('+00:00')}Z"


def number(value: float) -> float | None:
    """Return a number to four decimals; what is not known or without limit is None."""
    return round(float(value), _DIGITS) if math.isfinite(value) else None


def body_of(enclosure: str, day: DayReadings, assessment: DayAssessment) -> Body:
    """Return what a day was: its part of the days, of the misting list, of the gaps, and its counts."""
    period = day.given.photoperiod
    lit = period.basis != "none"
    return {
        "day": {
            "date": assessment.date.isoformat(),
            "enclosure": enclosure,
            "photoperiod": {
                "on": instant(period.on_ms) if lit else None,
                "off": instant(period.off_ms) if lit else None,
                "basis": period.basis,
            },
            "verdict": assessment.verdict,
            "complete": assessment.complete,
            "checks": [_check(result) for result in assessment.checks],
            "spikes": _spikes(assessment),
        },
        "misting": [_cycle(result) for result in assessment.misting],
        "gaps": gaps_of(day),
        "data": counts_of(day),
    }


def _check(result: CheckResult) -> Body:
    return {
        "check": result.check,
        "verdict": result.verdict,
        "value": number(result.value),
        "unit": result.unit,
        "target": _target(result.target),
        "uncertainty": number(result.uncertainty),
        "coverage": number(result.coverage),
        "from": instant(result.span[0]),
        "to": instant(result.span[1]),
        "zone": result.zone or None,
        "channels": list(result.channels),
        "complete": result.complete,
        "sentence": result.sentence,
        "details": {name: number(v) if isinstance(v, float) else v for name, v in sorted(result.details.items())},
    }


def _target(target: Target) -> Body:
    share = None if target.share is None else number(target.share)
    return {
        "low": number(target.low),
        "high": number(target.high),
        "share": share,
        "unit": target.unit,
        "source": target.source,
    }


def _spikes(assessment: DayAssessment) -> Body:
    verdicts = [result.verdict for result in assessment.misting]
    counted = {verdict.value.replace(" ", "_"): verdicts.count(verdict) for verdict in MistingVerdict}
    return {**counted, "unscheduled": len(assessment.spikes)}


def _cycle(result: MistingResult) -> Body:
    return {
        "at": instant(result.at_ms),
        "basis": result.basis,
        "verdict": result.verdict,
        "response": number(result.response),
        "uncertainty": number(result.uncertainty),
        "rise_minutes": number(result.rise_minutes),
        "decay_minutes": number(result.decay_minutes),
        "baseline_vapour_pressure": number(result.baseline_vapour_pressure),
        "temperature_moving": result.temperature_moving,
        "sentence": result.sentence,
    }

"""A spot under a working thermostat swings; above its band too it is not heading over its ceiling."""

import numpy as np

from service.climate.series import series_of
from service.climate.trend import minutes_to_ceiling

NOON = 1_767_268_800_000
MINUTE = 60_000
BAND, CEILING = 34.0, 35.0


def swing(minutes: np.ndarray) -> np.ndarray:
    """Up within 2 min, down over the next 18 as a thermostat lets it, read with some noise."""
    phase = minutes % 20
    true = np.where(phase < 2, 33.6 + 0.35 * phase, 34.3 - 0.7 * (phase - 2) / 18)
    return np.round(true + np.random.default_rng(1).normal(0, 0.05, minutes.shape), 1)


def heading(minutes: np.ndarray, value: np.ndarray) -> list[int]:
    readings = series_of(NOON + (minutes * MINUTE).astype(np.int64), value)
    return [
        int(at) for at in readings.at[minutes >= 60] if minutes_to_ceiling(readings, int(at), BAND, CEILING) is not None
    ]


def test_a_thermostat_that_swings_above_the_band_raises_nothing_in_a_day() -> None:
    minutes = np.arange(0, 12 * 60, 0.5)
    assert heading(minutes, swing(minutes)) == []


def test_the_same_spot_is_called_once_its_thermostat_sticks() -> None:
    minutes = np.arange(0, 200, 0.5)
    value = np.where(minutes < 182, swing(minutes), 33.6 + 0.1 * (minutes - 182))
    found = heading(minutes, value)
    passes = NOON + int((182 + 14) * MINUTE)
    assert found
    assert passes - 10 * MINUTE < found[0] < passes

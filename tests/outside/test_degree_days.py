"""Degree-days against published worked figures and a published closed form."""

import math

import numpy as np
import pytest

from service.climate.incubation import degree_days
from service.climate.ranges import DAY_MS, MINUTE_MS
from service.climate.series import series_of

AT = np.arange(0, DAY_MS, MINUTE_MS)
TURN = 2 * np.pi * (AT + MINUTE_MS / 2) / DAY_MS


def test_a_day_above_the_threshold_gathers_its_mean_less_the_threshold() -> None:
    # Source: University of California Statewide IPM Program, "A simple way to calculate degree-days" (California red
    # scale): average of minimum and maximum 64 °F, threshold 53 °F: 64 - 53 = 11 degree-days [°F d].
    fahrenheit = 64 + 10 * np.sin(TURN)
    celsius = (fahrenheit - 32) / 1.8
    assert 1.8 * degree_days(series_of(AT, celsius), (53 - 32) / 1.8, [(0, DAY_MS)]) == pytest.approx(11, abs=0.001)


@pytest.mark.parametrize(("low", "high", "base"), [(10, 30, 18), (15, 26, 20), (22, 33, 24), (5, 17, 18), (24, 31, 18)])
def test_a_sine_day_agrees_with_the_closed_form(low: float, high: float, base: float) -> None:
    # Source: Baskerville & Emin, Ecology 50 (1969) 514-517: with mean M, half range W and t = asin((base - M) / W),
    # degree-days are ((M - base) (pi/2 - t) + W cos t) / pi. The form is from memory; its ends check it: all above
    # gives M - base, all below gives 0.
    mean, half = (high + low) / 2, (high - low) / 2
    angle = math.asin(min(1.0, max(-1.0, (base - mean) / half)))
    expected = ((mean - base) * (math.pi / 2 - angle) + half * math.cos(angle)) / math.pi
    found = degree_days(series_of(AT, mean + half * np.sin(TURN)), base, [(0, DAY_MS)])
    assert found == pytest.approx(expected, abs=0.002)

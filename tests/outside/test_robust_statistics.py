"""Medians and spreads against scipy, for any numbers."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from service.lookback.lives.robust import NORMAL_CONSISTENT, is_apart, middle_of

NUMBERS = st.lists(st.floats(-1e6, 1e6, allow_nan=False), min_size=1, max_size=60)


@settings(deadline=None, max_examples=60)
@given(values=NUMBERS)
def test_median_and_spread_are_those_of_scipy(values: list[float]) -> None:
    found = middle_of([*values, float("nan")])
    assert found.count == len(values)
    assert found.median == pytest.approx(float(np.median(values)), abs=1e-9)
    spread = float(stats.median_abs_deviation(values, scale="normal"))
    assert found.spread == pytest.approx(spread, rel=1e-9, abs=1e-6)


def test_the_factor_makes_the_spread_of_a_normal_sample_its_standard_deviation() -> None:
    assert pytest.approx(1 / float(stats.norm.ppf(0.75)), rel=1e-12) == NORMAL_CONSISTENT
    sample = np.random.default_rng(7).normal(20.0, 3.0, 40_000)
    assert middle_of(sample.tolist()).spread == pytest.approx(3.0, rel=0.03)


def test_one_odd_day_moves_neither_and_what_cannot_be_compared_is_not_apart() -> None:
    usual, odd = middle_of([20.0, 20.2, 20.1, 19.9, 20.0]), middle_of([20.0, 20.2, 20.1, 19.9, 55.0])
    assert abs(usual.median - odd.median) < 0.11
    assert not is_apart(odd, usual, 0.0)
    assert is_apart(middle_of([24.0]), usual, 0.0)
    assert not is_apart(middle_of([24.0]), usual, 4.1)
    assert not is_apart(middle_of([]), usual, 0.0)

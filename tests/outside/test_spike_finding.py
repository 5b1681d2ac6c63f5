"""Which maxima stand out, against a published test signal and against the definition of prominence."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import median_filter
from scipy.signal import find_peaks, peak_prominences

from service.climate.peaks import prominent_peaks
from service.climate.spikes import running_baseline

# Source: the example of scipy.signal.peak_prominences in SciPy's reference: this signal has these prominences.
PUBLISHED = [1.24159486, 0.47840168, 0.28470524, 3.10716793, 0.284603, 0.47822491, 2.48340261, 0.47822491]
X = np.linspace(0, 6 * np.pi, 1000)
SIGNAL = np.sin(X) + 0.6 * np.sin(2.6 * X)


def test_the_published_signal_has_its_published_prominences() -> None:
    peaks, _ = find_peaks(SIGNAL)
    assert peak_prominences(SIGNAL, peaks)[0] == pytest.approx(PUBLISHED, abs=5e-9)


@pytest.mark.parametrize("least", [0.1, 0.3, 0.48, 1.0, 2.0, 3.0])
def test_the_peaks_kept_are_those_of_sufficient_published_prominence_and_height(least: float) -> None:
    peaks, _ = find_peaks(SIGNAL)
    expected = [int(p) for p, much in zip(peaks, PUBLISHED, strict=True) if much >= least and SIGNAL[p] >= least]
    assert prominent_peaks(SIGNAL, least).tolist() == expected


def prominence(values: list[int], peak: int) -> int:
    """Return topographic prominence by its definition: the height over the higher of the two lowest cols beside it."""
    cols = []
    for step in (-1, 1):
        lowest, at = values[peak], peak + step
        while 0 <= at < len(values) and values[at] <= values[peak]:
            lowest, at = min(lowest, values[at]), at + step
        cols.append(lowest)
    return values[peak] - max(cols)


@settings(deadline=None)  # a slow machine must not fail a property
@given(st.lists(st.integers(0, 30), min_size=3, max_size=40, unique=True))
def test_the_peaks_kept_are_those_of_the_definition(values: list[int]) -> None:
    tops = [i for i in range(1, len(values) - 1) if values[i - 1] < values[i] > values[i + 1]]
    expected = [i for i in tops if values[i] >= 10 and prominence(values, i) >= 10]
    assert prominent_peaks(np.array(values, dtype=float), 10).tolist() == expected


@settings(deadline=None)  # a slow machine must not fail a property
@given(st.lists(st.integers(-3, 12) | st.floats(-3, 12), max_size=60), st.sampled_from([-1.0, 0.0, 2.0, 5.0]))
def test_flat_tops_are_found_as_scipy_finds_them(values: list[float], least: float) -> None:
    signal = np.array(values, dtype=np.float64)
    expected, _ = find_peaks(signal, height=least, prominence=least)
    assert prominent_peaks(signal, least).tolist() == expected.tolist()


@settings(deadline=None)  # a slow machine must not fail a property
@given(st.lists(st.integers(500, 505) | st.floats(500, 3000), min_size=61, max_size=300))
def test_the_running_baseline_is_the_running_median_of_scipy(values: list[float]) -> None:
    signal = np.array(values, dtype=np.float64)
    # Its window of 60 lies from 30 before to 29 after: at the 30th before a minute it ends where that minute begins.
    expected = median_filter(signal, size=60, mode="nearest")[30:-30]
    assert running_baseline(signal)[60:].tolist() == expected.tolist()

"""The two filters that scipy gives us, with types."""
# Each is imported where it is used: together they take longer to load than the rest of the program, and few commands
# use them.
# scipy ships no type stubs: this module is where its untyped arrays become typed ones.
# pyright: reportMissingTypeStubs=false, reportUnknownVariableType=false, reportUnknownMemberType=false
# pyright: reportUnknownArgumentType=false

import numpy as np
import numpy.typing as npt

from service.climate.ranges import Floats

Indices = npt.NDArray[np.int64]


def centred_median(values: Floats, size: int) -> Floats:
    """Return the running median of `size` values, for an even size over [i - size/2, i + size/2 - 1].

    Parameters
    ----------
    values : ndarray, shape (n,)
        Without NaN; beyond the ends the outermost value goes on.
    size : int
        How many values a window holds.

    Returns
    -------
    ndarray, shape (n,)
        For an even size the upper one of the two middle values.
    """
    from scipy.ndimage import median_filter  # noqa: PLC0415 - see the top

    return np.asarray(median_filter(values, size=size, mode="nearest"), dtype=np.float64)


def prominent_peaks(values: Floats, least: float) -> Indices:
    """Return the maxima that stand out by at least so much, from zero and from what surrounds them.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Without NaN.
    least : float
        Height and topographic prominence. [unit of the values]

    Returns
    -------
    ndarray of int64, shape (m,)
        Indices, in order; the middle of a flat top.
    """
    from scipy.signal import find_peaks  # noqa: PLC0415 - see the top

    peaks, _ = find_peaks(values, height=least, prominence=least)
    return np.asarray(peaks, dtype=np.int64)

"""Which maxima of a signal stand out."""

import numpy as np
import numpy.typing as npt

from service.climate.ranges import Floats

Indices = npt.NDArray[np.int64]


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
    tops = _tops(values)
    high = tops[values[tops] >= least]
    return np.array([top for top in high.tolist() if _prominence(values, top) >= least], dtype=np.int64)


def _tops(values: Floats) -> Indices:
    """Return where values rise before and fall after; the middle of a flat top, the earlier of two."""
    rises, falls = values[1:] > values[:-1], values[1:] < values[:-1]
    edges = np.flatnonzero(rises | falls)
    top = np.flatnonzero(rises[edges[:-1]] & falls[edges[1:]])
    return (edges[top] + 1 + edges[top + 1]) // 2


def _prominence(values: Floats, top: int) -> float:
    """Return the height over the higher one of the lowest values on either side, as far as nothing is higher."""
    higher = np.flatnonzero(values > values[top])
    place = int(higher.searchsorted(top))
    first = int(higher[place - 1]) + 1 if place else 0
    last = int(higher[place]) if place < len(higher) else len(values)
    return float(values[top] - max(values[first : top + 1].min(), values[top:last].min()))

"""Known values outside their range are errors that name the first one; unknown values (NaN) pass."""

from typing import Final

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
"""Values: float64, NaN where unknown."""

Instants = npt.NDArray[np.int64]
"""Instants: UTC, int64 milliseconds since 1970."""

Spans = npt.NDArray[np.int64]
"""Spans of time, shape (m, 2): each row is [start, end) in UTC milliseconds."""

MINUTE_MS: Final = 60_000
HOUR_MS: Final = 3_600_000
DAY_MS: Final = 86_400_000


class OutOfRangeError(ValueError):
    """A known value lies outside the range in which a formula or a rule holds."""


def require_within(name: str, array: npt.ArrayLike, low: float, high: float, unit: str) -> None:
    """Refuse known values outside [low, high].

    Parameters
    ----------
    name : str
        What the values are, as it stands in the message.
    array : array_like, any shape
        NaN passes: it means that the value is not known. [unit]
    low, high : float
        Both ends are allowed. [unit]
    unit : str
        As it stands in the message; may be empty.

    Raises
    ------
    OutOfRangeError
        Names the first offending index and value: `relative_humidity[3] is 104 %RH, expected 0 to 100`.
    """
    if isinstance(array, float) and not (array < low or array > high):
        # One number needs no array.
        return
    values = np.asarray(array, dtype=np.float64)
    outside = (values < low) | (values > high)
    if not outside.any():
        return
    first = tuple(int(i) for i in np.argwhere(outside)[0])
    where = f"[{', '.join(map(str, first))}]" if first else ""
    written = f"{float(values[first]):g} {unit}".rstrip()
    raise OutOfRangeError(f"{name}{where} is {written}, expected {low:g} to {high:g}")

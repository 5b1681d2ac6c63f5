"""The zones of voluntary exposure to ultraviolet light: which of them a measured UV index belongs to."""

import math
from dataclasses import dataclass
from typing import Final

SOURCE: Final = (
    "Ferguson et al. 2010, Zoo Biology 29:317-334, as tabulated by Baines et al. 2016, J. Zoo Aquar. Res. 4(1):42-63"
)
"""Figures by way of pages that quote the table; the original table was not seen."""


@dataclass(frozen=True, slots=True)
class UvZone:
    """A zone: how its animals behave, and the UV index that they were found in.

    Attributes
    ----------
    number : int
        1 to 4.
    behaviour : str
    mean : (float, float)
        Lowest and highest mean of voluntary exposure. [UV index]
    most : (float, float)
        Lowest and highest maximum of it. [UV index]
    """

    number: int
    behaviour: str
    mean: tuple[float, float]
    most: tuple[float, float]


ZONES: Final = (
    UvZone(1, "crepuscular or shade dweller, thermal conformer", (0.0, 0.7), (0.6, 1.4)),
    UvZone(2, "partial sun or occasional basker, thermoregulator", (0.7, 1.0), (1.1, 3.0)),
    UvZone(3, "open or partial sun basker, thermoregulator", (1.0, 2.6), (2.9, 7.4)),
    UvZone(4, "mid-day sun basker, thermoregulator", (2.6, 3.5), (4.5, 9.5)),
)
"""In order of their means, which follow on one another; their maxima overlap."""


def zone_of_mean(uv_index: float) -> UvZone | None:
    """Return the zone whose band of mean exposure holds a UV index; a border belongs to the lower zone.

    Parameters
    ----------
    uv_index : float
        Not negative. [1]

    Returns
    -------
    UvZone or None
        None above the highest mean, and for NaN.

    Raises
    ------
    ValueError
        If it is negative.

    References
    ----------
    .. [1] Ferguson et al. 2010, Zoo Biology 29:317-334.
    """
    if math.isnan(uv_index):
        return None
    if uv_index < 0:
        raise ValueError(f"UV index is {uv_index:g}, expected 0 or more")
    return next((zone for zone in ZONES if uv_index <= zone.mean[1]), None)


def zones_by_most(uv_index: float) -> tuple[UvZone, ...]:
    """Return the zones whose band of greatest exposure holds a UV index: none, one or two."""
    return tuple(zone for zone in ZONES if zone.most[0] <= uv_index <= zone.most[1])

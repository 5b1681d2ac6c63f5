"""How much water air can hold, as a density, which is what a water balance conserves."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# e_s = 611.2 exp(17.62 t / (243.12 + t)) Pa and density = e / (461.5 (t + 273.15)), written with one exponential:
# 17.62 t / (243.12 + t) = 17.62 - 17.62 * 243.12 / (243.12 + t).
MAGNUS_C = 243.12
MAGNUS_FALL = -17.62 * 243.12
KELVIN = 273.15
LOG_SCALE = 17.62 + float(np.log(611.2 / 461.5))
LATENT_HEAT = 2.45e6
"""Heat that evaporation takes near 25 °C. [J/kg]"""


def saturation_density(temperature: Floats) -> Floats:
    """Return the density of water vapour in saturated air.

    Parameters
    ----------
    temperature : ndarray
        -45 to 60; NaN gives NaN. [°C]

    Returns
    -------
    ndarray
        Same shape. [kg/m³]

    References
    ----------
    .. [1] WMO-No. 8, vol. I, annex 4.B (Magnus form over water); 461.5 J/(kg K) is water vapour's gas constant.
    """
    return np.exp(LOG_SCALE + MAGNUS_FALL / (temperature + MAGNUS_C)) / (temperature + KELVIN)


def relative_humidity(vapour_density: Floats, temperature: Floats) -> Floats:
    """Return the relative humidity of air at `temperature` [°C] that holds `vapour_density` [kg/m³], ≤ 100. [%RH]."""
    return np.minimum(100.0, 100.0 * vapour_density / saturation_density(temperature))

"""Humidities and temperatures that are known beforehand: air over a saturated salt, and melting ice."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Final

import numpy as np

from service.climate.psychrometrics import saturation_pressure
from service.climate.ranges import OutOfRangeError
from service.climate.uncertainty import expanded_from_limit, quadrature

ICE_POINT: Final = 0.0
"""Melting ice in air-saturated water at 101,325 Pa (ASTM E563) [°C]."""
ICE_POINT_UNCERTAINTY: Final = 0.1
"""U, k = 2, of an ice bath made in a kitchen (common practice, no source) [°C]."""
SALT_PROBE_DIFFERENCE: Final = 0.2
"""How much warmer or colder the probe may be than the salt in one closed box (common practice, no source) [°C]."""
BESIDE_DIFFERENCE: Final[Mapping[str, float]] = MappingProxyType(
    {"relative_humidity": 1.0, "air_temperature": 0.1, "surface_temperature": 0.1, "substrate_temperature": 0.1}
)
"""How far two places a hand's breadth apart in still air may differ (common practice, no source) [unit]."""
ROUNDING: Final = 0.05
"""Half of the last digit of the tables here [%RH]."""


class Method(StrEnum):
    """How a reference point is made."""

    SALT = "salt"
    ICE_POINT = "ice-point"
    SIDE_BY_SIDE = "side-by-side"
    CERTIFICATE = "certificate"
    """Figures that someone else measured: they are taken as they are written."""


LEAST_WAIT_MINUTES: Final[Mapping[str, int]] = MappingProxyType(
    {Method.SALT: 30, Method.ICE_POINT: 10, Method.SIDE_BY_SIDE: 15}
)
"""How long a probe stands in its reference before it is read: 20 min for a small element over a salt, an hour for a
bulky one, as conservators have it; the others are common practice, no source [min]."""
TEMPERATURES: Final = frozenset({"air_temperature", "surface_temperature", "substrate_temperature"})
QUANTITIES_OF: Final[Mapping[str, frozenset[str]]] = MappingProxyType(
    {
        Method.SALT: frozenset({"relative_humidity"}),
        Method.ICE_POINT: TEMPERATURES,
        Method.SIDE_BY_SIDE: TEMPERATURES | {"relative_humidity"},
        Method.CERTIFICATE: TEMPERATURES | {"relative_humidity"},
    }
)
"""What each method can check."""


@dataclass(frozen=True, slots=True)
class Salt:
    """A salt whose saturated solution holds the air above it at a known humidity.

    Attributes
    ----------
    key : str
        Its formula, as room files and forms name it.
    title : str
        What it is sold as.
    caution : str
        What the slush does to people, metal or skin.
    table : tuple of (float, float, float)
        Temperature [°C], relative humidity [%RH], and its uncertainty, k = 2 [%RH], in order of temperature.
    """

    key: str
    title: str
    caution: str
    table: tuple[tuple[float, float, float], ...]

    @property
    def lowest(self) -> float:
        """The least temperature of its table [°C]."""
        return self.table[0][0]

    @property
    def highest(self) -> float:
        """The greatest temperature of its table [°C]."""
        return self.table[-1][0]


def _rows(
    first: float, humidities: tuple[float, ...], uncertainties: tuple[float, ...]
) -> tuple[tuple[float, float, float], ...]:
    """Return a table in steps of 5 °C."""
    steps = (first + 5.0 * step for step in range(len(humidities)))
    return tuple(zip(steps, humidities, uncertainties, strict=True))


# OIML R 121:1996, table 1, after L. Greenspan, "Humidity fixed points of binary saturated aqueous solutions," J. Res.
# NBS 81A (1977) 89-96; uncertainties about k = 2. Lithium chloride begins at 25 °C: below, the table gives a spread.
_ALL: Final = (
    Salt("LiCl", "lithium chloride", "Harmful when swallowed; keep it off the skin and away from animals.",
         _rows(25.0, (11.3, 11.3, 11.3, 11.2), (0.3, 0.3, 0.3, 0.3))),
    Salt("MgCl2", "magnesium chloride", "Eats metal: rinse what it touched.",
         _rows(15.0, (33.3, 33.1, 32.8, 32.4, 32.1, 31.6), (0.3, 0.2, 0.2, 0.2, 0.2, 0.2))),
    Salt("K2CO3", "potassium carbonate", "Caustic: gloves and goggles, and keep it away from animals.",
         _rows(15.0, (43.2, 43.2, 43.2, 43.2), (0.4, 0.4, 0.4, 0.5))),
    Salt("NaBr", "sodium bromide", "Harmful when swallowed; keep it away from animals.",
         _rows(15.0, (60.7, 59.1, 57.6, 56.0), (0.6, 0.5, 0.4, 0.4))),
    Salt("KI", "potassium iodide", "Stains, and is harmful when swallowed; keep it away from animals.",
         _rows(15.0, (71.0, 69.9, 68.9, 67.9), (0.3, 0.3, 0.3, 0.3))),
    Salt("NaCl", "table salt without additives", "Eats metal: rinse what it touched.",
         _rows(15.0, (75.6, 75.5, 75.3, 75.1, 74.9, 74.7), (0.2, 0.2, 0.2, 0.2, 0.2, 0.2))),
    Salt("KCl", "potassium chloride", "Eats metal: rinse what it touched.",
         _rows(15.0, (85.9, 85.1, 84.2, 83.6, 83.0, 82.3), (0.4, 0.3, 0.3, 0.3, 0.3, 0.3))),
    Salt("K2SO4", "potassium sulphate", "Near saturation: a degree of difference makes dew, so wait longer.",
         _rows(15.0, (97.9, 97.6, 97.3, 97.0, 96.7, 96.4), (0.7, 0.6, 0.5, 0.4, 0.4, 0.4))),
)  # fmt: skip
SALTS: Final[Mapping[str, Salt]] = MappingProxyType({salt.key: salt for salt in _ALL})
"""Every salt by its formula, the driest first."""


@dataclass(frozen=True, slots=True)
class Expected:
    """What a reference stands at.

    Attributes
    ----------
    value : float
        [the quantity's unit]
    uncertainty : float
        Expanded, k = 2. [unit]
    """

    value: float
    uncertainty: float


def salt_humidity(key: str, temperature: float) -> Expected:
    """Return the humidity of the air over a saturated salt.

    Parameters
    ----------
    key : str
        A key of `SALTS`.
    temperature : float
        Of the salt and the air above it. [°C]

    Returns
    -------
    Expected
        Between the table's rows on a straight line, with the wider uncertainty of the two and the rounding of the
        table. The salt and the air are taken to be in equilibrium and equally warm. [%RH]

    Raises
    ------
    OutOfRangeError
        If the temperature lies outside the salt's table: nothing is extrapolated.
    KeyError
        If there is no such salt.

    References
    ----------
    .. [1] OIML R 121:1996, table 1.
    .. [2] L. Greenspan, "Humidity fixed points of binary saturated aqueous solutions," J. Res. NBS 81A (1977) 89-96.
    """
    salt = SALTS[key]
    if not salt.lowest <= temperature <= salt.highest:
        raise OutOfRangeError(
            f"the table of {key} goes from {salt.lowest:g} to {salt.highest:g} °C, "
            f"and it is {temperature:.1f} °C there: nothing is known beyond the table"
        )
    at, humidity, uncertainty = (np.array(column) for column in zip(*salt.table, strict=True))
    near = np.abs(at - temperature) < at[1] - at[0]
    value = float(np.interp(temperature, at, humidity))
    return Expected(value, quadrature(float(uncertainty[near].max()), expanded_from_limit(ROUNDING)))


def salt_check(key: str, temperature: float, temperature_uncertainty: float) -> Expected:
    """Return what a probe in a closed box over a saturated salt should read.

    Parameters
    ----------
    key : str
        A key of `SALTS`.
    temperature : float
        As the probe has it. [°C]
    temperature_uncertainty : float
        Of that, k = 2: it matters little, a salt hardly depends on it. [°C]

    Returns
    -------
    Expected
        The salt's humidity with its uncertainty, that of the temperature, and what a probe reads differently that is a
        little warmer or colder than the salt (`SALT_PROBE_DIFFERENCE`): at 75 %RH some 0.9 %RH. [%RH]

    Raises
    ------
    OutOfRangeError, KeyError
        As `salt_humidity`.
    """
    salt = salt_humidity(key, temperature)
    table = np.array(SALTS[key].table)
    by_degree = float(np.abs(np.diff(table[:, 1]) / np.diff(table[:, 0])).max())
    pressures = saturation_pressure(np.array([temperature - 0.5, temperature + 0.5]))
    # At one vapour pressure, humidity goes as 1 / e_s: about 6 % of it for each degree.
    relative = float(np.log(pressures[1] / pressures[0]))
    apart = expanded_from_limit(SALT_PROBE_DIFFERENCE * relative * salt.value)
    return Expected(salt.value, quadrature(salt.uncertainty, by_degree * temperature_uncertainty, apart))


def ice_point() -> Expected:
    """Return what a thermometer in a bath of crushed ice and water should read.

    References
    ----------
    .. [1] ASTM E563, the ice-point bath as a reference temperature; the uncertainty is common practice, no source.
    """
    return Expected(ICE_POINT, ICE_POINT_UNCERTAINTY)


def beside(quantity: str, value: float, uncertainty: float) -> Expected:
    """Return what a probe should read that stands beside a reference instrument.

    Parameters
    ----------
    quantity : str
    value, uncertainty : float
        What the instrument showed, and its expanded uncertainty, k = 2. [the quantity's unit]

    Returns
    -------
    Expected
        With what two places a hand's breadth apart may differ by (`BESIDE_DIFFERENCE`). [unit]
    """
    apart = expanded_from_limit(BESIDE_DIFFERENCE.get(quantity, 0.0))
    return Expected(value, quadrature(uncertainty, apart))

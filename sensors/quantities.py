"""What probes measure: each quantity with its unit, its possible range and the units taken on the way in."""

import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


class UnknownWordError(ValueError):
    """A quantity or a unit that is not in the lists of this module."""


class NotFiniteError(ValueError):
    """A number that is NaN or infinite, before or after its conversion."""


@dataclass(frozen=True, slots=True)
class Conversion:
    """A straight line from a unit to a quantity's own unit: `(value - zero) * factor`.

    Attributes
    ----------
    zero : float
        What the unit shows where the quantity's own unit shows zero. [the unit]
    factor : float
        Own units in one of the unit. [own unit / the unit]
    """

    zero: float
    factor: float

    def apply(self, value: float) -> float:
        """Return `value` in the quantity's own unit; NaN and infinity pass through."""
        return (value - self.zero) * self.factor


_AS_IS = Conversion(0.0, 1.0)
_TEMPERATURE = {
    "Cel": _AS_IS,
    "°C": _AS_IS,
    "C": _AS_IS,
    "degF": Conversion(32.0, 5.0 / 9.0),
    "°F": Conversion(32.0, 5.0 / 9.0),
    "F": Conversion(32.0, 5.0 / 9.0),
    "K": Conversion(273.15, 1.0),
}
_RATIO = Conversion(0.0, 100.0)


@dataclass(frozen=True, slots=True)
class Quantity:
    """One thing that a probe can measure.

    Attributes
    ----------
    key : str
        Its name in room files, tables and JSON.
    unit : str
        Its own unit, in which readings are stored: a SenML unit name (RFC 8428, RFC 8798) where there is one.
    low, high : float
        What can be at all in or around an enclosure; a value beyond says that the probe lies. [unit]
    units : Mapping[str, Conversion]
        Every unit taken on the way in, the own one included.
    """

    key: str
    unit: str
    low: float
    high: float
    units: Mapping[str, Conversion]

    def is_possible(self, value: float) -> bool:
        """Say whether `value` [unit] can be at all; NaN cannot."""
        return self.low <= value <= self.high


def _temperature(key: str, high: float) -> Quantity:
    return Quantity(key, "Cel", -60.0, high, MappingProxyType(_TEMPERATURE))


def _quantity(key: str, unit: str, low: float, high: float, **others: Conversion) -> Quantity:
    """Build a quantity whose further units have names that are Python names."""
    return Quantity(key, unit, low, high, MappingProxyType({unit: _AS_IS, **others}))


def _with_units(quantity: Quantity, units: dict[str, Conversion]) -> Quantity:
    merged = MappingProxyType({**quantity.units, **units})
    return Quantity(quantity.key, quantity.unit, quantity.low, quantity.high, merged)


# Ranges: a lamp's surface passes 100 °C, full sun is 130,000 lx, the highest ground UV index on record is near 43,
# and one wall circuit carries less than 10 kW. Common practice, no source.
_ALL = (
    _temperature("air_temperature", 100.0),
    _temperature("surface_temperature", 250.0),
    _temperature("substrate_temperature", 100.0),
    _with_units(_quantity("relative_humidity", "%RH", 0.0, 100.0), {"/": _RATIO, "%": _AS_IS}),
    _with_units(_quantity("soil_moisture", "%", 0.0, 100.0), {"/": _RATIO}),
    _quantity("illuminance", "lx", 0.0, 200_000.0, klx=Conversion(0.0, 1000.0)),
    _quantity("uv_index", "1", 0.0, 50.0),
    _quantity("power", "W", 0.0, 10_000.0, kW=Conversion(0.0, 1000.0), mW=Conversion(0.0, 0.001)),
    _with_units(_quantity("switch", "0/1", 0.0, 1.0), {"/": _AS_IS, "1": _AS_IS}),
    _with_units(_quantity("battery", "%EL", 0.0, 100.0), {"/": _RATIO, "%": _AS_IS}),
    _quantity("signal", "dBm", -150.0, 30.0),
)

QUANTITIES: dict[str, Quantity] = {quantity.key: quantity for quantity in _ALL}
"""Every quantity by its key."""


def nearest(word: str, words: list[str]) -> str:
    """Return `, did you mean 'x'?` for the closest of `words`, else the whole list, for the end of a sentence."""
    close = difflib.get_close_matches(word.lower(), [known.lower() for known in words], n=1, cutoff=0.5)
    if close:
        original = next(known for known in words if known.lower() == close[0])
        return f"did you mean '{original}'?"
    return "expected one of " + ", ".join(f"'{known}'" for known in words)


def quantity_named(key: str) -> Quantity:
    """Return the quantity of that key.

    Raises
    ------
    UnknownWordError
        If there is none; the sentence names the nearest one.
    """
    if key not in QUANTITIES:
        raise UnknownWordError(f"'{key}' is no quantity: {nearest(key, list(QUANTITIES))}")
    return QUANTITIES[key]


def conversion_for(quantity: str, unit: str | None) -> Conversion:
    """Return how a unit becomes the quantity's own; None is the own unit.

    Raises
    ------
    UnknownWordError
        If the quantity is unknown or is not measured in that unit; the sentence names the nearest word.
    """
    known = quantity_named(quantity)
    if unit is None:
        return _AS_IS
    if unit not in known.units:
        raise UnknownWordError(f"'{unit}' is no unit of {quantity}: {nearest(unit, list(known.units))}")
    return known.units[unit]


def convert(quantity: str, value: float, unit: str | None) -> float:
    """Return a value in the quantity's own unit.

    Parameters
    ----------
    quantity : str
        A key of `QUANTITIES`.
    value : float
        Finite. [unit]
    unit : str or None
        The unit that `value` is in; None means the quantity's own.

    Returns
    -------
    float
        [the quantity's own unit]. It may lie outside what is possible: `Quantity.is_possible` tells.

    Raises
    ------
    UnknownWordError
        If the quantity or the unit is unknown.
    NotFiniteError
        If the value, or the value converted, is NaN or infinite.
    """
    converted = conversion_for(quantity, unit).apply(value)
    if not math.isfinite(converted):
        raise NotFiniteError(f"{quantity} is {value} {unit or ''}".rstrip() + ", expected a finite number")
    return converted

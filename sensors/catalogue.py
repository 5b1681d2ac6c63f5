"""Probe models: what each element measures, how well, and how fast.

Figures are for the bare element at 25 °C in moving air, from the datasheets named beside them; still air, caps and
sleeves lengthen the response several times (common practice, no source). A model that is not listed is `generic`.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Literal

from sensors.quantities import QUANTITIES, UnknownWordError, nearest

AccuracyBasis = Literal["unstated", "3 sigma", "k=2"]

# u of a rectangular distribution is a/sqrt(3) (JCGM 100:2008, 4.3.7), so U (k = 2) is 1.155 a.
_EXPANSION = MappingProxyType({"unstated": 2.0 / math.sqrt(3.0), "3 sigma": 2.0 / 3.0, "k=2": 1.0})
_SHARE_OF_REPEAT = 1.0 / 3.0  # common practice, no source

OTHER = "other"
"""The model whose figures are the keeper's own."""
TEMPERATURES = ("air_temperature", "surface_temperature", "substrate_temperature")
"""The quantities that one thermometer can serve."""


@dataclass(frozen=True, slots=True)
class Element:
    """The part of a probe that measures one quantity.

    Attributes
    ----------
    quantity : str
        A key of `sensors.quantities.QUANTITIES`; the units below are that quantity's.
    accuracy : float
        The sheet's "±", where most animals live. [unit]
    accuracy_basis : str
        `unstated` when the sheet gives no coverage, `3 sigma`, or `k=2`.
    resolution : float
        The step of the value sent. [unit]
    low, high : float
        What the element can show at all. [unit]
    response_s : float
        Time to 63.2 % of a step. [s]
    repeatability : float or None
        What the sheet says of repeated readings; None where it is silent. [unit]
    soak_allowance : float
        How far it may read high after 60 h above 80 %RH, until it has dried. [unit]
    artefacts : tuple of float
        Values that the element shows when it did not measure. [unit]
    drift_per_month : float
        Allowance since the last reference check. [unit/month]
    source : str
        Where the figures stand.
    """

    quantity: str
    accuracy: float
    accuracy_basis: AccuracyBasis
    resolution: float
    low: float
    high: float
    response_s: float
    repeatability: float | None = None
    soak_allowance: float = 0.0
    artefacts: tuple[float, ...] = ()
    drift_per_month: float = 0.0
    source: str = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Figures:
    """A keeper's own figures of an element that the catalogue does not list, from its sheet or from a comparison.

    Attributes
    ----------
    accuracy : float
        The "±", taken without a stated coverage. [unit]
    resolution, low, high : float or None
        None: as the generic element's. [unit]
    response_s : float or None
        [s]
    source : str or None
        Where the figures stand.
    """

    accuracy: float
    resolution: float | None = None
    low: float | None = None
    high: float | None = None
    response_s: float | None = None
    source: str | None = None


@dataclass(frozen=True, slots=True)
class ProbeModel:
    """A kind of probe.

    Attributes
    ----------
    key : str
        Its name in room files.
    title : str
        What it is, in words.
    elements : tuple of Element
        One for each quantity that it measures.
    """

    key: str
    title: str
    elements: tuple[Element, ...]

    def element(self, quantity: str) -> Element | None:
        """Return the element that measures `quantity`, or None where the model has none.

        A thermometer measures what it touches: air, a surface or the substrate, with the same figures.
        """
        for element in self.elements:
            if element.quantity == quantity:
                return element
            if element.quantity in TEMPERATURES and quantity in TEMPERATURES:
                return replace(element, quantity=quantity)
        return None


def expanded_uncertainty(element: Element) -> float:
    """Return the uncertainty of one reading of an uncalibrated element.

    Returns
    -------
    float
        U, k = 2: 1.155 of a "±" with no coverage stated, 2/3 of a 3 sigma figure. [the element's unit]

    References
    ----------
    .. [1] JCGM 100:2008, 4.3.7 (rectangular distribution).
    """
    return element.accuracy * _EXPANSION[element.accuracy_basis]


def repeat_uncertainty(element: Element) -> float:
    """Return the part of the uncertainty that a difference of two readings of one element keeps.

    Returns
    -------
    float
        U, k = 2, of repeatability and linearity: a third of the whole (common practice, no source), or twice the
        sheet's repeatability when that is more. The constant offset falls out of the difference. [the element's unit]
    """
    share = expanded_uncertainty(element) * _SHARE_OF_REPEAT
    return share if element.repeatability is None else max(share, 2.0 * element.repeatability)


# Drift allowances of the uncertainty rules (common practice, no source): no sheet here states as much as 3 %RH a year.
_HUMIDITY_DRIFT = 0.25
_TEMPERATURE_DRIFT = 0.02

_SHT3X = "SHT3x-DIS datasheet, version 5, May 2018, tables 1 and 2"
_SHT4X = "SHT4x datasheet, v6 2023, as quoted by library documentation"
_AM2302 = "AM2302/DHT22 datasheet, as reproduced; response from memory"
_BME280 = "BME280 datasheets of 2015 and 2018, tables 2 and 1.7; temperature over 0 to 65 °C, response not stated"
_DS18B20 = "DS18B20 datasheet, DC characteristics, note 3; response of a sleeved probe: common practice, no source"
_DHT11 = "DHT11 product manuals, as reproduced by three sellers; made for 20 to 90 %RH"
_AHT20 = "AHT20 figures as quoted by two library documentations; response and repeatability of the DHT20 manual"
_DHT20 = "DHT20 product manual, tables 1 and 2, as reproduced"
_SI7021 = "Si7021 datasheet, tables 4 and 5, as reproduced; response of temperature from memory"
_HTU21D = "HTU21D datasheet, from memory"
_MCP9808 = "MCP9808 datasheet DS25095A, first page; response from memory"
_NTC = "10k B25/50 3950 bead thermistor datasheet; 1 % of R and of B at 40 °C, beta equation; step: usual converter"
_NO_SOURCE = "common practice, no source"


def _air(accuracy: float, resolution: float, reach: tuple[float, float], response_s: float, repeats: float) -> Element:
    """Return a thermometer; the caller adds its source."""
    low, high = reach
    return Element(
        "air_temperature", accuracy, "unstated", resolution, low, high, response_s, repeats,
        drift_per_month=_TEMPERATURE_DRIFT,
    )  # fmt: skip


def _humidity(accuracy: float, resolution: float, response_s: float, repeats: float) -> Element:
    """Return a hygrometer; polymer elements of every make soak alike, only one sheet says how much."""
    return Element(
        "relative_humidity", accuracy, "unstated", resolution, 0.0, 100.0, response_s, repeats,
        soak_allowance=3.0, drift_per_month=_HUMIDITY_DRIFT,
    )  # fmt: skip


def _climate_model(key: str, title: str, source: str, humidity: Element, air: Element) -> ProbeModel:
    return ProbeModel(key, title, (replace(air, source=source), replace(humidity, source=source)))


_SHT_REACH = (-40.0, 125.0)
_AM2302_AIR = _air(0.5, 0.1, (-40.0, 80.0), 10.0, 0.2)
_AM2302_HUMIDITY = _humidity(2.0, 0.1, 5.0, 1.0)
_CLIMATE_PROBES = (
    _climate_model("am2302", "Humidity and temperature, digital, one wire", _AM2302, _AM2302_HUMIDITY, _AM2302_AIR),
    _climate_model("dht22", "Humidity and temperature, digital (am2302)", _AM2302, _AM2302_HUMIDITY, _AM2302_AIR),
    *(
        _climate_model(key, f"Humidity and temperature, digital, ±{rh:g} %RH ±{air:g} °C", source,
                       _humidity(rh, 0.01, response, repeats), _air(air, 0.01, _SHT_REACH, 2.0, 0.04))
        for key, source, rh, air, response, repeats in (
            ("sht30", _SHT3X, 2.0, 0.2, 8.0, 0.08),
            ("sht31", _SHT3X, 2.0, 0.2, 8.0, 0.08),
            ("sht35", _SHT3X, 1.5, 0.1, 8.0, 0.08),
            ("sht40", _SHT4X, 1.8, 0.2, 4.0, 0.1),
            ("sht41", _SHT4X, 1.8, 0.2, 4.0, 0.1),
            ("sht45", _SHT4X, 1.0, 0.1, 4.0, 0.1),
        )
    ),
    _climate_model("dht11", "Humidity and temperature, digital, one wire, coarse", _DHT11,
                   _humidity(5.0, 1.0, 6.0, 1.0), _air(2.0, 1.0, (0.0, 50.0), 10.0, 1.0)),
    _climate_model("aht20", "Humidity and temperature, digital, ±2 %RH ±0.3 °C", _AHT20,
                   _humidity(2.0, 0.024, 8.0, 0.1), _air(0.3, 0.01, (-40.0, 85.0), 5.0, 0.1)),
    _climate_model("dht20", "Humidity and temperature, digital, ±3 %RH ±0.5 °C", _DHT20,
                   _humidity(3.0, 0.024, 8.0, 0.1), _air(0.5, 0.01, (-40.0, 80.0), 5.0, 0.1)),
    _climate_model("si7021", "Humidity and temperature, digital, ±3 %RH ±0.4 °C", _SI7021,
                   _humidity(3.0, 0.025, 18.0, 0.025), _air(0.4, 0.01, (-40.0, 125.0), 5.0, 0.01)),
    _climate_model("htu21d", "Humidity and temperature, digital, ±2 %RH ±0.3 °C", _HTU21D,
                   _humidity(2.0, 0.04, 5.0, 0.1), _air(0.3, 0.01, (-40.0, 125.0), 10.0, 0.1)),
    _climate_model("bme280", "Humidity and temperature (and pressure), digital", _BME280,
                   _humidity(3.0, 0.008, 1.0, 0.02), _air(1.0, 0.01, (-40.0, 85.0), 10.0, 0.005)),
)  # fmt: skip

_THERMOMETERS = (
    ProbeModel("ds18b20", "Thermometer, digital, on a cable", (
        Element("air_temperature", 0.5, "3 sigma", 0.0625, -55.0, 125.0, 25.0, artefacts=(85.0,),
                drift_per_month=_TEMPERATURE_DRIFT, source=_DS18B20),
    )),
    ProbeModel("mcp9808", "Thermometer, digital", (
        Element("air_temperature", 0.5, "unstated", 0.0625, -40.0, 125.0, 5.0,
                drift_per_month=_TEMPERATURE_DRIFT, source=_MCP9808),
    )),
    ProbeModel("ntc-10k-3950", "Thermistor, 10 kΩ at 25 °C", (
        Element("air_temperature", 0.6, "unstated", 0.1, -40.0, 125.0, 12.0,
                drift_per_month=_TEMPERATURE_DRIFT, source=_NTC),
    )),
)  # fmt: skip


def _generic(
    quantity: str, accuracy: float, resolution: float, reach: tuple[float, float], response_s: float
) -> Element:
    drift = {"air_temperature": _TEMPERATURE_DRIFT, "relative_humidity": _HUMIDITY_DRIFT}.get(quantity, 0.0)
    soak = 3.0 if quantity == "relative_humidity" else 0.0
    return Element(
        quantity, accuracy, "unstated", resolution, *reach, response_s,
        soak_allowance=soak, drift_per_month=drift, source=_NO_SOURCE,
    )  # fmt: skip


_LIGHT = (
    _generic("illuminance", 2000.0, 1.0, (0.0, 200_000.0), 1.0),
    _generic("uv_index", 0.5, 0.1, (0.0, 50.0), 1.0),
)
_POWER = _generic("power", 2.0, 0.1, (0.0, 10_000.0), 1.0)
_SWITCH = _generic("switch", 0.0, 1.0, (0.0, 1.0), 0.1)
_GENERIC = ProbeModel("generic", "Any probe whose figures are not known", (
    _generic("air_temperature", 1.0, 0.1, (-40.0, 125.0), 30.0),
    _generic("relative_humidity", 5.0, 1.0, (0.0, 100.0), 30.0),
    _generic("soil_moisture", 10.0, 1.0, (0.0, 100.0), 60.0),
    *_LIGHT,
    _POWER,
    _SWITCH,
    _generic("battery", 5.0, 1.0, (0.0, 100.0), 1.0),
    _generic("signal", 3.0, 1.0, (-150.0, 30.0), 1.0),
))  # fmt: skip

_MODELS = (
    *_CLIMATE_PROBES,
    *_THERMOMETERS,
    _GENERIC,
    ProbeModel(OTHER, "Another probe, with your own figures", _GENERIC.elements),
    ProbeModel("generic-light", "Light or UV meter", _LIGHT),
    ProbeModel("generic-power", "Power meter or metering plug", (_POWER, _SWITCH)),
    ProbeModel("generic-switch", "Contact, relay state or pump state", (_SWITCH,)),
)

CATALOGUE: Mapping[str, ProbeModel] = MappingProxyType({model.key: model for model in _MODELS})
"""Every probe model by its key."""


def model_named(key: str) -> ProbeModel:
    """Return the model of that key.

    Raises
    ------
    UnknownWordError
        If there is none; the sentence names the nearest one.
    """
    if key not in CATALOGUE:
        raise UnknownWordError(f"'{key}' is no probe model: {nearest(key, list(CATALOGUE))}")
    return CATALOGUE[key]


def element_for(model: str, quantity: str) -> Element:
    """Return the element that measures a quantity: the model's, else the generic one with its wide figures.

    A probe may send more than its model measures, its battery for one.

    Raises
    ------
    UnknownWordError
        If the model is unknown, or the quantity is.
    """
    found = model_named(model).element(quantity) or _GENERIC.element(quantity)
    if found is None:
        raise UnknownWordError(f"'{quantity}' is no quantity: {nearest(quantity, list(QUANTITIES))}")
    return found


def own_element(quantity: str, figures: Figures) -> Element:
    """Return an element by a keeper's own figures; what they leave open is as the generic element's.

    Raises
    ------
    UnknownWordError
        If the quantity is unknown.
    """
    usual = element_for(OTHER, quantity)
    return replace(
        usual,
        accuracy=figures.accuracy,
        resolution=usual.resolution if figures.resolution is None else figures.resolution,
        low=usual.low if figures.low is None else figures.low,
        high=usual.high if figures.high is None else figures.high,
        response_s=usual.response_s if figures.response_s is None else figures.response_s,
        source=figures.source or "the keeper's own figures",
    )

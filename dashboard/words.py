"""Numbers, times and names as a person reads them."""

import math
from datetime import UTC, datetime
from typing import Final
from zoneinfo import ZoneInfo

from service.model import from_ms

DEGREE, HUMIDITY = "°C", "%RH"
_UNITS: Final = {"Cel": DEGREE, "%RH": HUMIDITY, "1": "UV index", "0/1": "", "%EL": "%"}
"""Units as they are shown, where that differs from the unit that is stored."""

_QUANTITY: Final = {
    "air_temperature": "Air temperature",
    "surface_temperature": "Surface temperature",
    "substrate_temperature": "Substrate temperature",
    "relative_humidity": "Relative humidity",
    "soil_moisture": "Soil moisture",
    "illuminance": "Light",
    "uv_index": "UV index",
    "power": "Power",
    "switch": "Switch",
    "battery": "Battery",
    "signal": "Signal",
}
_ZONE: Final = {
    "basking": "Basking spot",
    "warm-end": "Warm end",
    "cool-end": "Cool end",
    "canopy": "Canopy",
    "ambient": "Ambient",
    "substrate": "Substrate",
    "retreat": "Retreat",
    "egg-chamber": "Egg chamber",
    "outside": "Outside",
}
STATES: Final = ("act", "drifting", "blind", "resting", "steady")
"""The states of an enclosure, those that need someone first."""

_MINUTE, _HOUR, _DAY = 60, 3_600, 86_400


def unit_of(unit: str | None) -> str:
    """Return a unit as it is shown."""
    return _UNITS.get(unit or "", unit or "")


def quantity_name(quantity: str) -> str:
    """Return a quantity in words."""
    return _QUANTITY.get(quantity, quantity.replace("_", " ").capitalize())


def zone_name(zone: str | None) -> str:
    """Return a zone in words."""
    return _ZONE.get(zone or "", (zone or "").replace("-", " ").capitalize())


def number(value: float | None, unit: str) -> str:
    """Return a value without its unit: one decimal for temperatures, whole for humidity.

    Parameters
    ----------
    value : float or None
        None and NaN give a dash: an unknown value is never a number.
    unit : str
        As `unit_of` returns it.
    """
    if value is None or not math.isfinite(value):
        return "–"
    decimals = _decimals(value, unit)
    text = f"{value:.{decimals}f}"
    zero = float(text) == 0
    return text.removeprefix("-") if zero else text.replace("-", "−")


def _decimals(value: float, unit: str) -> int:
    if unit in {DEGREE, "°F", "UV index"}:
        return 1
    if unit in {HUMIDITY, "%", "lx", "min", "a day", "dBm"} or abs(value) >= 100 or value == int(value):  # noqa: PLR2004 - a third digit says enough
        return 0
    return 1


def measured(value: float | None, unit: str) -> str:
    """Return a value with its unit, held together by a no-break space."""
    return f"{number(value, unit)}\N{NO-BREAK SPACE}{unit}".rstrip()


def limits(low: float | None, high: float | None, unit: str) -> str:
    """Return a target in words: ``31.0–34.0 °C``, ``at least 31.0 °C``, ``at most 34.0 °C`` or nothing."""
    has_low = low is not None and math.isfinite(low)
    has_high = high is not None and math.isfinite(high)
    if has_low and has_high:
        return f"{number(low, unit)}–{measured(high, unit)}"
    if has_low:
        return f"at least {measured(low, unit)}"
    return f"at most {measured(high, unit)}" if has_high else ""


def span(seconds: float) -> str:
    """Return a length of time by its largest one or two parts: ``40 s``, ``12 min``, ``4 h 56 min``, ``3 d``."""
    whole = max(0, round(seconds))
    if whole < _MINUTE:
        return f"{whole}\N{NO-BREAK SPACE}s"
    if whole < _HOUR:
        return f"{whole // _MINUTE}\N{NO-BREAK SPACE}min"
    if whole < 2 * _DAY:
        hours, minutes = divmod(whole // _MINUTE, 60)
        return f"{hours}\N{NO-BREAK SPACE}h" + (f" {minutes}\N{NO-BREAK SPACE}min" if minutes else "")
    return f"{whole // _DAY}\N{NO-BREAK SPACE}d"


def ago(at: datetime, now: datetime) -> str:
    """Return how long ago an instant was."""
    return f"{span((now - at).total_seconds())} ago"


def clock(at: datetime, zone: ZoneInfo, now: datetime | None = None) -> str:
    """Return the local time of day, with the date before it when `now` is another local day."""
    local = at.astimezone(zone)
    if now is None or local.date() == now.astimezone(zone).date():
        return f"{local:%H:%M}"
    return f"{local.day} {local:%b %H:%M}"


def exact(at: datetime, zone: ZoneInfo) -> str:
    """Return an instant to the second with its zone: ``25 Nov 2026 14:02:11 WET``."""
    local = at.astimezone(zone)
    return f"{local.day} {local:%b %Y %H:%M:%S} {local.tzname()}"


def iso(at: datetime) -> str:
    """Return an instant for a ``datetime`` attribute."""
    return at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def of_ms(ms: int) -> datetime:
    """Return stored milliseconds as an aware instant."""
    return from_ms(ms)


def condition_name(condition: str) -> str:
    """Return a condition's key in words: ``basking-overheat`` is ``Basking overheat``."""
    return condition.replace("-", " ").capitalize()

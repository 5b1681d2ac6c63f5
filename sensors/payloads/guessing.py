"""What a value in a message probably is: its quantity by its name, its unit by name and by plausibility.

A guess is shown to the keeper beside the messages before anything is stored by it. All limits here: common practice, no
source.
"""

import re
from collections.abc import Iterator, Sequence
from statistics import median

from sensors.payloads.numbers import NumberError, number_in_text

_WORD = re.compile(r"[A-Z]?[a-z]+|[A-Z]+(?![a-z])|°[CF]")
_TEMPERATURE = frozenset(
    ("temperature", "temp", "tmp", "celsius", "fahrenheit", "kelvin", "degc", "degf", "tempc", "tempf", "t")
)
_SOIL = frozenset({"soil", "substrate", "ground", "earth"})
_SURFACE = frozenset({"surface", "object", "infrared", "ir"})
_QUANTITIES = (
    ("relative_humidity", frozenset({"humidity", "hum", "humid", "rh", "h"})),
    ("illuminance", frozenset({"lux", "light", "illuminance", "lx"})),
    ("uv_index", frozenset({"uv", "uvi", "uvindex"})),
    ("battery", frozenset({"battery", "bat", "batt", "soc"})),
    ("signal", frozenset({"rssi", "signal", "dbm"})),
    ("power", frozenset({"power", "watt", "watts"})),
    ("switch", frozenset({"switch", "relay", "pump", "state", "output"})),
)
_FAHRENHEIT = frozenset({"f", "°f", "fahrenheit", "degf", "tempf"})
_KELVIN = frozenset({"k", "kelvin"})
_TIMES = frozenset({"time", "at", "ts", "timestamp", "datetime", "date", "epoch", "when"})
_NAMES = frozenset(
    (
        "id",
        "mac",
        "addr",
        "address",
        "name",
        "device",
        "sensor",
        "serial",
        "node",
        "probe",
        "dev",
        "uid",
        "eui",
        "deveui",
    )
)
_TOO_HOT, _HOTTEST_F = 45.0, 140.0
"""Air and spots of 45 °C for long are deadly; the same figures in °F are an ordinary room. [°C], [°F]"""
_KELVIN_FROM, _KELVIN_TO = 250.0, 340.0
_CELL_VOLTS, _FULL = 6.0, 100.0
_SWITCH_WORDS = frozenset({"on", "off", "true", "false"})


def words_of(token: str) -> list[str]:
    """Return the words of a name in small letters: ``tempF`` is temp, f."""
    return [word.lower() for word in _WORD.findall(token)]


def is_time_name(token: str) -> bool:
    """Whether a member is called like a time."""
    return not _TIMES.isdisjoint(words_of(token)) or token.lower() in _TIMES


def is_probe_name(token: str) -> bool:
    """Whether a member is called like a probe's name."""
    return not _NAMES.isdisjoint(words_of(token)) or token.lower() in _NAMES


def as_number(value: object) -> float | None:
    """Return a value of a message as a number, yes and no as 1 and 0; None for anything else."""
    if isinstance(value, bool | int | float):
        return float(value)
    if not isinstance(value, str):
        return None
    if value.strip().lower() in _SWITCH_WORDS:
        return float(value.strip().lower() in {"on", "true"})
    try:
        return number_in_text(value)
    except NumberError:
        return None


def is_yes_or_no(value: object) -> bool:
    """Whether a value is one that only a switch has."""
    return isinstance(value, bool) or (isinstance(value, str) and value.strip().lower() in _SWITCH_WORDS)


def _spoken(tokens: Sequence[str]) -> Iterator[list[str]]:
    """Yield the words of a place from the inside out, the whole last name first."""
    for token in reversed(tokens):
        yield [token.lower(), *words_of(token)]


def guess_quantity(tokens: Sequence[str], values: Sequence[object]) -> str | None:
    """Return what is measured at a place of a message; None where its name does not say.

    Parameters
    ----------
    tokens : sequence of str
        The names that lead there, the outermost first.
    values : sequence
        What stood there.
    """
    everything = {word for words in _spoken(tokens) for word in words}
    if any(is_yes_or_no(value) for value in values):
        return "switch"
    for words in _spoken(tokens):
        known = set(words)
        if not known.isdisjoint(_TEMPERATURE):
            return _which_temperature(everything)
        if not known.isdisjoint({"moisture"}) or ("humidity" in known and not everything.isdisjoint(_SOIL)):
            return "soil_moisture"
        for quantity, names in _QUANTITIES:
            if not known.isdisjoint(names):
                return quantity
    return None


def _which_temperature(words: set[str]) -> str:
    if not words.isdisjoint(_SOIL):
        return "substrate_temperature"
    return "air_temperature" if words.isdisjoint(_SURFACE) else "surface_temperature"


def guess_unit(
    quantity: str, tokens: Sequence[str], values: Sequence[float], said: str | None = None
) -> tuple[str | None, str]:
    """Return the unit that values come in, None for the quantity's own, and why in a few words.

    Parameters
    ----------
    quantity : str
        A key of `sensors.quantities.QUANTITIES`.
    tokens : sequence of str
        The names that lead there.
    values : sequence of float
        What stood there, at least one.
    said : str or None
        What a member beside it calls the unit.
    """
    words = {word for spoken in _spoken(tokens) for word in spoken} | ({said.strip().lower()} if said else set())
    middle = median(values)
    if quantity.endswith("_temperature"):
        return _temperature_unit(words, middle)
    if quantity in {"relative_humidity", "soil_moisture", "battery"} and 0 < max(values) <= 1 and min(values) >= 0:
        return "/", "never above 1: a share"
    return None, ""


def _temperature_unit(words: set[str], middle: float) -> tuple[str | None, str]:
    if not words.isdisjoint(_FAHRENHEIT):
        return "degF", "its name says °F"
    if not words.isdisjoint(_KELVIN):
        return "K", "its name says kelvin"
    if _TOO_HOT < middle <= _HOTTEST_F:
        return "degF", f"{middle:.0f} would be deadly in °C and is {(middle - 32) / 1.8:.0f} °C when it is °F"
    if _KELVIN_FROM <= middle <= _KELVIN_TO:
        return "K", f"{middle:.0f} can only be kelvin"
    return None, ""


def is_plausible(quantity: str, values: Sequence[float]) -> bool:
    """Whether values can be that quantity at all: a battery's volts are no share of its charge."""
    if quantity == "battery":
        return max(values) <= _FULL and not (1 < max(values) <= _CELL_VOLTS)
    if quantity == "signal":
        return max(values) <= 0
    if quantity == "switch":
        return set(values) <= {0.0, 1.0}
    return True

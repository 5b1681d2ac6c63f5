"""A probe's own message for its values: the opposite of decoding."""

from collections.abc import Mapping
from datetime import UTC, datetime

import orjson

from sensors.payloads import Field, compile_pointer
from sensors.payloads import Mapping as PayloadMapping
from sensors.quantities import conversion_for
from sensors.simulator.scene import Probe

_DECIMALS = 4


def mapping_of(probe: Probe) -> PayloadMapping:
    """Return how a probe's messages are to be read."""
    fields = tuple(Field(channel.quantity, channel.pointer, channel.unit) for channel in probe.channels)
    return PayloadMapping(probe.format, fields, probe.time_pointer)


def _said(value: float, quantity: str, unit: str | None) -> float:
    conversion = conversion_for(quantity, unit)
    return round(value / conversion.factor + conversion.zero, _DECIMALS)


def _time(probe: Probe, at_ms: int) -> object:
    if probe.time_style == "epoch-ms":
        return at_ms
    if probe.time_style == "epoch-s":
        return at_ms / 1000.0
    return datetime.fromtimestamp(at_ms / 1000.0, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _put(document: dict[str, object], pointer: str, value: object) -> None:
    """Put a value where a pointer leads, making the objects on the way."""
    *way, last = compile_pointer(pointer).tokens
    place = document
    for token in way:
        inner = place.setdefault(token, {})
        if not isinstance(inner, dict):
            raise TypeError(
                f"pointer '{pointer}' goes through the value at '{token}': give the channels other pointers"
            )
        place = inner
    place[last] = value


def payload_of(probe: Probe, values: Mapping[str, float], at_ms: int) -> bytes:
    """Return the message that a probe sends.

    Parameters
    ----------
    probe : Probe
    values : mapping of str to float
        By quantity, one for each channel. [the quantity's own unit]
    at_ms : int
        When it measured, UTC; sent only by a probe with a clock. [ms]

    Returns
    -------
    bytes
        JSON, or a number alone.
    """
    if probe.format == "scalar":
        channel = probe.channels[0]
        return format(_said(values[channel.quantity], channel.quantity, channel.unit), ".10g").encode()
    document: dict[str, object] = {}
    for channel in probe.channels:
        said = _said(values[channel.quantity], channel.quantity, channel.unit)
        _put(document, channel.pointer or f"/{channel.quantity}", said)
    if probe.time_pointer is not None:
        _put(document, probe.time_pointer, _time(probe, at_ms))
    return orjson.dumps(document)

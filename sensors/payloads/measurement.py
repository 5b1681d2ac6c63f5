"""The words that payload decoding speaks: what to look for, what was found, and why something was refused."""

from dataclasses import dataclass
from typing import NamedTuple, Protocol


class MappingError(ValueError):
    """A mapping that could never decode anything: a wrong pointer, format, unit or quantity."""


class PayloadError(ValueError):
    """A payload that cannot be read at all. Its text says what, where and how to mend."""


@dataclass(frozen=True, slots=True)
class Field:
    """One quantity to take from a message.

    Attributes
    ----------
    quantity : str
        A key of `sensors.quantities.QUANTITIES`; at most once in a mapping.
    pointer : str or None
        Where it stands: a JSON Pointer (RFC 6901) for `json`, from the record where there are several; a record's name
        for `senml`; None for `scalar`.
    unit : str or None
        The unit that the message gives it in; None means the quantity's own.
    """

    quantity: str
    pointer: str | None = None
    unit: str | None = None


@dataclass(frozen=True, slots=True)
class Mapping:
    """How to read a probe's messages.

    Attributes
    ----------
    format : str
        `json`, `scalar` or `senml`.
    fields : tuple of Field
        One for each channel; exactly one for `scalar`.
    time_pointer : str or None
        Where the device's own time stands, `json` only; None where it has no clock.
    each : str or None
        Where a list (or an object) of records stands, `json` only: pointers lead on from a record. A time that the
        record lacks is looked for in the message. None where the message is one record.
    called, called_at : str or None
        What a gateway that speaks for several probes calls this one, and where that name stands; see
        `sensors.payloads.naming`. None where the topic is this probe's alone.
    """

    format: str
    fields: tuple[Field, ...]
    time_pointer: str | None = None
    each: str | None = None
    called: str | None = None
    called_at: str | None = None


class Measurement(NamedTuple):
    """One value found in a message.

    Attributes
    ----------
    quantity : str
        A key of `sensors.quantities.QUANTITIES`.
    value : float
        Finite, possibly impossible. [the quantity's own unit]
    at_ms : int or None
        The device's own time, UTC; None where the message tells none, so that the arrival time holds. [ms]
    """

    quantity: str
    value: float
    at_ms: int | None


@dataclass(frozen=True, slots=True)
class Decoded:
    """What a message held.

    Attributes
    ----------
    measurements : list of Measurement
        What was found, in the order of the mapping's fields (SenML: in the order of time).
    refusals : list of str
        One sentence for each field, or time, that was missing or wrong; the others still hold. A time that was
        refused leaves the measurements without a time.
    """

    measurements: list[Measurement]
    refusals: list[str]


class Decoder(Protocol):
    """Reads one payload; raises PayloadError and nothing else.

    The second argument is the arrival time [ms UTC]: SenML's relative times need it, and are refused without it.
    """

    def __call__(self, payload: bytes, now_ms: int | None = None, /) -> Decoded:
        """Return what the payload holds."""
        ...


LARGEST_PAYLOAD = 64 * 1024
"""Longer payloads are refused unread: no probe of one enclosure has so much to say. [byte]"""

_SHOWN = 40


def shown(value: object) -> str:
    """Return a short description of a JSON value for a sentence; never more than a few words of it."""
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, list):
        return "a list"
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    text = repr(value)
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]}…"


def require_size(payload: bytes) -> None:
    """Raise PayloadError when a payload is longer than `LARGEST_PAYLOAD`."""
    if len(payload) > LARGEST_PAYLOAD:
        raise PayloadError(
            f"payload is {len(payload)} bytes, expected at most {LARGEST_PAYLOAD}: send smaller messages"
        )

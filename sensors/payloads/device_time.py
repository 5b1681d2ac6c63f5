"""A device's own time: ISO 8601 with its offset, or epoch seconds or milliseconds told apart by size."""

import re
from datetime import UTC, datetime, timedelta

from sensors.payloads.measurement import shown
from sensors.payloads.numbers import NumberError, number_in_text

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MILLISECOND = timedelta(milliseconds=1)
# 1e11 s is in the year 5138 and 1e11 ms in 1973: between them no sound clock is taken for the other kind.
_FIRST_AS_MS = 1e11
_EARLIEST_MS = 946_684_800_000  # 2000-01-01: a clock that was never set starts before this or exactly at it.
_LATEST_MS = 4_102_444_800_000  # 2100-01-01
_NUMERIC = re.compile(r"\s*[+-]?[0-9.]+(?:[eE][+-]?[0-9]+)?\s*", re.ASCII)


class DeviceTimeError(ValueError):
    """A time that cannot be placed on the time line."""


def sound_time(milliseconds: float, said: object) -> int:
    """Return epoch milliseconds as a moment, or say that no clock that was set would tell it.

    Parameters
    ----------
    milliseconds : float
        UTC; NaN and infinity are refused. [ms]
    said : object
        What the message said, for the sentence.

    Raises
    ------
    DeviceTimeError
        If it is not between 2000 and 2100.
    """
    if not milliseconds < _LATEST_MS:  # also catches NaN, which round() cannot take
        raise DeviceTimeError(f"time {shown(said)} is beyond 2100: send epoch seconds or milliseconds")
    if milliseconds > _EARLIEST_MS:
        return round(milliseconds)
    raise DeviceTimeError(f"time {shown(said)} is not between 2000 and 2100: set the device's clock")


def _from_number(number: float, said: object) -> int:
    return sound_time(number if abs(number) >= _FIRST_AS_MS else number * 1000.0, said)


def _from_iso(text: str) -> int:
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError as exc:
        hint = "send ISO 8601 such as 2026-03-01T07:30:00Z, or epoch seconds or milliseconds"
        raise DeviceTimeError(f"time {shown(text)} is not readable: {hint}") from exc
    if moment.tzinfo is None:
        hint = "without one an hour is ambiguous when clocks change; add Z for UTC, or +01:00"
        raise DeviceTimeError(f"time {shown(text)} has no offset: {hint}")
    return sound_time((moment - _EPOCH) // _MILLISECOND, text)


def device_time(value: object) -> int:
    """Return the moment that a decoded JSON value tells.

    Parameters
    ----------
    value : object
        ISO 8601 text with an offset or Z; or epoch seconds (below 1e11) or milliseconds, as a number or as text.

    Returns
    -------
    int
        UTC, between 2000 and 2100. [ms]

    Raises
    ------
    DeviceTimeError
        For a time without offset, a clock that was never set, a boolean, or anything unreadable.
    """
    if isinstance(value, int | float) and not isinstance(value, bool):
        return _from_number(value, value)
    if not isinstance(value, str):
        raise DeviceTimeError(f"time is {shown(value)}, expected ISO 8601 text or an epoch number")
    if _NUMERIC.fullmatch(value):
        try:
            return _from_number(number_in_text(value), value)
        except NumberError as exc:
            raise DeviceTimeError(f"time {exc}") from exc
    return _from_iso(value)

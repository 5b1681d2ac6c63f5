"""Which time a reading has (pure)."""

from dataclasses import dataclass

from service.model import SETTLE_MS, Flag

AHEAD_MS = 5 * 60_000
"""A device clock this far ahead of ours is not believed. Common practice, no source. [ms]"""

# Plain numbers: arithmetic of flags for each reading cost a fifth of the intake's time.
_DEVICE, _ARRIVAL = int(Flag.DEVICE_CLOCK), int(Flag.ARRIVAL_CLOCK)
_DELAYED = int(Flag.DEVICE_CLOCK | Flag.DELAYED)


def is_believed(device_ms: int | None, arrival_ms: int) -> bool:
    """Whether a message's own time is taken: it has one, and that is at most `AHEAD_MS` ahead. [ms since 1970, UTC]."""
    return device_ms is not None and device_ms <= arrival_ms + AHEAD_MS


@dataclass(frozen=True, slots=True)
class Dated:
    """A time with what is known of it, and a sentence when the device's own time was refused."""

    at_ms: int
    flags: int
    refusal: str | None = None


def time_of(device_ms: int | None, arrival_ms: int, last_arrival_ms: int | None) -> Dated:
    """Choose between the device's time and the arrival's.

    Parameters
    ----------
    device_ms : int or None
        The time that the message carries. [ms since 1970, UTC]
    arrival_ms : int
        When it arrived. [ms since 1970, UTC]
    last_arrival_ms : int or None
        The last arrival time given to this channel: two messages in one millisecond are still two readings.

    Returns
    -------
    Dated
        A device time more than `AHEAD_MS` ahead is refused as a time; the reading keeps its arrival time.
    """
    if device_ms is not None and device_ms <= arrival_ms + AHEAD_MS:
        return Dated(device_ms, _DELAYED if arrival_ms - device_ms > SETTLE_MS else _DEVICE)
    at_ms = arrival_ms if last_arrival_ms is None else max(arrival_ms, last_arrival_ms + 1)
    if device_ms is None:
        return Dated(at_ms, _ARRIVAL)
    minutes = (device_ms - arrival_ms) / 60_000
    refusal = f"the device's time is {minutes:.0f} min ahead of ours: arrival time used; set the device's clock"
    return Dated(at_ms, _ARRIVAL, refusal)


def lay_backlog(count: int, last_ms: int | None, end_ms: int, cadence_ms: int, *, more: bool) -> list[int]:
    """Give times to a burst of messages that the broker held while nobody listened.

    Parameters
    ----------
    count : int
        How many there are.
    last_ms : int or None
        The newest reading before them. [ms since 1970, UTC]
    end_ms : int
        When the session was resumed. [ms since 1970, UTC]
    cadence_ms : int
        The channel's known cadence.
    more : bool
        More of the burst is still to come.

    Returns
    -------
    list of int
        Strictly increasing, after `last_ms`, one cadence apart, ending at `end_ms`; while more is to come they go
        on from `last_ms` instead. Where the span is too short for that, they share it evenly. [ms since 1970, UTC]
    """
    if last_ms is None:
        return [end_ms - (count - 1 - i) * cadence_ms for i in range(count)]
    room = max(end_ms - last_ms, count)
    if more:
        step = min(cadence_ms, room / (count + 1))
        return _increasing(last_ms, [last_ms + step * (i + 1) for i in range(count)])
    step = min(cadence_ms, room / count)
    return _increasing(last_ms, [last_ms + room - step * (count - 1 - i) for i in range(count)])


def _increasing(after_ms: int, times: list[float]) -> list[int]:
    """Round to whole milliseconds, each later than the one before."""
    rounded: list[int] = []
    for time in times:
        after_ms = max(after_ms + 1, round(time))
        rounded.append(after_ms)
    return rounded

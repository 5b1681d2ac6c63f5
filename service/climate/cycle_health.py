"""Could the probes around a misting cycle be believed? What probe health says at the end of its window."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from service.climate.day_view import Channel
from service.climate.probe_health import SATURATED_FROM, Sibling, is_saturated, is_stuck, lately
from service.climate.ranges import HOUR_MS, Instants
from service.climate.series import Series
from service.climate.zone_air import HUMIDITY_ZONES

HEALTH_LOOKS_BACK_MS: Final = 13 * HOUR_MS
"""A probe that stands still alone is called after 12 h; an hour more, since it is looked at by the hour [ms]."""
CLIMATE_QUANTITIES: Final = (
    "air_temperature", "surface_temperature", "substrate_temperature", "relative_humidity", "soil_moisture",
)  # fmt: skip
"""What moves with an enclosure's climate: the siblings of a channel that may be stuck."""
STUCK: Final = "probe stuck"
SATURATED: Final = "probe saturated"


def is_asked(quantity: str, zone: str) -> bool:
    """Say whether misting is judged by a channel there, so that its health matters."""
    return zone in HUMIDITY_ZONES and quantity in {"relative_humidity", "air_temperature"}


def is_cleared(quantity: str, series: Series, now_ms: Instants, since_ms: int) -> npt.NDArray[np.bool_]:
    """Say for each instant whether nothing can speak against a channel: `doubt_of` would be empty.

    Parameters
    ----------
    quantity : str
    series : Series
        The channel's, of any length.
    now_ms : ndarray of int64, shape (n,)
        [ms, UTC]
    since_ms : int
        Since when it stands there. [ms, UTC]

    Returns
    -------
    ndarray of bool, shape (n,)
        False where it must be looked at: it may not have moved, or may have been at the top all along.
    """
    if not series.at.size:
        return np.zeros(now_ms.shape, dtype=np.bool_)
    seen = lately(series, now_ms, since_ms)
    if quantity != "relative_humidity":
        return seen.moved
    return np.where(seen.last >= SATURATED_FROM, seen.was_below_top, seen.moved)


def doubt_of(channel: Channel, others: Sequence[Channel], now_ms: int) -> str:
    """Return why a channel cannot be believed at an instant, empty when nothing speaks against it.

    Parameters
    ----------
    channel : Channel
        Humidity or temperature, from 13 h before to the instant.
    others : sequence of Channel
        The enclosure's other climate channels, over the same time.
    now_ms : int
        [ms, UTC]
    """
    series = channel.series
    at_top = (
        channel.quantity == "relative_humidity" and bool(series.at.size) and float(series.value[-1]) >= SATURATED_FROM
    )
    if at_top:
        warm = (o.series for o in others if o.quantity == "air_temperature" and o.zone == channel.zone)
        return SATURATED if any(is_saturated(series, one, now_ms) for one in warm) else ""
    siblings = [Sibling(o.series, o.resolution) for o in others if o.quantity in CLIMATE_QUANTITIES]
    return STUCK if is_stuck(series, siblings, now_ms) else ""


def doubts_at(channels: Sequence[Channel], now_ms: int, keys: Iterable[str] | None = None) -> dict[str, str]:
    """Return which channels of an enclosure's air cannot be believed at an instant, by key, each with the reason.

    Parameters
    ----------
    channels : sequence of Channel
        All of the enclosure, from 13 h before to the instant.
    now_ms : int
        [ms, UTC]
    keys : iterable of str, optional
        Only these channels.
    """
    wanted = None if keys is None else set(keys)
    found: dict[str, str] = {}
    for channel in channels:
        if is_asked(channel.quantity, channel.zone) and (wanted is None or channel.key in wanted):
            doubt = doubt_of(channel, [other for other in channels if other is not channel], now_ms)
            if doubt:
                found[channel.key] = doubt
    return found


def doubt_in_words(channels: Sequence[str], doubts: Mapping[str, str]) -> str:
    """Return why a pair of channels cannot be believed, empty when it can."""
    told = {STUCK: "stands still while its enclosure does not", SATURATED: "is wet and shows nothing else"}
    return next((f"{doubts[key]}: {key} {told[doubts[key]]}" for key in channels if key in doubts), "")

"""The air of an enclosure around a moment, from the channels that were heard in time."""

from collections.abc import Sequence

from service.climate.day_view import Channel
from service.climate.zone_air import HUMIDITY_ZONES, ZoneAir, zone_air
from service.store.measured import Measured, part_of


def air_between(measured: Sequence[Measured], start_ms: int, end_ms: int) -> tuple[ZoneAir, Measured] | None:
    """Return the air of the first zone with humidity and temperature in a span, and the humidity's channel.

    In it the pair of least uncertainty that has a reading there, its own probe's temperature first.
    """
    for zone in HUMIDITY_ZONES:
        here = [part_of(m, start_ms, end_ms) for m in measured if m.channel.zone == zone]
        humid = [m for m in here if m.channel.quantity == "relative_humidity" and m.channel.series.at.size]
        warm = [m.channel for m in here if m.channel.quantity == "air_temperature" and m.channel.series.at.size]
        if humid and warm:
            best = min(humid, key=lambda m: (m.channel.uncertainty, m.channel.key))
            return zone_air(best.channel, _beside(best.channel, warm)), best
    return None


def _beside(humidity: Channel, warm: Sequence[Channel]) -> Channel:
    return min(warm, key=lambda channel: (channel.probe != humidity.probe, channel.uncertainty, channel.key))

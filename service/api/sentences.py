"""What is said of an enclosure: one plain sentence, of what happened and what to do."""

from collections.abc import Sequence
from datetime import datetime
from typing import Final

from service.api.zone_values import ZoneValue, first_of
from service.climate.day_view import BASKING, SURFACE_FIRST
from service.climate.ranges import DAY_MS, HOUR_MS, MINUTE_MS
from service.model import Alarm, from_ms, to_ms
from service.store.facts import EnclosureFact, RoomFacts

_SHOWN: Final = {"Cel": "°C", "1": "", "0/1": "", "%EL": "%"}
_ONE_DECIMAL: Final = frozenset({"°C", ""})
_ZONES: Final = {"basking": "basking spot"}
_QUANTITIES: Final = {
    "air_temperature": "",
    "surface_temperature": "",
    "substrate_temperature": "",
    "relative_humidity": " humidity",
    "soil_moisture": " moisture",
    "illuminance": " light",
    "uv_index": " UV index",
}
_WORDS: Final = {
    "basking-overheat": "too hot",
    "basking-heading-over": "heating up",
    "basking-cold": "too cold",
    "retreat-hot": "retreat hot",
    "night-cold": "cold night",
    "night-hot": "hot night",
    "heat-at-night": "heat at night",
    "misting-missed": "no mist",
    "misting-weakening": "weak mist",
    "lights-stuck-on": "lights on",
    "care-overdue": "care due",
    "out-of-service-long": "long rest",
    "out-of-service-over": "rest over",
}


def measured(value: float, unit: str) -> str:
    """Return a value with its unit: one decimal for temperatures, whole otherwise."""
    shown = _SHOWN.get(unit, unit)
    number = f"{value:.1f}" if shown in _ONE_DECIMAL else f"{value:.0f}"
    return f"{number} {shown}".rstrip()


def lasting(ms: int) -> str:
    """Return a length of time by its largest part or two: 40 s, 4 min, 2 h 10 min, 3 d."""
    if ms < MINUTE_MS:
        return f"{max(0, ms) // 1000} s"
    if ms < HOUR_MS:
        return f"{ms // MINUTE_MS} min"
    if ms < 2 * DAY_MS:
        hours, minutes = divmod(ms // MINUTE_MS, 60)
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    return f"{ms // DAY_MS} d"


def about(value: ZoneValue) -> str:
    """Return what a value is of: "Basking spot", "Ambient humidity"."""
    zone = _ZONES.get(value.zone, value.zone.replace("-", " "))
    kind = _QUANTITIES.get(value.quantity, f" {value.quantity.replace('_', ' ')}")
    return f"{zone}{kind}".capitalize() if "UV" not in kind else f"{zone.capitalize()}{kind}"


def condition(alarm: Alarm) -> str:
    """Return a condition in words."""
    return alarm.condition.replace("-", " ").capitalize()


def word(alarm: Alarm) -> str:
    """Return what is wrong in a word or two."""
    return _WORDS.get(alarm.condition, alarm.condition.replace("-", " "))


def value_of(alarm: Alarm, values: Sequence[ZoneValue], facts: RoomFacts) -> ZoneValue | None:
    """Return the fresh value that an alarm is about, if one is known."""
    channel = facts.channels.get(alarm.channel_id) if alarm.channel_id is not None else None
    for value in values:
        by_channel = channel is not None and value.channel == channel.key
        by_place = channel is None and value.zone == alarm.zone and value.unit == _senml(alarm.unit)
        if value.fresh and alarm.limit is not None and (by_channel or by_place):
            return value
    return None


def _senml(unit: str | None) -> str | None:
    return "Cel" if unit == "°C" else unit


def worst(values: Sequence[ZoneValue]) -> ZoneValue | None:
    """Return the value that is furthest outside its target, counted in its uncertainty."""
    outside = [(value.passed[1] / (value.uncertainty or 1.0), value) for value in values if value.passed]
    return max(outside, key=lambda found: found[0])[1] if outside else None


def of_alarm(alarm: Alarm, value: ZoneValue | None, now_ms: int) -> str:
    """Return an alarm's sentence: what, beyond which limit, for how long, and the likely cause."""
    subject = condition(alarm)
    if value is not None:
        subject = f"{about(value)} {measured(value.value, value.unit)}"
    elif alarm.value is not None:
        subject = f"{subject}: {measured(alarm.value, alarm.unit or '')}"
    limit = "" if alarm.limit is None else f", limit {measured(alarm.limit, alarm.unit or '')}"
    said = f"{subject}{limit}, for {lasting(now_ms - to_ms(alarm.began_at))}."
    cause = (alarm.cause or "").strip().rstrip(".")
    return f"{said} {cause[0].upper()}{cause[1:]}." if cause else said


def of_drift(value: ZoneValue) -> str:
    """Return the sentence of a value outside its target that no alarm stands for."""
    target, passed = value.target, value.passed
    if target is None or passed is None:
        raise ValueError(f"{value.channel} is within its target, expected one outside")
    side = "above" if passed[0] == target.high else "below"
    return (
        f"{about(value)} {measured(value.value, value.unit)}, {side} its target of {measured(passed[0], value.unit)}."
    )


def of_silence(facts: RoomFacts, enclosure: EnclosureFact, values: Sequence[ZoneValue], now_ms: int) -> str:
    """Return the sentence of an enclosure of which too little is known."""
    stale = [value for value in values if value.is_climate and not value.fresh]
    if stale:
        last = max(stale, key=lambda value: value.at_ms)
        since, probe = clock(facts, last.at_ms, now_ms), last.channel.rsplit("/", 1)[0]
        return f"Nothing fit to judge from {probe} since {since}: check its power, its link and its place."
    if any(placement.holds_at(now_ms) for placement in enclosure.placements):
        return "No reading has come yet: check that its probes are powered and send to their topics."
    return "No probe is placed here, so nothing is watched: place one."


def of_calm(values: Sequence[ZoneValue]) -> str:
    """Return the sentence of an enclosure that needs nobody."""
    basking = first_of(values, BASKING, SURFACE_FIRST)
    if basking is None:
        return "All that is measured is within its targets."
    return f"{about(basking)} {measured(basking.value, basking.unit)}; all that is measured is within its targets."


def clock(facts: RoomFacts, at_ms: int, now_ms: int) -> str:
    """Return the site's wall-clock time of an instant, with the date when it is not today."""
    local, today = from_ms(at_ms).astimezone(facts.zone), from_ms(now_ms).astimezone(facts.zone)
    return _on(local, today)


def _on(local: datetime, today: datetime) -> str:
    return f"{local:%H:%M}" if local.date() == today.date() else f"{local:%Y-%m-%d %H:%M}"

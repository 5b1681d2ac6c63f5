"""Valid days, channels and series; a test names only what it is about."""

from collections.abc import Callable, Mapping, Sequence
from datetime import date, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from service.climate.assessment import Channel, CheckResult, Cycle, DayInput, assess_day
from service.climate.day_cycle import LightSchedule, Photoperiod, local_day, photoperiod_of
from service.climate.ranges import HOUR_MS, MINUTE_MS, Floats, Instants
from service.climate.series import Series, series_of
from service.climate.targets import Target

LISBON = ZoneInfo("Europe/Lisbon")
A_DAY = date(2026, 3, 10)
USUAL_LIGHTS = LightSchedule(on=time(7, 30), off=time(19, 30))
LONG_AFTER = 10 * 24 * HOUR_MS


def an_axis(start: int, end: int, every_s: float = 60) -> Instants:
    return np.arange(start, end, int(every_s * 1000), dtype=np.int64)


def steps(*pairs: tuple[int, float], cadence_ms: int = MINUTE_MS) -> Series:
    """Return a series of (minute, value) pairs, minutes counted from 1970."""
    return series_of([m * MINUTE_MS for m, _ in pairs], [v for _, v in pairs], cadence_ms)


def a_photoperiod(day: date = A_DAY, lights: LightSchedule | None = USUAL_LIGHTS) -> Photoperiod:
    return photoperiod_of(day, LISBON, schedule=lights)


class Enclosure:
    """An enclosure on one local day, its channels given as functions of the minutes since lights on."""

    def __init__(self, lights: LightSchedule | None = USUAL_LIGHTS, day: date = A_DAY, every_s: float = 60) -> None:
        self.date = day
        self.start, self.end = local_day(day, LISBON)
        self.photoperiod = a_photoperiod(day, lights)
        self.at = an_axis(self.start - 2 * HOUR_MS, self.photoperiod.next_on_ms, every_s)
        self.minute = (self.at - self.photoperiod.on_ms) / MINUTE_MS
        self.every_ms = int(every_s * 1000)
        self.channels: list[Channel] = []

    @property
    def lit(self) -> Floats:
        return (self.at >= self.photoperiod.on_ms) & (self.at < self.photoperiod.off_ms)

    def by_day_and_night(self, day: float, night: float) -> Floats:
        return np.where(self.lit, day, night)

    def measures(
        self,
        zone: str,
        value: Floats | float,
        quantity: str = "air_temperature",
        uncertainty: float = 0.3,
        probe: str | None = None,
        kept: Callable[[Instants], Floats] | None = None,
    ) -> "Enclosure":
        values = np.broadcast_to(np.asarray(value, dtype=np.float64), self.at.shape)
        keep = np.ones(self.at.shape, dtype=bool) if kept is None else kept(self.at)
        series = series_of(self.at[keep], values[keep], self.every_ms)
        key = f"{probe or zone}/{quantity}"
        self.channels.append(Channel(key, quantity, zone, series, uncertainty, uncertainty / 3, 0.1))
        return self

    def given(
        self, targets: Mapping[str, Target], cycles: Sequence[Cycle] = (), now_ms: int | None = None, **more: object
    ) -> DayInput:
        now = self.end + LONG_AFTER if now_ms is None else now_ms
        return DayInput(
            self.date,
            "Europe/Lisbon",
            self.start,
            self.end,
            self.photoperiod,
            targets,
            self.channels,
            cycles,
            now,
            **more,
        )

    def check(self, name: str, target: Target, now_ms: int | None = None, **others: Target) -> CheckResult:
        targets = {name: target, **{key.replace("_", "-"): value for key, value in others.items()}}
        found = assess_day(self.given(targets, now_ms=now_ms))
        return next(result for result in found.checks if result.check == name)


def next_day(day: date) -> date:
    return day + timedelta(days=1)

"""The readings that an enclosure's days rest on, and each day as the checks take it."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
from sqlmodel import Session

from service.climate.cycle_health import CLIMATE_QUANTITIES, HEALTH_LOOKS_BACK_MS, doubts_at, is_asked, is_cleared
from service.climate.day_cycle import LIT_ABOVE_LUX, Photoperiod, photoperiod_of
from service.climate.day_view import Channel, Cycle, DayInput
from service.climate.lamp_light import hours_of, lit_above
from service.climate.misting import RESPONSE_MIN
from service.climate.ranges import MINUTE_MS, Floats, Instants
from service.climate.series import UNKNOWN_CADENCE_MS, Series, cadence_of
from service.climate.soaking import WetRuns, wet_runs
from service.climate.uncertainty import widened_for_soak
from service.lookback.plan import HUMIDITY, SOAK_LOOK_BACK_MS, TAIL_MS, DayPlan, Placed, shows_light
from service.model import Flag
from service.store.equipment_channels import cycles_due, is_pump, measured_cycles
from service.store.history import corrected
from service.store.readings import read_readings

_UNFIT: Final = int(Flag.unfit())


@dataclass(frozen=True, eq=False)
class Tape:
    """A channel's readings over the days in hand, corrected by calibrations.

    Attributes
    ----------
    at : ndarray of int64, shape (n,)
        Strictly increasing. [ms since 1970, UTC]
    value : ndarray of float64, shape (n,)
        NaN where a reading is unfit to be judged. [the quantity's unit]
    unfit : ndarray of int16, shape (n,)
        The flags that make it so, else 0.
    """

    at: Instants
    value: Floats
    unfit: npt.NDArray[np.int16]

    @cached_property
    def whole(self) -> Series:
        """All of it, of no cadence: for what is no matter of how long a reading stands."""
        return Series(self.at, self.value, UNKNOWN_CADENCE_MS)

    @cached_property
    def wet_runs(self) -> WetRuns:
        """Where it becomes wet, and where dry, were it humidity: once for all days."""
        return wet_runs(self.whole)

    def part(self, low: int, high: int) -> "Tape":
        """Return the readings of those indices; nothing is copied."""
        return Tape(self.at[low:high], self.value[low:high], self.unfit[low:high])


def read_tapes(session: Session, plans: Sequence[DayPlan]) -> dict[int, Tape]:
    """Read once what those days rest on, channel by channel."""
    spans: dict[int, tuple[int, int]] = {}
    channels = {p.fact.id: p.fact for plan in plans for p in plan.placed}
    for plan in plans:
        for p in plan.placed:
            low, high = spans.get(p.fact.id, (p.read_from_ms, p.end_ms))
            spans[p.fact.id] = (min(low, p.read_from_ms), max(high, p.end_ms))
    tapes: dict[int, Tape] = {}
    for channel_id, (low, high) in spans.items():
        stored = corrected(channels[channel_id], read_readings(session, channel_id, low, high))
        unfit = stored.flags & np.int16(_UNFIT)
        value = np.where(unfit != 0, np.nan, stored.value) if unfit.any() else stored.value
        tapes[channel_id] = Tape(stored.at, value, unfit)
    return tapes


@dataclass(frozen=True, eq=False)
class Heard:
    """What a placed channel said within a day's reach.

    Attributes
    ----------
    placed : Placed
    tape : Tape
        From the reading that stands when the reach begins. Where the channel was taken away within the reach, it
        ends in a NaN at that instant.
    cadence_ms : int
        Declared, or that of these readings. [ms]
    """

    placed: Placed
    tape: Tape
    cadence_ms: int

    def series(self, start_ms: int, end_ms: int) -> Series:
        """Return the readings of a part of the reach, with the one that stands at its start."""
        at, value, _ = self.between(start_ms, end_ms)
        return Series(at, value, self.cadence_ms)

    def between(self, start_ms: int, end_ms: int) -> tuple[Instants, Floats, npt.NDArray[np.int16]]:
        """Return times, values and flags of the same part."""
        high = int(self.tape.at.searchsorted(end_ms))
        low = max(0, int(self.tape.at.searchsorted(start_ms, "right")) - 1)
        part = self.tape.part(low, max(low, high))
        return part.at, part.value, part.unfit


@dataclass(frozen=True, eq=False)
class DayReadings:
    """A day as the checks take it, with what its channels said.

    Attributes
    ----------
    given : DayInput
    heard : tuple of Heard
    over : bool
        Whether the day, its night and what follows from it have passed: nothing but a late reading changes it.
    """

    given: DayInput
    heard: tuple[Heard, ...]
    over: bool


def day_readings(plan: DayPlan, tapes: dict[int, Tape], now_ms: int) -> DayReadings:
    """Return a planned day with its readings.

    Parameters
    ----------
    plan : DayPlan
    tapes : dict of channel id to Tape
    now_ms : int
        What lies later is not known yet. [ms since 1970, UTC]

    Returns
    -------
    DayReadings
        A day that is over is given the same `now_ms` whenever it is asked for.
    """
    heard = tuple(_heard(p, tapes[p.fact.id], plan) for p in plan.placed)
    above = _lit_above(plan, heard, tapes, now_ms)
    period = _photoperiod(plan, heard, above)
    last = max(plan.end_ms, period.next_on_ms) + TAIL_MS
    known = min(now_ms, last)
    # What came to a zone only after the night, or left it before the day, measured neither.
    channels = [
        _channel(h, plan, tapes[h.placed.fact.id], period, last)
        for h in heard
        if h.placed.start_ms < last - TAIL_MS and h.placed.end_ms > plan.start_ms and not _pumps(h)
    ]
    cycles = _cycles(plan, heard, last)
    given = DayInput(
        plan.day, plan.timezone, plan.start_ms, plan.end_ms, period, plan.targets, channels, cycles, known,
        doubts=_doubts(cycles, heard, tapes, known), lit_above_lux=above,
    )  # fmt: skip
    return DayReadings(given, heard, over=now_ms >= last)


def _heard(placed: Placed, tape: Tape, plan: DayPlan) -> Heard:
    start, end = placed.start_ms, placed.end_ms
    low = int(np.searchsorted(tape.at, start))
    # The reading before the reach still stands when it begins, unless the channel stood elsewhere then.
    if start == plan.first_ms and low and tape.at[low - 1] >= placed.since_ms:
        low -= 1
    part = tape.part(low, int(np.searchsorted(tape.at, end)))
    cadence = placed.fact.declared_cadence_ms or cadence_of(part.at)
    if end < plan.last_ms:
        part = Tape(np.append(part.at, end), np.append(part.value, np.nan), np.append(part.unfit, np.int16(0)))
    return Heard(placed, part, cadence)


def _longest(heard: Iterable[Heard], plan: DayPlan) -> Heard | None:
    """Return the channel that stood there for most of the day."""
    return max(
        heard,
        key=lambda h: min(h.placed.end_ms, plan.end_ms) - max(h.placed.start_ms, plan.start_ms),
        default=None,
    )


def _light(plan: DayPlan, heard: Sequence[Heard]) -> Heard | None:
    """Return the light channel that the day goes by."""
    seeing = (h for h in heard if h.placed.fact.quantity == "illuminance")
    return _longest((h for h in seeing if shows_light("illuminance", h.placed.zone)), plan)


def _lit_above(plan: DayPlan, heard: Sequence[Heard], tapes: dict[int, Tape], now_ms: int) -> float:
    """Return above what the light channel says that the lamps burn [lx]."""
    light = _light(plan, heard)
    if light is None or not plan.lit:
        return LIT_ABOVE_LUX
    placed, tape = light.placed, tapes[light.placed.fact.id]
    # Another channel's place says nothing of this one.
    begins = max(placed.placed_ms, placed.read_from_ms)
    low, high = (int(i) for i in np.searchsorted(tape.at, (begins, placed.end_ms)))
    return lit_above(hours_of(tape.at[low:high], tape.value[low:high]), plan.lit, min(now_ms, plan.lit[-1][1]))


def _photoperiod(plan: DayPlan, heard: Sequence[Heard], above_lux: float) -> Photoperiod:
    """Return the lit period that begins on the day: by light, lamp power, or the schedule."""
    seeing = [h for h in heard if shows_light(h.placed.fact.quantity, h.placed.zone)]
    light = _light(plan, heard)
    lamp = _longest((h for h in seeing if h.placed.fact.quantity == "power"), plan)
    return photoperiod_of(
        plan.day,
        ZoneInfo(plan.timezone),
        schedule=plan.schedule,
        light=None if light is None else light.series(plan.first_ms, plan.last_ms),
        lit_above_lux=above_lux,
        lamp_power=None if lamp is None else lamp.series(plan.first_ms, plan.last_ms),
    )


def _channel(heard: Heard, plan: DayPlan, tape: Tape, period: Photoperiod, last_ms: int) -> Channel:
    placed, errors = heard.placed, heard.placed.errors
    uncertainty = errors.uncertainty
    if placed.fact.quantity == HUMIDITY and errors.soak_allowance:
        until = min(placed.end_ms, max(plan.end_ms, period.next_on_ms))
        soaked = _is_soaked(tape, heard.cadence_ms, max(placed.start_ms, plan.start_ms), until)
        uncertainty = widened_for_soak(uncertainty, errors.soak_allowance, soaked)
    return Channel(
        placed.fact.key, placed.fact.quantity, placed.zone, heard.series(plan.first_ms, last_ms),
        uncertainty, errors.repeat_uncertainty, errors.resolution,
    )  # fmt: skip


def _is_soaked(tape: Tape, cadence_ms: int, start_ms: int, end_ms: int) -> bool:
    """Say whether a humidity element was soaked at any time of a span, by that and the days before it."""
    spans = tape.wet_runs.soaked_within(start_ms - SOAK_LOOK_BACK_MS, end_ms, cadence_ms)
    return bool(((spans[:, 0] < end_ms) & (spans[:, 1] > start_ms)).any())


def _doubts(
    cycles: Sequence[Cycle], heard: Sequence[Heard], tapes: dict[int, Tape], known_ms: int
) -> dict[int, dict[str, str]]:
    """Return, by a cycle's start, the channels that probe health did not believe at the end of its window."""
    climate = [h for h in heard if h.placed.fact.quantity in CLIMATE_QUANTITIES]
    starts = [c.at_ms for c in cycles if c.at_ms + RESPONSE_MIN * MINUTE_MS <= known_ms]
    ends = np.array(starts, dtype=np.int64) + RESPONSE_MIN * MINUTE_MS
    asked = [h for h in climate if is_asked(h.placed.fact.quantity, h.placed.zone)]
    cleared = np.logical_and.reduce([_is_cleared(h, tapes[h.placed.fact.id], ends) for h in asked])
    found: dict[int, dict[str, str]] = {}
    for start, at, passes in zip(starts, ends.tolist(), np.broadcast_to(cleared, ends.shape), strict=True):
        if not passes and (doubts := doubts_at([_health_channel(h, tapes, at) for h in climate], at)):
            found[start] = doubts
    return found


def _is_cleared(heard: Heard, tape: Tape, at_ms: Instants) -> npt.NDArray[np.bool_]:
    """Say for each instant whether nothing can speak against a channel, without a closer look."""
    placed = heard.placed
    return is_cleared(placed.fact.quantity, tape.whole, at_ms, placed.since_ms) & (at_ms < placed.end_ms)


def _health_channel(heard: Heard, tapes: dict[int, Tape], at_ms: int) -> Channel:
    """Return what a channel said at its place in the hours that probe health looks at."""
    placed, tape = heard.placed, tapes[heard.placed.fact.id]
    span = max(at_ms - HEALTH_LOOKS_BACK_MS, placed.since_ms), min(at_ms + 1, placed.end_ms)
    low, high = (int(i) for i in np.searchsorted(tape.at, span))
    series = Series(tape.at[low:high], tape.value[low:high], heard.cadence_ms)
    errors = placed.errors
    return Channel(
        placed.fact.key, placed.fact.quantity, placed.zone, series,
        errors.uncertainty, errors.repeat_uncertainty, errors.resolution,
    )  # fmt: skip


def _pumps(heard: Heard) -> bool:
    return is_pump(heard.placed.fact.quantity, heard.placed.zone)


def _cycles(plan: DayPlan, heard: Sequence[Heard], last_ms: int) -> tuple[Cycle, ...]:
    """Return the cycles due or measured within the reach; a pump's state says more than its current."""
    pumps = [h for h in heard if _pumps(h)]
    states = [h for h in pumps if h.placed.fact.quantity == "switch"]
    pump = _longest(states or pumps, plan)
    measured: list[Cycle] = []
    if pump is not None:
        series = pump.series(plan.first_ms, last_ms)
        measured = measured_cycles(series, pump.placed.fact.quantity, plan.first_ms, last_ms)
    return cycles_due((cycle for cycle in plan.cycles if cycle.at_ms < last_ms), measured)


def days_from(first: date, last: date) -> list[date]:
    """Return the dates from `first` to `last`, both included."""
    return [date.fromordinal(n) for n in range(first.toordinal(), last.toordinal() + 1)]

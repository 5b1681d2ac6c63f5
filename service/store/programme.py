"""What an enclosure should be, day by day: the targets, the lights, the misting cycles, from its dated facts."""

import math
from bisect import bisect_right
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import Any

import numpy as np
from sqlmodel import Session

from service.climate.day_cycle import (
    LIT_ABOVE_LUX,
    LightSchedule,
    Photoperiod,
    instant_of,
    local_day,
    photoperiod_of,
)
from service.climate.day_view import Cycle
from service.climate.lamp_light import hours_of, lit_above
from service.climate.series import Series, series_of
from service.climate.targets import Override, Season, SpeciesProfile, Target, targets_in_force
from service.model import Flag
from service.store.equipment_channels import is_lamp
from service.store.facts import ChannelFact, EnclosureFact, ProfileVersionFact, RoomFacts
from service.store.history import corrected
from service.store.readings import read_readings

DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True)
class DayProgramme:
    """One local day of an enclosure as it was planned.

    Attributes
    ----------
    start_ms, end_ms : int
        The local day. [ms since 1970, UTC]
    photoperiod : Photoperiod
        By the schedule; measured light is not looked at here.
    targets : mapping of check id to Target
    cycles : tuple of Cycle
        The misting cycles due.
    """

    day: date
    start_ms: int
    end_ms: int
    photoperiod: Photoperiod
    targets: Mapping[str, Target]
    cycles: tuple[Cycle, ...]


class Programme:
    """The planned days of one enclosure; each is worked out once."""

    def __init__(self, facts: RoomFacts, enclosure: EnclosureFact) -> None:
        self._facts, self._enclosure = facts, enclosure
        self._zone = facts.zone
        self._days: dict[date, DayProgramme] = {}
        self._changes = sorted(set(self._change_instants()))
        self._profiles: dict[tuple[str, int], SpeciesProfile] = {}
        self._of_pieces: dict[tuple[date, int], dict[str, Target]] = {}

    def day_of(self, at_ms: int) -> DayProgramme:
        """Return the planned day that holds an instant."""
        return self.day(datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(self._zone).date())

    def day(self, day: date) -> DayProgramme:
        """Return the plan of a local date."""
        planned = self._days.get(day)
        if planned is None:
            planned = self._days[day] = self._plan(day)
        return planned

    def targets_at(self, at_ms: int) -> dict[str, Target]:
        """Return the targets in force at an instant: the profile's, its season's, the overrides'; not to be changed."""
        day = datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(self._zone).date()
        # Between two changes of a day they stand still.
        piece = (day, bisect_right(self._changes, at_ms))
        targets = self._of_pieces.get(piece)
        if targets is None:
            targets = self._of_pieces[piece] = self._targets(day, at_ms, None)
        return targets

    def pieces(self, start_ms: int, end_ms: int) -> list[tuple[int, int]]:
        """Cut a span where a day begins or a fact changes: within a piece, targets and schedules stand still."""
        cuts = {start_ms, end_ms} | {at for at in self._changes if start_ms < at < end_ms}
        day = self.day_of(start_ms)
        while day.end_ms < end_ms:
            cuts.add(day.end_ms)
            day = self.day_of(day.end_ms)
        edges = sorted(cuts)
        return list(pairwise(edges))

    def photoperiods_around(self, at_ms: int) -> list[Photoperiod]:
        """Return the planned photoperiods that the local day of an instant can lie in: the day's own and the last."""
        day = self.day_of(at_ms)
        return [self.day_of(day.start_ms - 1).photoperiod, day.photoperiod]

    def planned_lit(self, start_ms: int, end_ms: int) -> list[tuple[int, int]]:
        """Return when the lights were to burn, from the day before that of the start to that of the end [ms, UTC]."""
        day, found = self.day_of(self.day_of(start_ms).start_ms - 1), []
        while day.start_ms <= end_ms:
            if day.photoperiod.basis != "none":
                found.append((day.photoperiod.on_ms, day.photoperiod.off_ms))
            day = self.day_of(day.end_ms)
        return found

    def _change_instants(self) -> Iterator[int]:
        enclosure = self._enclosure
        for facts in (enclosure.lights, enclosure.misting, enclosure.profiles, enclosure.overrides):
            yield from (edge for fact in facts for edge in (fact.start_ms, fact.end_ms))
        for assignment in enclosure.profiles:
            for version in self._facts.profile_versions.get(assignment.profile, ()):
                yield version.start_ms

    def light_schedule(self, day: date) -> LightSchedule | None:
        """Return the wall-clock schedule in force at noon of a local date."""
        start, end = local_day(day, self._zone)
        fact = self._enclosure.lights_at((start + end) // 2)
        return None if fact is None else LightSchedule(fact.on, fact.off)

    def _plan(self, day: date) -> DayProgramme:
        start, end = local_day(day, self._zone)
        photoperiod = photoperiod_of(day, self._zone, schedule=self.light_schedule(day))
        misting = self._enclosure.misting_at((start + end) // 2)
        due: dict[int, int] = {}
        for at, seconds in misting.cycles if misting else ():
            # Times that the clocks leave out fall on the instant at which they change: together they are one cycle.
            instant = instant_of(day, at, self._zone)
            due[instant] = max(seconds, due.get(instant, 0))
        cycles = tuple(Cycle(at_ms, seconds, "schedule") for at_ms, seconds in due.items())
        return DayProgramme(day, start, end, photoperiod, self._targets(day, start, end), cycles)

    def _targets(self, day: date, start_ms: int, end_ms: int | None) -> dict[str, Target]:
        middle = start_ms if end_ms is None else (start_ms + end_ms) // 2
        followed = self._enclosure.profile_at(middle)
        version = self._facts.profile_version_at(followed, middle) if followed else None
        profile = self._profile(version) if version else SpeciesProfile("none", 0, "", {})
        overrides = [
            Override(
                fact.check, target_of({"low": fact.low, "high": fact.high, "share": fact.share, "source": fact.reason}),
                fact.start_ms, fact.end_ms, fact.reason,
            )
            for fact in self._enclosure.overrides
        ]  # fmt: skip
        return targets_in_force(profile, overrides, day, start_ms, end_ms)

    def _profile(self, version: ProfileVersionFact) -> SpeciesProfile:
        key = (version.profile, version.version)
        if key not in self._profiles:
            self._profiles[key] = species_profile(version)
        return self._profiles[key]


def species_profile(version: ProfileVersionFact) -> SpeciesProfile:
    """Return a stored profile version as the climate checks take it."""
    seasons = tuple(
        Season(season["name"], _month_day(season["from"]), _month_day(season["until"]), _targets(season["target"]))
        for season in version.body.get("season", ())
    )
    return SpeciesProfile(version.profile, version.version, version.species, _targets(version.body["target"]), seasons)


def target_of(body: Mapping[str, Any]) -> Target:
    """Return a stored target; an end that is missing is open."""
    low, high = body.get("low"), body.get("high")
    return Target(
        low=-math.inf if low is None else low,
        high=math.inf if high is None else high,
        share=body.get("share"),
        source=body.get("source") or "",
        latitude=body.get("latitude"),
    )


def _targets(bodies: list[dict[str, Any]]) -> dict[str, Target]:
    return {body["check"]: target_of(body) for body in bodies}


def _month_day(text: str) -> tuple[int, int]:
    month, day = text.split("-")
    return int(month), int(day)


def targets_at(facts: RoomFacts, enclosure: EnclosureFact, at_ms: int) -> dict[str, Target]:
    """Return the targets of an enclosure at an instant."""
    return Programme(facts, enclosure).targets_at(at_ms)


def photoperiods(
    session: Session, facts: RoomFacts, enclosure: EnclosureFact, first: date, last: date
) -> list[Photoperiod]:
    """Return the lit periods that begin on the local dates from `first` to `last`, both included.

    By a light channel, else a lamp's power channel, else the schedule; each says which.
    """
    programme = Programme(facts, enclosure)
    start, end = local_day(first, facts.zone)[0] - DAY_MS, local_day(last, facts.zone)[1] + DAY_MS
    light = _measured(session, facts, enclosure, "illuminance", start, end)
    power = _measured(session, facts, enclosure, "power", start, end)
    above = LIT_ABOVE_LUX
    if light is not None:
        above = lit_above(hours_of(light.at, light.value), programme.planned_lit(start, end), int(light.at[-1]))
    days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
    return [
        photoperiod_of(
            day, facts.zone, schedule=programme.light_schedule(day), light=_around(light, day, facts),
            lit_above_lux=above, lamp_power=_around(power, day, facts),
        )
        for day in days
    ]  # fmt: skip


def _measured(
    session: Session, facts: RoomFacts, enclosure: EnclosureFact, quantity: str, start: int, end: int
) -> Series | None:
    """Return the readings of the enclosure's first channel of a quantity, where it has one."""
    for placement in enclosure.placements:
        channel = facts.channels[placement.channel_id]
        fits = is_lamp(quantity, placement.zone) if quantity == "power" else placement.zone != "outside"
        if channel.quantity == quantity and fits and placement.meets(start, end):
            return fit_series(session, channel, max(start, placement.start_ms), min(end, placement.end_ms))
    return None


def fit_series(session: Session, channel: ChannelFact, start_ms: int, end_ms: int) -> Series | None:
    """Return a channel's readings in a span for judging, NaN where unfit for it; None when there are none."""
    stored = corrected(channel, read_readings(session, channel.id, start_ms, end_ms))
    if not len(stored):
        return None
    value = np.where(stored.flags & Flag.unfit(), np.nan, stored.value)
    return series_of(stored.at, value, channel.declared_cadence_ms)


def _around(series: Series | None, day: date, facts: RoomFacts) -> Series | None:
    """Return the part of a series that a day's photoperiod can depend on."""
    if series is None:
        return None
    start, end = local_day(day, facts.zone)
    low, high = np.searchsorted(series.at, (start - DAY_MS // 8, end + DAY_MS))
    return Series(series.at[low:high], series.value[low:high], series.cadence_ms)

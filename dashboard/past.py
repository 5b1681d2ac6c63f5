"""An enclosure over a span, gathered from the store for a figure or a table."""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Final

from sqlmodel import Session

from dashboard.day import Axis, Band
from dashboard.figures.timeline import AlarmSpan, Line, Rain, Timeline
from dashboard.marks import marks_in
from dashboard.rain import judged_cycles
from dashboard.tiles import WARMTH, heat_bands, water_bands
from dashboard.words import condition_name, measured, quantity_name, span, unit_of, zone_name
from service.api.zone_values import unit_of as senml_unit_of
from service.climate.day_cycle import Photoperiod
from service.climate.day_view import Cycle
from service.climate.ranges import DAY_MS
from service.climate.series import hold_ms
from service.model import Alarm, from_ms, to_ms
from service.store.alarms import list_alarms
from service.store.facts import EnclosureFact, RoomFacts
from service.store.history import ChannelSeries, chart_series, placements_in
from service.store.programme import DayProgramme, Programme, photoperiods
from service.watch.conditions import CONDITIONS

POINTS: Final = 1_600
"""Of each channel in a chart: four for each of 400 pixel columns."""
_MEASURED_LIGHT_MS: Final = 45 * DAY_MS
"""Over longer spans days and nights are drawn by the schedule: measured light would all have to be read."""
_NIGHTS_MS: Final = 62 * DAY_MS
"""Over longer spans nights are too narrow to be seen."""
_JUDGED_MS: Final = 9 * DAY_MS
"""Over longer spans misting cycles are marked without their verdicts."""
_MARKED_MS: Final = 62 * DAY_MS
_MOST_ALARMS: Final = 500


def known_series(
    session: Session, facts: RoomFacts, enclosure: EnclosureFact, start_ms: int, end_ms: int, now_ms: int, points: int
) -> list[ChannelSeries]:
    """Return the enclosure's channels over [start, end), as far as that is past [ms, UTC]."""
    until = min(end_ms, now_ms)
    if until <= start_ms:
        return []
    return chart_series(session, facts, placements_in(facts, enclosure, start_ms, until), start_ms, until, points)


def timeline_of(
    session: Session, facts: RoomFacts, enclosure: EnclosureFact, start_ms: int, end_ms: int, now_ms: int
) -> Timeline:
    """Return what a figure of [start, end) shows.

    Parameters
    ----------
    session : Session
        Of `Store.read`.
    facts, enclosure : RoomFacts, EnclosureFact
    start_ms, end_ms, now_ms : int
        [ms, UTC]
    """
    length = end_ms - start_ms
    days = _days(facts, enclosure, start_ms, end_ms)
    periods = _periods(session, facts, enclosure, days, length)
    series = known_series(session, facts, enclosure, start_ms, end_ms, now_ms, POINTS)
    return Timeline(
        start_ms=start_ms,
        end_ms=end_ms,
        zone=facts.zone,
        lines=[_line(one, start_ms) for one in series],
        bands=_bands(days, periods, Axis(start_ms, end_ms, facts.zone), series),
        nights=_nights(periods, start_ms, end_ms) if length <= _NIGHTS_MS else [],
        rain=_rain(session, facts, enclosure, days, periods, (start_ms, end_ms, now_ms)),
        alarms=alarm_spans(session, enclosure, start_ms, end_ms, now_ms),
        now_ms=now_ms,
        marks=marks_in(session, enclosure, start_ms, end_ms),
    )


def _days(facts: RoomFacts, enclosure: EnclosureFact, start_ms: int, end_ms: int) -> list[DayProgramme]:
    """Return the planned days that meet a span, and the one before: its night reaches into it."""
    programme = Programme(facts, enclosure)
    first, last = (from_ms(at).astimezone(facts.zone).date() for at in (start_ms, end_ms))
    day: date = first - timedelta(days=1)
    return [programme.day(day + timedelta(days=n)) for n in range((last - day).days + 1)]


def _periods(
    session: Session, facts: RoomFacts, enclosure: EnclosureFact, days: Sequence[DayProgramme], length: int
) -> list[Photoperiod]:
    if length > _MEASURED_LIGHT_MS:
        return [day.photoperiod for day in days]
    return photoperiods(session, facts, enclosure, days[0].day, days[-1].day)


def _line(series: ChannelSeries, start_ms: int) -> Line:
    quantity = series.channel.quantity
    unit = unit_of(senml_unit_of(quantity))
    what = "" if quantity.endswith("_temperature") else f", {quantity_name(quantity).lower()}"
    surface = ", surface" if quantity == "surface_temperature" else ""
    # The reading before the span, which is not read, stands at its start for as long as any other.
    length, gaps = series.gaps[:, 1] - series.gaps[:, 0], series.gaps
    gaps = gaps[(gaps[:, 0] > start_ms) | (length > hold_ms(series.cadence_ms))]
    name = f"{zone_name(series.zone)}{what}{surface}"
    return Line(name, series.zone, quantity, unit, series.at, series.value, gaps)


def _bands(
    days: Sequence[DayProgramme], periods: Sequence[Photoperiod], axis: Axis, series: Sequence[ChannelSeries]
) -> dict[tuple[str, str], list[Band]]:
    """Return the target bands of each zone that is measured, as they stood on each day."""
    zones = {one.zone for one in series if one.channel.quantity.endswith("_temperature")}
    is_humid = any(one.channel.quantity == "relative_humidity" for one in series)
    found: dict[tuple[str, str], list[Band]] = {}
    for day, period in zip(days, periods, strict=True):
        for zone in sorted(zones):
            # The night's band belongs to the ambient; on the basking line it would be drawn twice.
            bands = heat_bands(day.targets, [period], axis, zone, with_night=zone not in {"basking", "warm-end"})
            found.setdefault(("Temperature", WARMTH.get(zone, "middle")), []).extend(bands)
        if is_humid:
            found.setdefault(("Humidity", "water"), []).extend(water_bands(day.targets, [period], axis))
    return found


def _nights(periods: Sequence[Photoperiod], start_ms: int, end_ms: int) -> list[tuple[int, int]]:
    dark = [(max(p.off_ms, start_ms), min(p.next_on_ms, end_ms)) for p in periods if p.basis != "none"]
    return [(start, end) for start, end in dark if start < end]


def _rain(
    session: Session,
    facts: RoomFacts,
    enclosure: EnclosureFact,
    days: Sequence[DayProgramme],
    periods: Sequence[Photoperiod],
    view: tuple[int, int, int],
) -> list[Rain]:
    start_ms, end_ms, now_ms = view
    cycles = sorted((cycle for day in days for cycle in day.cycles), key=lambda cycle: cycle.at_ms)
    inside = [cycle for cycle in cycles if start_ms <= cycle.at_ms < end_ms]
    if end_ms - start_ms > _MARKED_MS:
        return []
    if end_ms - start_ms > _JUDGED_MS:
        return [_due(cycle, facts) for cycle in inside]
    judged = judged_cycles(session, facts, enclosure, inside, periods, now_ms)
    marks = {result.at_ms: Rain(result.at_ms, str(result.verdict or "running"), result.sentence) for result in judged}
    return [marks.get(cycle.at_ms) or _due(cycle, facts) for cycle in inside]


def _due(cycle: Cycle, facts: RoomFacts) -> Rain:
    local = from_ms(cycle.at_ms).astimezone(facts.zone)
    return Rain(cycle.at_ms, "due", f"Misting due at {local:%H:%M} for {cycle.seconds:.0f} s.")


def alarm_spans(session: Session, enclosure: EnclosureFact, start_ms: int, end_ms: int, now_ms: int) -> list[AlarmSpan]:
    """Return the enclosure's alarms that stood at any time of [start, end), cut to it [ms, UTC]."""
    found: list[AlarmSpan] = []
    for alarm in list_alarms(session, enclosure_id=enclosure.id, limit=_MOST_ALARMS):
        begins, ends = to_ms(alarm.began_at), to_ms(alarm.returned_at) if alarm.returned_at else now_ms
        if begins < end_ms and start_ms < ends:
            sentence = _alarm_sentence(alarm, ends - begins)
            found.append(AlarmSpan(max(begins, start_ms), min(ends, end_ms), alarm.priority, sentence))
    return found


def _alarm_sentence(alarm: Alarm, lasted_ms: int) -> str:
    known = CONDITIONS.get(alarm.condition)
    title = known.title if known else condition_name(alarm.condition)
    peak = f", peak {measured(alarm.peak, unit_of(alarm.unit))}" if alarm.peak is not None else ""
    standing = "" if alarm.returned_at else ", still standing"
    return f"{title}, {alarm.priority}{peak}, for {span(lasted_ms / 1000)}{standing}"

"""Eggs: time in the band, degree-days since laying, and when hatching is to be expected."""

from datetime import date, datetime
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from service.climate.day_view import Channel, CheckResult, DayView
from service.climate.ranges import DAY_MS
from service.climate.series import LEAST_COVERAGE, Series, SpansLike, cover
from service.climate.targets import Target
from service.climate.time_checks import Words, check_share

EGG_CHAMBER: Final = ("egg-chamber",)
EGG_TEMPERATURES: Final = ("substrate_temperature", "air_temperature", "surface_temperature")


def degree_days(series: Series, base: float, spans: SpansLike) -> float:
    """Return the temperature above a base, summed over time.

    Parameters
    ----------
    series : Series
        Temperature. [°C]
    base : float
        Below it eggs do not develop; such time counts as zero, not as less. [°C]
    spans : ndarray, shape (m, 2), or pairs
        [ms, UTC]

    Returns
    -------
    float
        Gaps count at the mean rate of what is known; NaN when less than 0.75 is known. [°C d]

    References
    ----------
    .. [1] Baskerville & Emin, Ecology 50 (1969) 514-517: degree-days as the area above the base.
    """
    known = cover(series, spans)
    if known.coverage < LEAST_COVERAGE:
        return float("nan")
    above = np.maximum(known.value - base, 0.0)
    return float(above @ known.weight / known.covered_ms * known.span_ms / DAY_MS)


def hatch_window(
    now_ms: int, gathered: float, a_day: float, needed_low: float, needed_high: float, zone: ZoneInfo
) -> tuple[date, date] | None:
    """Return the first and the last local date on which hatching is to be expected.

    Parameters
    ----------
    now_ms : int
        The instant up to which degree-days are gathered. [ms, UTC]
    gathered : float
        Since laying. [°C d]
    a_day : float
        Degree-days that a day brings from here on. [°C d per day]
    needed_low, needed_high : float
        From laying to hatching. [°C d]
    zone : ZoneInfo

    Returns
    -------
    (date, date) or None
        None when nothing is gathered any more, or an input is NaN. What is reached already gives today's date.
    """
    if not (a_day > 0 and np.isfinite([gathered, needed_low, needed_high]).all()):
        return None
    days = [max(0.0, needed - gathered) / a_day for needed in (needed_low, needed_high)]
    first, last = (datetime.fromtimestamp(now_ms / 1000 + d * DAY_MS / 1000, zone).date() for d in days)
    return first, last


def _development(view: DayView, channel: Channel) -> dict[str, float | str | bool]:
    """Return degree-days and the hatch window of the clutch, where the day has one."""
    clutch = view.day.clutch
    if clutch is None:
        return {}
    reach = view.reach((max(view.day.start_ms, clutch.laid_ms), view.day.end_ms))
    if not reach.spans:
        return {}
    today = degree_days(channel.series, clutch.base, reach.spans)
    passed = sum(end - start for start, end in reach.spans) / DAY_MS
    found: dict[str, float | str | bool] = {
        "degree_days_today": today,
        "degree_days": clutch.gathered + today,
        "base": clutch.base,
    }
    zone = ZoneInfo(view.day.zone_name)
    needed = (clutch.needed_low, clutch.needed_high)
    window = hatch_window(reach.spans[-1][1], clutch.gathered + today, today / passed, *needed, zone)
    if window is not None:
        found |= {"hatch_from": window[0].isoformat(), "hatch_until": window[1].isoformat()}
    return found


def check_incubation(view: DayView, target: Target) -> CheckResult:
    """Return the share of the local day with the egg chamber in its band, and how far the clutch has come."""
    span = (view.day.start_ms, view.day.end_ms)
    channel = view.choose(EGG_CHAMBER, EGG_TEMPERATURES, view.reach(span))
    extra = _development(view, channel) if channel else {}
    statement = "in their band for {value} of the day"
    if "hatch_from" in extra:
        gathered = f"{extra['degree_days']:.0f} degree-days above {extra['base']:.1f} °C since laying"
        statement += f", {gathered}, hatching expected {extra['hatch_from']} to {extra['hatch_until']}"
    words = Words("Eggs", statement, "no temperature channel in the egg chamber", extra)
    return check_share(view, "incubation", target, channel, (span,), words)

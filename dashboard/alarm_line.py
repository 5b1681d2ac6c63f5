"""An alarm on the light of its day: the last 24 hours, lit ones on light ground, and when the alarm stood."""

from collections.abc import Sequence
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from markupsafe import Markup, escape

from dashboard.day import Axis, lit_spans
from service.climate.day_cycle import Photoperiod
from service.climate.ranges import DAY_MS
from service.model import Alarm, to_ms

_EVERY_HOURS: Final = 6
_LEAST_SHARE: Final = 0.006
"""An alarm of a minute is still seen."""


def alarm_line(alarm: Alarm, periods: Sequence[Photoperiod], axis: Axis, said: str) -> Markup:
    """Return the line as SVG.

    Parameters
    ----------
    alarm : Alarm
    periods : sequence of Photoperiod
        Of its enclosure; empty where it has none, or is about the whole room.
    axis : Axis
        To the present.
    said : str
        The same in words, for who does not see it.
    """
    lit = "".join(_rect("lit", axis, start, end, 0, 100) for start, end in lit_spans(periods, axis))
    ground = '<rect class="lightless" width="100%" height="100%"/>' if not periods else ""
    end = axis.end_ms if alarm.returned_at is None else to_ms(alarm.returned_at)
    stood = _rect("stood", axis, to_ms(alarm.began_at), end, 10, 58)
    seen = "" if alarm.acknowledged_at is None else _mark(axis, to_ms(alarm.acknowledged_at))
    hours = "".join(
        f'<text class="hour" x="{100 * axis.share(at):.2f}%" y="94%">{hour:02d}</text>'
        for hour, at in axis.hours(_EVERY_HOURS)
    )
    dark = '<rect class="dark" width="100%" height="100%"/>'
    return Markup(  # noqa: S704 - numbers and constants; the words are escaped
        f'<svg class="strip alarm-line" role="img" aria-label="{escape(said)}" width="100%" height="100%">'
        f"{ground or dark + lit}{stood}{seen}{hours}</svg>"
    )


def last_day(now: datetime, zone: ZoneInfo) -> Axis:
    """Return the 24 hours up to `now`."""
    return Axis(to_ms(now) - DAY_MS, to_ms(now), zone)


def _rect(css: str, axis: Axis, start_ms: int, end_ms: int, top: int, bottom: int) -> str:
    left, right = axis.share(start_ms), axis.share(end_ms)
    width = max(right - left, _LEAST_SHARE)
    left = min(left, 1 - width)
    return f'<rect class="{css}" x="{100 * left:.2f}%" width="{100 * width:.2f}%" y="{top}%" height="{bottom - top}%"/>'


def _mark(axis: Axis, at_ms: int) -> str:
    place = f"{100 * axis.share(at_ms):.2f}%"
    return f'<line class="seen" x1="{place}" x2="{place}" y1="0" y2="100%"/>'

"""Which span is asked for, and of which enclosure."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from sensors.quantities import nearest
from service.climate.day_cycle import instant_of, local_day
from service.errors import BadUse, NotFound
from service.model import from_ms, to_ms
from service.store.facts import EnclosureFact, RoomFacts

USUAL_DAYS: Final = 30
LONGEST_DAYS: Final = 1_100
"""Three years: what one look-back may hold."""
_FIRST_YEAR, _LAST_YEAR = 1970, 2199


@dataclass(frozen=True, slots=True)
class LookbackSpan:
    """A span of time and the local days that it touches.

    Attributes
    ----------
    start_ms, end_ms : int
        [start_ms, end_ms). [ms since 1970, UTC]
    first, last : date
        Local, both included.
    """

    start_ms: int
    end_ms: int
    first: date
    last: date


def span_of(first: str | None, last: str | None, zone: ZoneInfo, now: datetime) -> LookbackSpan:
    """Return the span between two dates or instants.

    Parameters
    ----------
    first, last : str or None
        A local date (2026-03-01; as an end, its whole day is included), or an ISO 8601 instant, which without an
        offset is by the local clock. By default the last 30 local days, today included.
    zone : ZoneInfo
        The site's.
    now : datetime

    Raises
    ------
    BadUse
        When one cannot be read, lies outside 1970 to 2199, they are out of order, or more than 1,100 days apart.
    """
    today = now.astimezone(zone).date()
    end = _edge("to", last, zone, end=True) if last is not None else local_day(today, zone)[1]
    if first is not None:
        start = _edge("from", first, zone, end=False)
    else:
        start = local_day(_local_date(end - 1, zone) - timedelta(days=USUAL_DAYS - 1), zone)[0]
    if start >= end:
        raise BadUse(f"from ({first}) is not before to ({last or today.isoformat()}): expected a span of time")
    span = LookbackSpan(start, end, _local_date(start, zone), _local_date(end - 1, zone))
    if (span.last - span.first).days >= LONGEST_DAYS:
        raise BadUse(f"from and to are more than {LONGEST_DAYS:,} days apart; ask for shorter spans, one by one")
    return span


def _local_date(at_ms: int, zone: ZoneInfo) -> date:
    return from_ms(at_ms).astimezone(zone).date()


def _edge(name: str, text: str, zone: ZoneInfo, *, end: bool) -> int:
    """Return the instant that a word of a request means. [ms since 1970, UTC]."""
    wanted = f"{name}: {text[:40]!r} is no date such as 2026-03-01, nor an instant such as 2026-03-01T08:00"
    text = text.strip()
    try:
        day = date.fromisoformat(text)
    except ValueError:
        day = None
    try:
        # A plus that a client left bare in a query arrives as a space.
        at = datetime.fromisoformat(text.replace(" ", "+") if "T" in text.upper() else text)
    except ValueError as exc:
        raise BadUse(wanted) from exc
    if not _FIRST_YEAR < at.year < _LAST_YEAR:
        raise BadUse(f"{name}: {text[:40]!r} lies outside the years {_FIRST_YEAR + 1} to {_LAST_YEAR - 1}")
    if day is not None:
        return local_day(day, zone)[1 if end else 0]
    if at.tzinfo is None:
        shift = timedelta(seconds=at.second, microseconds=at.microsecond)
        return instant_of(at.date(), at.time().replace(second=0, microsecond=0), zone) + shift // timedelta(
            milliseconds=1
        )
    return to_ms(at.astimezone(UTC))


def enclosure_of(facts: RoomFacts, key: str) -> EnclosureFact:
    """Return an enclosure by its key, one that was retired too.

    Raises
    ------
    NotFound
        When there is none; the sentence names the nearest one.
    """
    found = facts.by_key.get(key) or facts.retired.get(key)
    if found is None:
        known = [*facts.by_key, *facts.retired]
        hint = nearest(key, known) if known else "the room has none yet"
        raise NotFound(f"there is no enclosure '{key[:80]}': {hint[:200]}")
    return found

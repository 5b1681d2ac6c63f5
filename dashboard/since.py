"""Since when something holds, as a form's field: read, written, and what a date in the past brings with it."""

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from service.errors import BadUse
from service.roomfile.spec import BEGINNING

FURTHEST: Final = timedelta(days=366)
"""Nobody plans a room further ahead: a year that was mistyped is caught (common practice, no source)."""
_LONGEST: Final = 40


def instant_in(form: Mapping[str, str], name: str, what: str, zone: ZoneInfo) -> datetime | None:
    """Return a local time of the site that a form gives, None for an empty field.

    Raises
    ------
    BadUse
        It is none; `what` says which field.
    """
    text = form.get(name, "").strip()
    if not text:
        return None
    try:
        local = datetime.fromisoformat(text)
    except ValueError as exc:
        raise BadUse(f"{what}: {text[:_LONGEST]!r} is no time; write for example 2026-03-10T15:00") from exc
    return local if local.tzinfo is not None else local.replace(tzinfo=zone)


def since_in(form: Mapping[str, str], name: str, what: str, now: datetime, zone: ZoneInfo) -> datetime | None:
    """Return since when something holds, None where the form leaves that open.

    Raises
    ------
    BadUse
        It is no time, or one that nobody can have meant.
    """
    since = instant_in(form, name, what, zone)
    if since is None:
        return None
    if since < BEGINNING:
        raise BadUse(f"{what}: {since:%Y-%m-%d} is before the year 2000, where everything here begins; see the year")
    if since > now + FURTHEST:
        raise BadUse(f"{what}: {since:%Y-%m-%d} is more than a year ahead; see the year")
    return since


def local_text(at: datetime | None, zone: ZoneInfo) -> str:
    """Return an instant as a form's field of a local time holds it, nothing of it cut off; empty for None."""
    if at is None:
        return ""
    local = at.astimezone(zone).replace(tzinfo=None)
    if local.microsecond:
        return local.isoformat(timespec="milliseconds")
    return local.isoformat(timespec="seconds" if local.second else "minutes")


def days_anew(since: Iterable[datetime | None], now: datetime, zone: ZoneInfo) -> int:
    """Return how many local days a change reaches back over, today among them; 0 where it begins today or later."""
    today = now.astimezone(zone).date()
    first = min((at.astimezone(zone).date() for at in since if at is not None), default=today)
    return max(0, (today - first).days + 1) if first < today else 0


def asked_anew(days: int) -> str:
    """Return what an address carries on to the page that says so; empty where nothing is judged anew."""
    return f"?anew={days}" if days else ""


def reaching_back(days: str) -> str:
    """Return what a change that reached back over so many days brings with it; empty where it did not."""
    if not (days.isascii() and days.isdigit() and len(days) < 6 and int(days)):  # noqa: PLR2004 - digits of the most days
        return ""
    return (
        f"Saved. It reaches back: {int(days)} days, today among them, are judged anew by it. What the calendar and "
        "look-backs said of them may change; each verdict that comes out otherwise is told there, with the reason. "
        "Alarms stay as they were raised, and what held before stays on record."
    )

"""What forms about animals send: local times, numbers, and which enclosure."""

import math
from datetime import datetime, timedelta

from dashboard.since import instant_in
from dashboard.words import clock
from service.errors import BadUse
from service.lookback.spans import enclosure_of
from service.store.facts import RoomFacts

_SLACK = timedelta(minutes=1)


def local_at(form: dict[str, str], name: str, facts: RoomFacts, now: datetime) -> datetime:
    """Return a local time of the site that a form gives; an empty field, or the minute that is now, is now.

    Raises
    ------
    BadUse
        It is none.
    """
    found = optional_at(form, name, facts)
    # A field that was filled in when the page was made says the minute; what happened now happened to the second.
    return now if found is None or timedelta(0) <= now - found < _SLACK else found


def optional_at(form: dict[str, str], name: str, facts: RoomFacts) -> datetime | None:
    """Return a local time of the site that a form gives; None for an empty field."""
    return instant_in(form, name, name, facts.zone)


def optional_number(form: dict[str, str], name: str) -> float | None:
    """Return a number that a form gives, with a point or a comma; None for an empty field."""
    text = form.get(name, "").strip().replace(",", ".")
    if not text:
        return None
    try:
        found = float(text)
    except ValueError:
        found = math.nan
    if not math.isfinite(found):
        raise BadUse(f"{name}: {text[:40]!r} is no number")
    return found


def whole_number(form: dict[str, str], name: str, otherwise: int | None = None) -> int:
    """Return a whole number that a form gives."""
    found = optional_number(form, name)
    if found is None and otherwise is not None:
        return otherwise
    if found is None or found != int(found):
        raise BadUse(f"{name}: expected a whole number, got {form.get(name, '')[:20]!r}")
    return int(found)


def enclosure_in(form: dict[str, str], facts: RoomFacts) -> int:
    """Return the id of the enclosure that a form names."""
    key = form.get("enclosure", "").strip()
    if not key:
        raise BadUse("enclosure: choose one")
    return enclosure_of(facts, key).id


def field_value(at: datetime, facts: RoomFacts) -> str:
    """Return an instant as a form's field of a local time holds it."""
    return f"{at.astimezone(facts.zone):%Y-%m-%dT%H:%M}"


def when(at: datetime, facts: RoomFacts, now: datetime) -> str:
    """Return an instant in words, its year where it is another."""
    local = at.astimezone(facts.zone)
    year = f" {local.year}" if local.year != now.astimezone(facts.zone).year else ""
    return f"{local.day} {local:%b}{year} {local:%H:%M}" if year else clock(at, facts.zone, now)

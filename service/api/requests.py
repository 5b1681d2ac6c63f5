"""What requests are made of: the parts, instants, keys and pages."""

import re
from datetime import UTC, datetime
from typing import Annotated, Final

from fastapi import Depends, Query, Request
from pydantic import AfterValidator, BeforeValidator, WithJsonSchema

from sensors.quantities import QUANTITIES, nearest
from service.api.parts import Parts
from service.errors import NotFound
from service.model import ZONES
from service.store.facts import EnclosureFact, RoomFacts

MOST_POINTS: Final = 20_000
LARGEST_PAGE: Final = 1_000
_FIRST_YEAR, _LAST_YEAR = 1970, 2199
_ISO: Final = re.compile(r"\d{4}-\d{2}-\d{2}[Tt]\d{2}:\d{2}(?::\d{2}(?:\.\d{1,9})?)?(?:[Zz]|[+-]\d{2}:\d{2})", re.ASCII)
_QUERY_PLUS: Final = re.compile(r" (\d{2}:\d{2})$")


def parts_of(request: Request) -> Parts:
    """Return what the application was given."""
    return request.app.state.parts


PartsDep = Annotated[Parts, Depends(parts_of)]


def instant_of(text: object) -> datetime:
    """Read an ISO 8601 instant with its offset, from 1970 on.

    A plus sign that a client left bare in a query arrives as a space, and is read as the plus that it was.

    Raises
    ------
    ValueError
        When it is none, has no offset, or lies outside 1970 to 2199.
    """
    wanted = "expected an instant such as 2026-03-01T08:00:00Z or 2026-03-01T08:00:00+01:00"
    if isinstance(text, datetime):
        return text
    if not isinstance(text, str):
        raise ValueError(f"{wanted}, as text")  # noqa: TRY004 - pydantic turns a ValueError into a refusal
    mended = _QUERY_PLUS.sub(r"+\1", text)
    if not _ISO.fullmatch(mended):
        raise ValueError(f"{wanted}, got {text[:40]!r}")
    try:
        instant = datetime.fromisoformat(mended.upper()).astimezone(UTC)
    except (ValueError, OverflowError) as exc:
        raise ValueError(f"{wanted}, got {text[:40]!r}") from exc
    if not _FIRST_YEAR <= instant.year <= _LAST_YEAR:
        raise ValueError(f"expected an instant from {_FIRST_YEAR} to {_LAST_YEAR}, got {text[:40]!r}")
    return instant


IsoInstant = Annotated[
    datetime,
    BeforeValidator(instant_of),
    WithJsonSchema({"type": "string", "format": "date-time", "examples": ["2026-03-01T08:00:00+01:00"]}),
]
"""An instant in a request: ISO 8601 with an offset, from 1970 to 2199."""


def _known_zone(zone: str) -> str:
    if zone not in ZONES:
        raise ValueError(f"'{zone}' is no zone: {nearest(zone, list(ZONES))}")
    return zone


def _known_quantity(quantity: str) -> str:
    if quantity not in QUANTITIES:
        raise ValueError(f"'{quantity}' is no quantity: {nearest(quantity, list(QUANTITIES))}")
    return quantity


ZoneName = Annotated[str, AfterValidator(_known_zone), WithJsonSchema({"type": "string", "enum": list(ZONES)})]
QuantityName = Annotated[
    str, AfterValidator(_known_quantity), WithJsonSchema({"type": "string", "enum": list(QUANTITIES)})
]

KeyCursor = Annotated[
    str | None, Query(max_length=64, pattern=r"^[a-z0-9][a-z0-9._-]*$", description="`next` of the page before.")
]
PageSize = Annotated[int, Query(ge=1, le=LARGEST_PAGE, description="How many at most.")]


def enclosure_named(facts: RoomFacts, key: str) -> EnclosureFact:
    """Return the enclosure of that key.

    Raises
    ------
    NotFound
        When there is none; the sentence names the nearest one.
    """
    enclosure = facts.by_key.get(key)
    if enclosure is None:
        known = list(facts.by_key)
        hint = nearest(key, known) if len(known) > 0 else "the room has none yet"
        raise NotFound(f"there is no enclosure '{key[:80]}': {hint[:200]}")
    return enclosure

"""The days of an enclosure: each with its verdicts, and what each misting cycle did."""

from typing import Annotated

import orjson
from fastapi import APIRouter, Query, Response

from service.api.addresses import PREFIX
from service.api.lookback_answers import DaysAnswer, MistingAnswer
from service.api.parts import Parts
from service.api.problems import documented
from service.api.requests import PartsDep
from service.lookback.days import AssessedDays, assessed_days
from service.lookback.report import misting_of
from service.lookback.spans import LONGEST_DAYS, USUAL_DAYS, LookbackSpan, enclosure_of, span_of
from service.model import to_ms
from service.store.facts import EnclosureFact, RoomFacts

_EDGE = (
    "A date of the site's calendar (2026-03-01), or an ISO 8601 instant; without an offset it is by the site's clock."
)
FromEdge = Annotated[
    str | None, Query(alias="from", max_length=40, description=f"{_EDGE} By default {USUAL_DAYS} days before the end.")
]
ToEdge = Annotated[
    str | None,
    Query(max_length=40, description=f"{_EDGE} A date is included. By default today. At most {LONGEST_DAYS:,} days."),
]

router = APIRouter(prefix=PREFIX, tags=["look-back"])


def asked_for(
    parts: Parts, enclosure_id: str, first: str | None, last: str | None
) -> tuple[RoomFacts, EnclosureFact, LookbackSpan]:
    """Return the facts, the enclosure and the span that a request is about."""
    with parts.store.read() as session:
        facts = parts.facts(session)
    return facts, enclosure_of(facts, enclosure_id), span_of(first, last, facts.zone, parts.now())


@router.get("/enclosures/{enclosure_id}/days", response_model=DaysAnswer, responses=documented(404, 422, 503))
def get_days(parts: PartsDep, enclosure_id: str, from_: FromEdge = None, to: ToEdge = None) -> Response:
    """Return the local days that a span touches, as far as they have begun, with the verdict of each check."""
    facts, enclosure, span = asked_for(parts, enclosure_id, from_, to)
    days = [day.body["day"] for day in _assessed(parts, facts, enclosure, span).days]
    return _answer({"enclosure": enclosure.key, "time_zone": facts.timezone, "days": days})


@router.get("/enclosures/{enclosure_id}/misting", response_model=MistingAnswer, responses=documented(404, 422, 503))
def get_misting(parts: PartsDep, enclosure_id: str, from_: FromEdge = None, to: ToEdge = None) -> Response:
    """Return what each misting cycle of a span did."""
    facts, enclosure, span = asked_for(parts, enclosure_id, from_, to)
    cycles = misting_of(_assessed(parts, facts, enclosure, span), span)
    return _answer({"enclosure": enclosure.key, "time_zone": facts.timezone, "misting": cycles})


def _assessed(parts: Parts, facts: RoomFacts, enclosure: EnclosureFact, span: LookbackSpan) -> AssessedDays:
    return assessed_days(parts.store, facts, enclosure, span.first, span.last, to_ms(parts.now()))


def _answer(body: dict[str, object]) -> Response:
    return Response(orjson.dumps(body), media_type="application/json")

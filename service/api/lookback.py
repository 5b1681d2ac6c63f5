"""The look-back: what an enclosure lived through over a span, in one answer."""

import orjson
from fastapi import APIRouter, Response

from service.api.days import FromEdge, ToEdge, asked_for
from service.api.lookback_answers import LookbackAnswer
from service.api.problems import documented
from service.api.requests import PartsDep
from service.lookback.report import enclosure_report
from service.model import to_ms

router = APIRouter(tags=["look-back"])


@router.get("/lookback/enclosures/{enclosure_id}", response_model=LookbackAnswer, responses=documented(404, 422, 503))
def get_lookback(parts: PartsDep, enclosure_id: str, from_: FromEdge = None, to: ToEdge = None) -> Response:
    """Return what an enclosure lived through, one that is out of use too; the same data give the same answer."""
    facts, enclosure, span = asked_for(parts, enclosure_id, from_, to)
    report = enclosure_report(parts.store, facts, enclosure, span, to_ms(parts.now()))
    return Response(orjson.dumps(report), media_type="application/json")

"""The look-back: what an enclosure, an animal or a clutch lived through over a span, in one answer."""

import orjson
from fastapi import APIRouter, Response

from service.api.addresses import PREFIX
from service.api.animal_answers import Named
from service.api.days import FromEdge, ToEdge, asked_for
from service.api.lookback_answers import LifeLookbackAnswer, LookbackAnswer
from service.api.parts import Parts
from service.api.problems import documented
from service.api.requests import PartsDep
from service.lookback.lives.asking import Question, answer
from service.lookback.report import enclosure_report
from service.model import to_ms

router = APIRouter(prefix=PREFIX, tags=["look-back"])


@router.get("/lookback/enclosures/{enclosure_id}", response_model=LookbackAnswer, responses=documented(404, 422, 503))
def get_lookback(parts: PartsDep, enclosure_id: str, from_: FromEdge = None, to: ToEdge = None) -> Response:
    """Return what an enclosure lived through, one that is out of use too; the same data give the same answer."""
    facts, enclosure, span = asked_for(parts, enclosure_id, from_, to)
    report = enclosure_report(parts.store, facts, enclosure, span, to_ms(parts.now()))
    return Response(orjson.dumps(report), media_type="application/json")


@router.get("/lookback/animals/{name}", response_model=LifeLookbackAnswer, responses=documented(404, 422, 503))
def get_animal(parts: PartsDep, name: Named, from_: FromEdge = None, to: ToEdge = None) -> Response:
    """Return what an animal lived through, wherever it was housed.

    Without a span that of the days before its last illness or death.
    """
    return _life(parts, Question("animal", name, from_, to))


@router.get("/lookback/clutches/{name}", response_model=LifeLookbackAnswer, responses=documented(404, 422, 503))
def get_clutch(parts: PartsDep, name: Named, from_: FromEdge = None, to: ToEdge = None) -> Response:
    """Return what a clutch lived through since it was laid: its temperatures, degree-days, when it should hatch."""
    return _life(parts, Question("clutch", name, from_, to))


def _life(parts: Parts, question: Question) -> Response:
    with parts.store.read() as session:
        facts = parts.facts(session)
    report = answer(parts.store, facts, question, parts.now())
    return Response(orjson.dumps(report), media_type="application/json")

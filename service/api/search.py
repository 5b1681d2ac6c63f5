"""Finding something by a few letters."""

from typing import Annotated

from fastapi import APIRouter, Query

from service.api.addresses import PREFIX
from service.api.answers import Answer
from service.api.finding import find
from service.api.problems import documented
from service.api.requests import PartsDep

router = APIRouter(prefix=PREFIX, tags=["room"])


class FoundAnswer(Answer):
    """Something that was found, with the path of its page."""

    kind: str
    id: str
    name: str
    about: str
    address: str


class SearchAnswer(Answer):
    """What fits, the best first."""

    found: list[FoundAnswer]


@router.get("/search", responses=documented(422, 503))
def search(
    parts: PartsDep,
    q: Annotated[str, Query(min_length=1, max_length=80, description="A few letters of its name, id or place.")],
    limit: Annotated[int, Query(ge=1, le=100)] = 12,
) -> SearchAnswer:
    """Return the enclosures, animals, probes and profiles that fit a few letters."""
    with parts.store.read() as session:
        found = find(session, parts.facts(session), q, parts.now(), limit)
    return SearchAnswer(
        found=[FoundAnswer(kind=f.kind, id=f.key, name=f.name, about=f.about, address=f.address) for f in found]
    )

"""Who speaks and belongs to no probe: what was said, and what it probably means."""

from typing import Annotated, Final

from fastapi import APIRouter, Path, Query
from sqlmodel import Session

from sensors.payloads.naming import is_in_message
from sensors.payloads.proposing import Proposal, propose
from service.api.addresses import PREFIX
from service.api.probe_answers import (
    MessageAnswer,
    SourceDetail,
    SourcesAnswer,
    proposal_answer,
    shown_payload,
    source_answer,
)
from service.api.problems import documented
from service.api.requests import PartsDep
from service.ingest.mapping import mapping_of
from service.ingest.topic_filters import matches
from service.model import UnclaimedMessage, UnclaimedSource
from service.store.facts import RoomFacts
from service.store.unclaimed import MOST_SOURCES, get_source, last_messages, list_sources, made_room

MESSAGES: Final = 20
"""How many of the last messages are looked at for a proposal."""
_LARGEST_ID: Final = 2**53 - 1

router = APIRouter(prefix=PREFIX, tags=["probes"])
SourceId = Annotated[int, Path(ge=1, le=_LARGEST_ID)]


def proposals_for(
    session: Session, facts: RoomFacts, source: UnclaimedSource
) -> tuple[list[Proposal], list[UnclaimedMessage]]:
    """Return what is proposed for a source, and its last messages, the newest first.

    A name on a gateway's topic is proposed alike the gateway's other probes.
    """
    messages = last_messages(session, source.topic, MESSAGES)
    like = next(
        (
            mapping
            for probe in facts.probes.values()
            if is_in_message(mapping := mapping_of(facts, probe)) and matches(probe.topic, source.topic)
        ),
        None,
    )
    found = propose([message.payload for message in messages], source.topic, like if source.called else None)
    own = [proposal for proposal in found if source.called in {"", proposal.called}]
    return own, messages


@router.get("/unclaimed", responses=documented(401, 403, 422, 503))
def list_unclaimed(
    parts: PartsDep,
    cursor: Annotated[
        str | None, Query(pattern=r"^[1-9][0-9]{0,14}$", description="`next` of the page before.")
    ] = None,
    limit: Annotated[int, Query(ge=1, le=MOST_SOURCES, description="How many at most.")] = 100,
) -> SourcesAnswer:
    """Return who speaks and belongs to no probe, the newest source first."""
    with parts.store.read() as session:
        found = list_sources(session, None if cursor is None else int(cursor), limit + 1)
        gone = made_room(session)
        page = [source_answer(source) for source in found[:limit]]
    after = str(page[-1].id) if len(found) > limit else None
    return SourcesAnswer(unclaimed=page, made_room=gone.count if gone else 0, next=after)


@router.get("/unclaimed/{source_id}", responses=documented(401, 403, 404, 422, 503))
def get_unclaimed(parts: PartsDep, source_id: SourceId) -> SourceDetail:
    """Return a source with its last messages and the mappings that are proposed; claim it by `POST /probes`."""
    with parts.store.read() as session:
        source = get_source(session, source_id)
        proposals, messages = proposals_for(session, parts.facts(session), source)
        plain = source_answer(source)
        said = [MessageAnswer(at=message.received_at, payload=shown_payload(message.payload)) for message in messages]
    return SourceDetail(**dict(plain), messages=said, proposals=[proposal_answer(one) for one in proposals])

"""Probes: how each is, a new one claimed, one moved."""

from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Path
from sqlmodel import Session

from service.api.addresses import PREFIX
from service.api.parts import Parts
from service.api.probe_answers import ClaimedAnswer, PlaceIn, ProbeAnswer, ProbeIn, ProbesAnswer, probe_answer
from service.api.probe_standing import probes_standing
from service.api.problems import documented
from service.api.requests import KeyCursor, PageSize, PartsDep
from service.api.sign_in import SignedIn
from service.errors import BadUse, NotFound
from service.ingest.claims import Claim, claim_probe
from service.ingest.taking_in import Taken
from service.model import to_ms
from service.store.facts import ProbeFact, RoomFacts
from service.store.placements import Entry, channel_row, enclosure_row, move_channel

router = APIRouter(prefix=PREFIX, tags=["probes"])
ProbeKey = Annotated[str, Path(max_length=64)]


def probe_named(facts: RoomFacts, key: str) -> ProbeFact:
    """Return the probe of that key.

    Raises
    ------
    NotFound
        When there is none in use.
    """
    found = next((probe for probe in facts.probes.values() if probe.key == key), None)
    if found is None:
        raise NotFound(f"there is no probe '{key[:80]}'")
    return found


def claim(parts: Parts, session: Session, wanted: Claim, by: str) -> Taken:
    """Enter a probe and take in what it said; raises as `service.ingest.claims.claim_probe`."""
    return claim_probe(session, wanted, by, parts.now(), parts.settings.keep_refused)


def move(
    session: Session,
    facts: RoomFacts,
    probe: ProbeFact,
    place: tuple[str, str] | None,
    quantities: list[str] | None,
    from_at: datetime | None,
    entry: Entry,
) -> None:
    """Let channels of a probe stand elsewhere: those of these quantities, else all that are placed.

    Raises
    ------
    BadUse, Refused
        As `service.store.placements.move_channel`; there is no such enclosure; the probe has no such channel.
    """
    where = None
    if place is not None:
        enclosure = enclosure_row(session, place[0])
        if enclosure is None:
            raise BadUse(f"enclosure: there is none called '{place[0][:80]}'")
        where = (enclosure, place[1])
    own = [facts.channels[channel] for channel in probe.channels]
    placed = [channel.quantity for channel in own if channel.placement_at(to_ms(entry.at))]
    wanted = placed if quantities is None else quantities
    if not wanted:
        raise BadUse("quantities: the probe stands nowhere; say which of its quantities are placed")
    for quantity in wanted:
        row = channel_row(session, f"{probe.key}/{quantity}")
        if row is None:
            raise BadUse(f"quantities: {probe.key} has no {quantity}")
        move_channel(session, row, where, from_at or entry.at, entry)


@router.get("/probes", responses=documented(401, 403, 422, 503))
def list_probes(parts: PartsDep, cursor: KeyCursor = None, limit: PageSize = 100) -> ProbesAnswer:
    """Return how the probes are, by id."""
    with parts.store.read() as session:
        facts = parts.facts(session)
        probes = sorted(facts.probes.values(), key=lambda probe: probe.key)
        rest = [probe for probe in probes if cursor is None or probe.key > cursor]
        standing = probes_standing(session, facts, parts.rhythms, parts.now(), rest[:limit])
    page = sorted((probe_answer(one) for one in standing), key=lambda answer: answer.id)
    return ProbesAnswer(probes=page, next=page[-1].id if len(rest) > limit else None)


@router.get("/probes/{probe_id}", responses=documented(401, 403, 404, 422, 503))
def get_probe(parts: PartsDep, probe_id: ProbeKey) -> ProbeAnswer:
    """Return how a probe is."""
    return _answer(parts, probe_id)


@router.post("/probes", status_code=201, responses=documented(400, 401, 403, 409, 413, 422, 503))
def post_probe(parts: PartsDep, person: SignedIn, body: ProbeIn) -> ClaimedAnswer:
    """Enter a probe; what it has said so far is taken in, each reading once. 409: there is one of that id or name."""
    with parts.store.write() as session:
        taken = claim(parts, session, body.claim(), person.name)
    parts.wake.notify()
    return ClaimedAnswer(id=body.id, messages=taken.messages, readings=taken.readings, refused=taken.refused)


@router.post("/probes/{probe_id}/place", responses=documented(400, 401, 403, 404, 409, 413, 422, 503))
def post_place(parts: PartsDep, person: SignedIn, probe_id: ProbeKey, body: PlaceIn) -> ProbeAnswer:
    """Let a probe stand elsewhere from a time on; where it stood before stays on record. 409: it stands there."""
    if (body.enclosure is None) != (body.zone is None):
        raise BadUse("enclosure: give enclosure and zone together, or neither")
    place = None if body.enclosure is None or body.zone is None else (body.enclosure, body.zone)
    with parts.store.write() as session:
        facts = parts.facts(session)
        entry = Entry(person.name, parts.now())
        move(session, facts, probe_named(facts, probe_id), place, body.quantities, body.from_, entry)
    parts.wake.notify()
    return _answer(parts, probe_id)


def _answer(parts: Parts, key: str) -> ProbeAnswer:
    with parts.store.read() as session:
        facts = parts.facts(session)
        (standing,) = probes_standing(session, facts, parts.rhythms, parts.now(), [probe_named(facts, key)])
    return probe_answer(standing)

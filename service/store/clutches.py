"""Clutches: laid, counted, put somewhere, and what came of them; corrected without losing what stood before."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

import sqlalchemy as sa
from sqlmodel import Session, select

from sensors.quantities import nearest
from service.errors import BadUse, NotFound, Refused
from service.model import ZONES, Change, Clutch, ClutchPlace, ClutchRecord, table_of, to_ms
from service.store import dated
from service.store.facts import Since, current
from service.store.names import findable, tidy_name, tidy_text
from service.store.readings import END_OF_TIME

_CLUTCH = table_of(Clutch)
MOST_EGGS: Final = 100_000
_COLDEST, _HOTTEST = -10.0, 60.0
_MOST_DEGREE_DAYS: Final = 100_000.0


@dataclass(frozen=True, slots=True)
class ClutchPlaceFact(Since):
    """A clutch in a zone of an enclosure in [start_ms, end_ms)."""

    id: int
    enclosure_id: int
    zone: str


@dataclass(frozen=True, slots=True)
class ClutchTerms:
    """What is known of a clutch.

    Attributes
    ----------
    eggs : int
    base : float or None
        Below it the eggs do not develop. [°C]
    needed_low, needed_high : float or None
        From laying to hatching. [°C d]
    basis : str
        Where those are from.
    """

    eggs: int
    base: float | None = None
    needed_low: float | None = None
    needed_high: float | None = None
    basis: str = ""


@dataclass(frozen=True, slots=True)
class ClutchFact:
    """A clutch with its record and its places in order of time; `ended_ms` is None while it lies."""

    id: int
    name: str
    species: str
    mother_id: int | None
    record_id: int
    laid_ms: int
    ended_ms: int | None
    terms: ClutchTerms
    outcome: str | None
    hatched: int | None
    places: tuple[ClutchPlaceFact, ...]

    def place_at(self, at_ms: int) -> ClutchPlaceFact | None:
        """Return where it lay at that time."""
        return next((p for p in reversed(self.places) if p.holds_at(at_ms)), None)


def load_clutches(session: Session) -> list[ClutchFact]:
    """Return every clutch, the one that was laid last first."""
    records = {row.clutch_id: row for row in current(session, ClutchRecord)}
    places: dict[int, list[ClutchPlace]] = {}
    for place in current(session, ClutchPlace):
        places.setdefault(place.clutch_id, []).append(place)
    rows = session.exec(select(Clutch)).all()
    found = [_fact(row, records[row.id or 0], places.get(row.id or 0, ())) for row in rows if row.id in records]
    return sorted(found, key=lambda clutch: (-clutch.laid_ms, clutch.name))


def _fact(row: Clutch, record: ClutchRecord, places: Iterable[ClutchPlace]) -> ClutchFact:
    terms = ClutchTerms(record.eggs, record.base, record.needed_low, record.needed_high, record.basis)
    ended = None if record.until_at is None else to_ms(record.until_at)
    lain = tuple(
        ClutchPlaceFact(
            to_ms(p.from_at),
            END_OF_TIME if p.until_at is None else to_ms(p.until_at),
            p.id or 0,
            p.enclosure_id,
            p.zone,
        )
        for p in places
    )
    return ClutchFact(
        row.id or 0, row.name, row.species, row.mother_id, record.id or 0, to_ms(record.from_at), ended, terms,
        record.outcome, record.hatched, lain,
    )  # fmt: skip


def _place(row: ClutchPlace) -> ClutchPlaceFact:
    end = END_OF_TIME if row.until_at is None else to_ms(row.until_at)
    return ClutchPlaceFact(to_ms(row.from_at), end, row.id or 0, row.enclosure_id, row.zone)


def clutch_named(session: Session, name: str) -> ClutchFact:
    """Return a clutch by its name.

    Raises
    ------
    NotFound
        When there is none; the sentence names the nearest one.
    """
    wanted = findable(name)
    for clutch in load_clutches(session):
        if clutch.name == wanted:
            return clutch
    known = list(session.execute(sa.select(_CLUTCH.c.name)).scalars())
    hint = nearest(name, known) if known else "no clutch was entered yet"
    raise NotFound(f"there is no clutch '{name[:80]}': {hint[:200]}")


@dataclass(frozen=True, slots=True)
class NewClutch:
    """A clutch to be entered, and where it lies."""

    name: str
    species: str
    laid_at: datetime
    terms: ClutchTerms
    enclosure_id: int | None = None
    zone: str = "egg-chamber"
    mother_id: int | None = None


def add_clutch(session: Session, new: NewClutch, by: str, now: datetime) -> Clutch:
    """Enter a clutch.

    Raises
    ------
    BadUse
        A name, number or time that cannot be.
    Refused
        The name is taken.
    """
    name, species = tidy_name(new.name), tidy_name(new.species, "species")
    terms = _checked(new.terms)
    if new.laid_at > now:
        raise BadUse("a clutch is entered once it was laid: the time lies in the future")
    if session.execute(sa.select(_CLUTCH.c.id).where(_CLUTCH.c.name == name)).first():
        raise Refused(f"there is a clutch '{name}' already; give each its own name, such as '{name} 2'")
    row = Clutch(name=name, species=species, mother_id=new.mother_id)
    session.add(row)
    session.flush()
    identity = row.id or 0
    session.add(
        ClutchRecord(
            clutch_id=identity, from_at=new.laid_at, eggs=terms.eggs, base=terms.base, needed_low=terms.needed_low,
            needed_high=terms.needed_high, basis=terms.basis, entered_by=by, entered_at=now,
        )
    )  # fmt: skip
    if new.enclosure_id is not None:
        move_clutch(session, identity, new.enclosure_id, new.zone, new.laid_at, by, now)
    session.add(Change(at=now, by=by, subject=f"clutch {name}", before=None, after={"eggs": terms.eggs}))
    return row


def _checked(terms: ClutchTerms) -> ClutchTerms:
    if not 1 <= terms.eggs <= MOST_EGGS:
        raise BadUse(f"eggs: {terms.eggs} is none; a clutch has at least 1")
    if terms.base is not None and not (math.isfinite(terms.base) and _COLDEST <= terms.base <= _HOTTEST):
        raise BadUse(f"base: {terms.base:g} °C is no temperature of eggs; expected {_COLDEST:g} to {_HOTTEST:g}")
    for name in ("needed_low", "needed_high"):
        needed = getattr(terms, name)
        if needed is not None and not (math.isfinite(needed) and 0 < needed <= _MOST_DEGREE_DAYS):
            raise BadUse(f"{name}: {needed:g} degree-days cannot be; expected more than 0")
    if terms.needed_low is not None and terms.needed_high is not None and terms.needed_low > terms.needed_high:
        raise BadUse(f"needed_low is {terms.needed_low:g}, more than needed_high, {terms.needed_high:g}")
    if (terms.needed_low is not None or terms.needed_high is not None) and terms.base is None:
        raise BadUse("base: degree-days are counted above a base temperature; give it too")
    return replace(terms, basis=tidy_text(terms.basis, "basis"))


def correct_clutch(
    session: Session, clutch: ClutchFact, laid_at: datetime, terms: ClutchTerms, by: str, now: datetime
) -> None:
    """Put right when a clutch was laid, its count or what it needs; what was entered before stays.

    Raises
    ------
    BadUse
        A number or time that cannot be.
    """
    if laid_at > now or (clutch.ended_ms is not None and to_ms(laid_at) >= clutch.ended_ms):
        raise BadUse("a clutch is laid in the past, and before it hatches or fails: look at the time")
    terms = _checked(terms)
    row = dated.standing(session, ClutchRecord, clutch.record_id, "clutch record")
    dated.replace(
        session, row, by, now, from_at=laid_at, eggs=terms.eggs, base=terms.base, needed_low=terms.needed_low,
        needed_high=terms.needed_high, basis=terms.basis,
    )  # fmt: skip
    if clutch.places and clutch.places[0].start_ms == clutch.laid_ms:
        first = dated.standing(session, ClutchPlace, clutch.places[0].id, "clutch place")
        dated.replace(session, first, by, now, from_at=laid_at)


def move_clutch(
    session: Session, clutch_id: int, enclosure_id: int, zone: str, at: datetime, by: str, now: datetime
) -> None:
    """Put a clutch into a zone of an enclosure: where it lay until then ends at that instant.

    Raises
    ------
    BadUse
        No such zone, or a time in the future.
    Refused
        It was moved at or after that time already, or is over.
    """
    if zone not in ZONES:
        raise BadUse(f"zone: there is no '{zone[:40]}': {nearest(zone, list(ZONES))}")
    if at > now:
        raise BadUse("a clutch cannot have been moved at a time that is still to come")
    rows = dated.counting(dated.versions(session, ClutchPlace, clutch_id=clutch_id))
    for row in rows:
        if row.from_at >= at:
            raise Refused("the clutch was moved at or after that time already")
        if row.until_at is None or row.until_at > at:
            dated.replace(session, row, by, now, until_at=at)
    session.add(
        ClutchPlace(
            clutch_id=clutch_id, enclosure_id=enclosure_id, zone=zone, from_at=at, entered_by=by, entered_at=now
        )
    )
    session.flush()


def end_clutch(
    session: Session, clutch: ClutchFact, outcome: str, hatched: int | None, at: datetime, by: str, now: datetime
) -> None:
    """Note what came of a clutch; it can be noted again, and the first outcome stays in the store.

    Raises
    ------
    BadUse
        No such outcome, more hatched than were laid, or a time before laying or in the future.
    """
    if outcome not in ClutchRecord.OUTCOMES:
        raise BadUse(f"outcome: expected {', '.join(ClutchRecord.OUTCOMES)}, got '{outcome[:40]}'")
    if not clutch.laid_ms < to_ms(at) or at > now:
        raise BadUse("an outcome lies after laying, and not in the future: look at the time")
    if hatched is not None and not 0 <= hatched <= clutch.terms.eggs:
        raise BadUse(f"hatched: {hatched} of {clutch.terms.eggs} eggs cannot be")
    row = dated.standing(session, ClutchRecord, clutch.record_id, "clutch record")
    dated.replace(session, row, by, now, until_at=at, outcome=outcome, hatched=hatched)
    for place in dated.counting(dated.versions(session, ClutchPlace, clutch_id=clutch.id)):
        if place.until_at is None and place.from_at < at:
            dated.replace(session, place, by, now, until_at=at)

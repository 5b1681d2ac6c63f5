"""An enclosure's days, assessed; those that are over are kept, and worked out again when what they rest on changed.

Two fingerprints stand beside a kept day. One is of the facts and of the store's marks: it is told without reading a
reading, and while it stands the day stands. When it does not, the readings are read, and the other, of everything that
the checks were given, says whether the day must be assessed again: a reading that came late but elsewhere changes
nothing.
"""

import hashlib
import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache
from importlib import resources
from typing import Final

import orjson

from service.climate.assessment import assess_day
from service.errors import StoreUnusable
from service.lookback.bodies import Body, body_of
from service.lookback.inputs import DayReadings, day_readings, days_from, read_tapes
from service.lookback.plan import LEAD_MS, DayPlan, plan_day
from service.lookback.verdict_changes import changed_verdicts
from service.store.assessments import DayMarks, KeptDay, keep_days, kept_days
from service.store.engine import Store
from service.store.facts import EnclosureFact, RoomFacts
from service.store.programme import Programme
from service.store.verdict_changes import Changed, note_changes

CHUNK_DAYS: Final = 60
"""So many days are read at a time: memory stays bounded whatever the span."""
_DIGEST: Final = hashlib.sha256().digest_size
_MADE_BY: Final = ("service.climate", "service.lookback")


@dataclass(frozen=True, slots=True)
class AssessedDay:
    """A day, and the digest of everything that it was assessed from."""

    body: Body
    inputs: bytes


@dataclass(frozen=True, slots=True)
class AssessedDays:
    """Days in order, and how many of them had to be assessed anew."""

    days: tuple[AssessedDay, ...]
    recomputed: int


@cache
def code_digest() -> bytes:
    """Return a digest of the checks themselves: a day that older checks assessed is assessed again."""
    digest = hashlib.sha256()
    for package in _MADE_BY:
        for file in sorted(resources.files(package).iterdir(), key=lambda f: f.name):
            if file.name.endswith(".py"):
                digest.update(file.read_bytes())
    return digest.digest()


def assessed_days(
    store: Store,
    facts: RoomFacts,
    enclosure: EnclosureFact,
    first: date,
    last: date,
    now_ms: int,
    progress: Callable[[int], None] = lambda _: None,
    *,
    kept_too: bool = True,
) -> AssessedDays:
    """Assess the local days of an enclosure from `first` to `last`, both included.

    Parameters
    ----------
    store : Store
        Days that are over are kept in it; where it cannot be written, they are assessed all the same.
    facts : RoomFacts
    enclosure : EnclosureFact
        In use or retired.
    first, last : date
        Local. Days that have not begun are left out.
    now_ms : int
        What lies later is not known yet. [ms since 1970, UTC]
    progress : callable
        Told how many further days are done.
    kept_too : bool
        False assesses every day anew from its readings, and keeps nothing: a report is verified so.
    """
    programme = Programme(facts, enclosure)
    plans = [plan_day(facts, enclosure, programme, day) for day in days_from(first, last)]
    plans = [plan for plan in plans if plan.start_ms < now_ms]
    with store.read() as session:
        kept = kept_days(session, enclosure.id, first, last) if kept_too else {}
        marks = DayMarks(session, {p.fact.id for plan in plans for p in plan.placed})
    prints = {plan.day: _fingerprint(plan, marks) for plan in plans}
    stale = [p for p in plans if p.day not in kept or kept[p.day].fingerprint != prints[p.day]]
    fresh = {p.day for p in plans} - {p.day for p in stale}
    days = {
        day: AssessedDay(orjson.loads(zlib.decompress(kept[day].body)), kept[day].inputs[:_DIGEST]) for day in fresh
    }
    progress(len(fresh))
    recomputed = 0
    for chunk in _chunks(stale):
        recomputed += _assess(store, enclosure, chunk, kept, prints, days, now_ms, keep=kept_too)
        progress(len(chunk))
    return AssessedDays(tuple(days[plan.day] for plan in plans), recomputed)


def _assess(
    store: Store,
    enclosure: EnclosureFact,
    chunk: Sequence[DayPlan],
    kept: dict[date, KeptDay],
    prints: dict[date, bytes],
    days: dict[date, AssessedDay],
    now_ms: int,
    *,
    keep: bool,
) -> int:
    """Assess stale days and keep those that are over; return how many had to be."""
    with store.read() as session:
        tapes = read_tapes(session, chunk)
    to_keep: list[KeptDay] = []
    changed: list[Changed] = []
    recomputed = 0
    for plan in chunk:
        readings = day_readings(plan, tapes, now_ms)
        inputs = _inputs(readings)
        before, made = kept.get(plan.day), inputs + code_digest()
        if before is not None and before.inputs == made:
            packed = before.body
            days[plan.day] = AssessedDay(orjson.loads(zlib.decompress(packed)), inputs)
        else:
            recomputed += 1
            plain = orjson.dumps(body_of(enclosure.key, readings, assess_day(readings.given)))
            packed = zlib.compress(plain, 1)
            if before is not None:
                changed += changed_verdicts(before, orjson.loads(plain), inputs)
            days[plan.day] = AssessedDay(orjson.loads(plain), inputs)
        if readings.over:
            to_keep.append(KeptDay(plan.day, prints[plan.day], made, packed))
    if keep:
        _keep(store, enclosure, to_keep, changed, now_ms)
    return recomputed


def _keep(
    store: Store, enclosure: EnclosureFact, days: Sequence[KeptDay], changed: Sequence[Changed], now_ms: int
) -> None:
    try:
        with store.write() as session:
            keep_days(session, enclosure.id, days)
            note_changes(session, enclosure.id, changed, now_ms)
    except StoreUnusable:
        # The days are assessed; that they cannot be kept costs time the next time, and nothing else.
        return


def _chunks(plans: Sequence[DayPlan]) -> Iterator[list[DayPlan]]:
    """Yield runs of days that follow one another, none longer than `CHUNK_DAYS`."""
    run: list[DayPlan] = []
    for plan in plans:
        if run and (len(run) == CHUNK_DAYS or plan.day.toordinal() != run[-1].day.toordinal() + 1):
            yield run
            run = []
        run.append(plan)
    if run:
        yield run


def _fingerprint(plan: DayPlan, marks: DayMarks) -> bytes:
    """Return the digest of what a day rests on, as it can be told without its readings."""
    written = [marks.of(p.fact.id, p.read_from_ms, p.end_ms) for p in plan.placed]
    return hashlib.sha256(code_digest() + plan.told().encode() + repr(written).encode()).digest()


def _inputs(readings: DayReadings) -> bytes:
    """Return the digest of everything that the checks and the gaps are made of."""
    given = readings.given
    head = (
        given.date, given.zone_name, given.start_ms, given.end_ms, given.photoperiod, sorted(given.targets.items()),
        given.cycles, given.now_ms, given.lit_above_lux,
        sorted((at, sorted(d.items())) for at, d in given.doubts.items()),
        [(c.key, c.quantity, c.zone, c.uncertainty, c.repeat_uncertainty, c.resolution) for c in given.channels],
    )  # fmt: skip
    digest = hashlib.sha256(repr(head).encode())
    first, last = given.start_ms - LEAD_MS, given.now_ms
    for heard in readings.heard:
        placed = heard.placed
        where = (placed.fact.key, placed.zone, max(placed.start_ms, first), min(placed.end_ms, last), heard.cadence_ms)
        digest.update(repr(where).encode())
        for array in heard.between(first, last):
            digest.update(array.tobytes())
    return digest.digest()

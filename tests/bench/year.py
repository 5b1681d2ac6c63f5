"""A look-back of a year, of which nothing was looked at before."""

import time

from service.lookback.report import enclosure_report, to_bytes
from service.lookback.spans import enclosure_of, span_of
from service.model import from_ms
from service.store.blocks import DAY_MS
from service.store.engine import Store, open_store
from service.store.facts import RoomFacts, load_facts
from service.store.readings import read_readings
from tests.bench.figures import BenchError, Figure, Subject, Target, Tell, in_turn
from tests.bench.rooms import breeding_room, database_of, furnished, scratch
from tests.bench.sealed_rooms import START_MS, seal_into, years

_DAYS, _EVERY_MS, _MOST_S = 365, 60_000, 2.0
_END_MS = START_MS + _DAYS * DAY_MS
ABOUT = """\
The look-back of an enclosure over 2026: four channels at 60 s, 2.1 million sealed readings. *Ours* is
`enclosure_report` as JSON from a store that was just opened, in which no day has been assessed before: what is kept of
days is deleted before each run. The *bare limit* reads the same readings to arrays by `read_readings` and does nothing
with them."""


def measure(pairs: int, tell: Tell) -> list[Figure]:
    """Return the one figure."""
    with scratch() as folder:
        store = furnished(folder, breeding_room(1))
        with store.read() as session:
            facts = load_facts(session)
        tell("sealing a year")
        for number in facts.channels:
            seal_into(store, number, years(_DAYS, _EVERY_MS, seed=number))
        store.close()
        url = database_of(folder)
        measured = in_turn(lambda: _ours(url), lambda: _bare(url), pairs, tell)
    target = Target(f"under {_MOST_S:.0f} s", lambda pairs: max(pairs.ours) < _MOST_S)
    return [Figure("Look-back of a year, cold", "s", measured, target, f"{4 * _DAYS * 1440:,} readings", digits=2)]


SUBJECT = Subject("year", ABOUT, measure, pairs=3)


def _ours(url: str) -> float:
    store = open_store(url)
    with store.write() as session:
        session.connection().exec_driver_sql("DELETE FROM assessment_day")
    store.close()
    began = time.perf_counter()
    store, facts = _opened(url)
    span = span_of("2026-01-01", "2026-12-31", facts.zone, from_ms(_END_MS))
    enclosure = enclosure_of(facts, next(iter(facts.by_key)))
    body = to_bytes(enclosure_report(store, facts, enclosure, span, _END_MS))
    took = time.perf_counter() - began
    store.close()
    if body.count(b'"date"') < _DAYS:
        raise BenchError("the look-back has not all days")
    return took


def _bare(url: str) -> float:
    began = time.perf_counter()
    store, facts = _opened(url)
    with store.read() as session:
        for number in facts.channels:
            read_readings(session, number, START_MS, _END_MS)
    took = time.perf_counter() - began
    store.close()
    return took


def _opened(url: str) -> tuple[Store, RoomFacts]:
    store = open_store(url)
    with store.read() as session:
        return store, load_facts(session)

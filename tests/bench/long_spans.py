"""Months and years of one sealed channel: to arrays, and to the points of a chart."""

import sqlite3
import time
from contextlib import closing
from pathlib import Path
from statistics import median

import httpx

from sensors.simulator import Scene
from service.store.blocks import DAY_MS
from service.store.engine import Store
from service.store.facts import ChannelFact, RoomFacts, load_facts
from service.store.history import chart_series, placements_in
from service.store.readings import read_readings
from tests.bench.figures import BenchError, Figure, Pairs, Subject, Target, Tell, in_turn
from tests.bench.rooms import breeding_room, furnished, scratch
from tests.bench.sealed_rooms import START_MS, seal_into, years
from tests.bench.serving import serving

_DAYS, _DECADE, _EVERY_MS, _MINUTE_MS, _POINTS = 90, 3_653, 30_000, 60_000, 2_000
_MOST_ARRAYS, _MOST_HTTP, _MOST_DECADE = 8.0, 25.0, 300.0
ABOUT = """\
One channel, sealed, in SQLite, the file in the page cache. *To arrays*: `read_readings` of 90 days at 30 s, with each
block's checksum compared. *Over HTTP*: `GET /api/v1/enclosures/…/series` for the same span and 2,000 points, asked of a
running `wardian up` on loopback by a client that stays connected. *Ten years*: `chart_series` of ten years at 60 s for
2,000 points, by way of the days' summaries. The *bare limit* of all three is sqlite3's fetch of the same blocks' bytes,
and nothing done with them."""


def measure(pairs: int, tell: Tell) -> list[Figure]:
    """Return the three figures."""
    scene = breeding_room(1)
    with scratch() as folder:
        store = furnished(folder, scene)
        with store.read() as session:
            facts = load_facts(session)
        short, long = (facts.channels[number] for number in sorted(facts.channels)[:2])
        tell("sealing 90 days and ten years")
        seal_into(store, short.id, years(_DAYS, _EVERY_MS, seed=1))
        seal_into(store, long.id, years(_DECADE, _MINUTE_MS, seed=2))
        bare = _Bare(folder)
        arrays = in_turn(lambda: _arrays(store, short), lambda: bare.milliseconds(short), pairs, tell)
        decade = in_turn(lambda: _chart(store, facts, long), lambda: bare.milliseconds(long), pairs, tell)
        store.close()
    answered = _over_http(scene, short, pairs, tell)
    readings = f"{_DAYS * DAY_MS // _EVERY_MS:,} readings"
    return [
        Figure(f"{_DAYS} sealed days at 30 s to arrays", "ms", arrays, _under(_MOST_ARRAYS), readings, digits=1),
        Figure("The same as 2,000 points over HTTP", "ms", answered, _under(_MOST_HTTP), digits=1),
        Figure("Ten sealed years at 60 s as 2,000 points", "ms", decade, _under(_MOST_DECADE), digits=1),
    ]


SUBJECT = Subject("spans", ABOUT, measure, pairs=25)


def _under(most: float) -> Target:
    return Target(f"median under {most:.0f} ms", lambda pairs: median(pairs.ours) < most)


def _arrays(store: Store, channel: ChannelFact) -> float:
    began = time.perf_counter()
    with store.read() as session:
        found = read_readings(session, channel.id, START_MS)
    took = time.perf_counter() - began
    if len(found) != _DAYS * DAY_MS // _EVERY_MS:
        raise BenchError(f"{len(found)} readings were read")
    return took * 1000


def _chart(store: Store, facts: RoomFacts, channel: ChannelFact) -> float:
    enclosure = facts.enclosures[channel.placements[0].enclosure_id]
    end = START_MS + _DECADE * DAY_MS
    placements = [one for one in placements_in(facts, enclosure, START_MS, end) if one.channel_id == channel.id]
    began = time.perf_counter()
    with store.read() as session:
        (series,) = chart_series(session, facts, placements, START_MS, end, _POINTS)
    took = time.perf_counter() - began
    if series.readings != _DECADE * DAY_MS // _MINUTE_MS:
        raise BenchError(f"{series.readings} readings were counted")
    return took * 1000


def _over_http(scene: Scene, channel: ChannelFact, pairs: int, tell: Tell) -> Pairs:
    month = years(_DAYS, _EVERY_MS, seed=1)
    asked = {
        "zone": channel.placements[0].zone, "quantity": channel.quantity, "from": "2026-01-01T00:00:00Z",
        "to": "2026-04-01T00:00:00Z", "points": str(_POINTS),
    }  # fmt: skip
    with (
        scratch() as folder,
        serving(folder, scene, fill=lambda store: seal_into(store, channel.id, month)) as service,
        httpx.Client(timeout=60) as client,
    ):
        path, bare = f"{service.url}/api/v1/enclosures/{scene.enclosures[0].id}/series", _Bare(folder)

        def ours() -> float:
            began = time.perf_counter()
            answer = client.get(path, params=asked)
            took = time.perf_counter() - began
            if sum(one["readings"] for one in answer.raise_for_status().json()["series"]) != len(month):
                raise BenchError("the answer is not about all readings")
            return took * 1000

        return in_turn(ours, lambda: bare.milliseconds(channel), pairs, tell)


class _Bare:
    """Fetches a channel's blocks and does nothing with them."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / "data" / "wardian.db"

    def milliseconds(self, channel: ChannelFact) -> float:
        with closing(sqlite3.connect(self._path)) as database:
            began = time.perf_counter()
            database.execute(
                "SELECT day, readings, checksum, body FROM reading_block WHERE channel_id = ? ORDER BY day",
                (channel.id,),
            ).fetchall()
            return (time.perf_counter() - began) * 1000

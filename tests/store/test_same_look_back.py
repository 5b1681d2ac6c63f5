"""Whatever way a room goes - sealed, backed up and restored, moved - its look-backs are the same, byte for byte."""

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from sensors.simulator import SimulatedRoom, random_scene, room_toml
from service.demo import store_history
from service.lookback.report import enclosure_report, to_bytes
from service.lookback.spans import enclosure_of, span_of
from service.lookback.text import text_of
from service.model import to_ms
from service.roomfile.applying import apply_room_file
from service.roomfile.reading import parse_room_file
from service.store.backup import back_up
from service.store.blocks import DAY_MS
from service.store.engine import Store, open_store
from service.store.facts import load_facts
from service.store.moving import move_store
from service.store.restoring import restore
from service.store.sealing import QUIET_MS, Sealer
from service.watch.history import record_history

START = datetime(2026, 3, 6, tzinfo=UTC)  # the clocks of this room's New York change on the third day
START_MS, DAYS = to_ms(START), 5
END_MS = START_MS + DAYS * DAY_MS


def look_back(store: Store) -> dict[str, bytes]:
    """Return what `wardian lookback` writes for every enclosure, in both formats."""
    with store.read() as session:
        facts = load_facts(session)
    found = {}
    for key in sorted(facts.by_key):
        span = span_of("2026-03-06", "2026-03-09", facts.zone, START)
        report = enclosure_report(store, facts, enclosure_of(facts, key), span, END_MS)
        found |= {f"{key}.json": to_bytes(report), f"{key}.txt": text_of(report).encode()}
    return found


def look_back_at(url: str) -> dict[str, bytes]:
    store = open_store(url)
    try:
        return look_back(store)
    finally:
        store.close()


@pytest.mark.timeout(180)
def test_a_room_is_looked_back_on_alike_however_its_days_are_kept(
    tmp_path: Path, new_postgresql: Callable[[], str]
) -> None:
    url = f"sqlite:///{tmp_path}/wardian.db"
    store = open_store(url)
    scene = random_scene(np.random.default_rng(21), START_MS, 2, float(DAYS))
    apply_room_file(store, parse_room_file(room_toml(scene)), by="a test", now=START)
    assert sum(store_history(store, SimulatedRoom(scene, seed=21), START_MS, END_MS))
    record_history(store, START_MS, END_MS)
    expected = look_back(store)
    assert len(expected) == 4
    assert all(len(written) > 1_500 for written in expected.values())
    # Whether sealed before or after, whether days were assessed before or are assessed anew.
    assert list(Sealer(store).run(END_MS - 2 * DAY_MS + QUIET_MS, lambda _: None))
    assert look_back(store) == expected
    back_up(store, tmp_path / "room.zip")
    with store.write() as session:
        session.connection().exec_driver_sql("DELETE FROM assessment_day")
    assert look_back(store) == expected
    store.close()
    server, restored, moved = new_postgresql(), f"sqlite:///{tmp_path}/restored.db", f"sqlite:///{tmp_path}/moved.db"
    for target in (restored, server):
        restore(tmp_path / "room.zip", target, lambda _manifest, _site: False, lambda _doing, _share: None)
        assert look_back_at(target) == expected
    move_store(server, moved)
    assert look_back_at(moved) == expected

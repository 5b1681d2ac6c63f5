"""What the watch remembers is saved with few statements, however many channels and enclosures a site has."""

import sqlalchemy as sa

from service.store.alarms import (
    WatchMemory,
    enclosure_memories,
    save_enclosure_memories,
    save_watch_memories,
    watch_memories,
)
from service.store.engine import Store
from tests.builders import a_probe, a_site, an_enclosure

MANY = 40


def test_a_whole_site_is_remembered_at_once_and_anew(store: Store) -> None:
    with store.write() as session:
        a_site(session)
        enclosures = [an_enclosure(session, f"rack-a-{number}").id or 0 for number in range(MANY)]
        channels = [a_probe(session, f"probe-{number}")[0] for number in range(MANY)]
    for turn in (1, 2):
        statements: list[str] = []
        with store.write() as session:
            bind = session.connection()
            sa.event.listen(bind, "before_cursor_execute", lambda *told, heard=statements: heard.append(told[2]))
            save_watch_memories(session, [WatchMemory(one, turn, {"turn": turn}) for one in channels])
            save_enclosure_memories(session, {one: {"turn": turn, "of": one} for one in enclosures})
        assert 0 < len(statements) <= 4
        with store.read() as session:
            kept = {memory.channel_id: (memory.at_ms, memory.memory) for memory in watch_memories(session)}
            assert kept == dict.fromkeys(channels, (turn, {"turn": turn}))
            assert enclosure_memories(session) == {one: {"turn": turn, "of": one} for one in enclosures}


def test_nothing_to_remember_is_no_statement_at_all(store: Store) -> None:
    with store.write() as session:
        save_watch_memories(session, [])
        save_enclosure_memories(session, {})
    with store.read() as session:
        assert watch_memories(session) == []

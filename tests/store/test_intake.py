"""What the intake keeps of messages that nobody can read, and the number of a store's session."""

import string
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import numpy as np

from service.store.engine import Store
from service.store.intake import LONGEST_TOPIC, Refusal, installation_number, keep_refusals, refused_topics
from tests.builders import NOON


def _long_topic(length: int) -> str:
    """Return a topic that no database can make shorter by packing it."""
    letters = np.frombuffer((string.ascii_letters + string.digits).encode(), np.uint8)
    return "probes/" + np.random.default_rng(length).choice(letters, length).tobytes().decode()


def test_a_topic_that_no_index_holds_is_cut_and_counted(store: Store) -> None:
    topic = _long_topic(60_000)
    with store.write() as session:
        keep_refusals(session, [Refusal(NOON, topic, b"?", "no number")] * 2, 100)
    with store.read() as session:
        (found,) = refused_topics(session)
        assert found.count == 2
        assert found.topic == f"{topic[:LONGEST_TOPIC]}…"


def test_a_topic_with_a_zero_in_it_is_shown_without(store: Store) -> None:
    with store.write() as session:
        keep_refusals(session, [Refusal(NOON, "probes/a\0b", b"?", "no number")], 100)
    with store.read() as session:
        assert [found.topic for found in refused_topics(session)] == ["probes/a\N{REPLACEMENT CHARACTER}b"]


def test_a_store_keeps_the_number_it_was_given_first(store: Store) -> None:
    with store.write() as session:
        assert installation_number(session, 7) == 7
    with store.write() as session:
        assert installation_number(session, 8) == 7


def test_processes_that_meet_a_new_database_at_once_take_one_number(store: Store) -> None:
    together = Barrier(4)

    def number(fresh: int) -> int:
        together.wait(timeout=30)
        with store.write() as session:
            return installation_number(session, fresh)

    with ThreadPoolExecutor(4) as pool:
        assert len(set(pool.map(number, range(4)))) == 1

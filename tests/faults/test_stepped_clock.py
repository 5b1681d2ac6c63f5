"""What lasts for a time lasts no longer, and begins no second time, when the computer's clock is set meanwhile."""

from datetime import datetime, timedelta
from functools import cache

import pytest

from service.alarms.holding import end_overdue_holds, shelve, take_out_of_service
from service.alarms.record import Occurrence, record_raised
from service.model import Person, SignInTry
from service.people.passwords import kept
from service.people.sessions import BY_NAME, LONGEST, UNSEEN
from service.people.signing_in import Admitted, TurnedAway, sign_in, visitor_of
from service.store.alarms import get_alarm
from service.store.engine import Store
from service.store.holds import standing_holds
from service.store.processes import parts_elsewhere, report
from tests.builders import NOON, a_site, an_enclosure

HOUR, YEARS = timedelta(hours=1), timedelta(days=20_000)
PASSWORD = "nine dry stones"  # noqa: S105 - of nobody


@cache
def _kept() -> str:
    return kept(PASSWORD, b"s" * 16)


@pytest.fixture
def house(store: Store) -> Store:
    with store.write() as session:
        a_site(session)
        an_enclosure(session)
        session.add(Person(name="Kim", key="kim", role="keeper", password=_kept(), made_at=NOON, made_by="Kim"))
    return store


def signed_in(store: Store, now: datetime) -> str:
    admitted = sign_in(store, "Kim", PASSWORD, "192.0.2.7", now)
    assert isinstance(admitted, Admitted)
    return admitted.token


@pytest.mark.parametrize("lasted", [UNSEEN, LONGEST])
def test_a_session_that_is_over_does_not_begin_again(house: Store, lasted: timedelta) -> None:
    token = signed_in(house, NOON)
    assert visitor_of(house, token, NOON + HOUR) is not None
    assert visitor_of(house, token, NOON + lasted + HOUR) is None
    assert visitor_of(house, token, NOON + HOUR) is None


def test_a_session_of_a_time_far_ahead_is_over_and_an_hours_error_ends_none(house: Store) -> None:
    wrong = signed_in(house, NOON + YEARS)
    assert visitor_of(house, wrong, NOON) is None
    token = signed_in(house, NOON + HOUR)
    assert visitor_of(house, token, NOON) is not None
    assert visitor_of(house, token, NOON + HOUR + LONGEST) is None


def test_being_seen_at_a_time_far_ahead_keeps_no_session_alive(house: Store) -> None:
    token = signed_in(house, NOON)
    assert visitor_of(house, token, NOON + 10 * UNSEEN / 11) is not None
    assert visitor_of(house, token, NOON) is not None
    assert visitor_of(house, token, NOON + UNSEEN) is None


def test_tries_from_a_time_far_ahead_keep_nobody_out(house: Store) -> None:
    with house.write() as session:
        session.add_all([SignInTry(at=NOON + YEARS, key="kim", address="192.0.2.7") for _ in range(2 * BY_NAME.most)])
    assert isinstance(sign_in(house, "Kim", "not the stones", "192.0.2.7", NOON), TurnedAway)
    assert isinstance(sign_in(house, "Kim", PASSWORD, "192.0.2.7", NOON), Admitted)


def test_what_was_held_back_at_a_time_far_ahead_is_told_again(house: Store) -> None:
    with house.write() as session:
        place = "rack-a-1/basking"
        alarm = record_raised(session, Occurrence("basking-overheat", place, "high", NOON, NOON, enclosure_id=1), NOON)
        assert alarm is not None
        shelve(session, alarm.id or 0, "Kim", None, NOON + YEARS, NOON + YEARS + HOUR)
        assert get_alarm(session, 1).state == "shelved"
        assert end_overdue_holds(session, NOON) == 1
        assert get_alarm(session, 1).state == "unacknowledged"
        # An hour's error lets go of nothing.
        take_out_of_service(session, 1, "Kim", None, NOON + HOUR, NOON + 3 * HOUR)
        assert end_overdue_holds(session, NOON) == 0
        assert end_overdue_holds(session, NOON + 3 * HOUR) == 1
        assert standing_holds(session) == []


def test_a_process_that_spoke_at_a_time_ahead_and_never_since_is_named(house: Store) -> None:
    with house.write() as session:
        report(session, "watch a", {"watch": (True, "watching")}, {}, NOON + HOUR)
    with house.read() as session:
        assert parts_elsewhere(session, "web", NOON)["watch"][0] is False
    with house.write() as session:
        report(session, "watch b", {"watch": (True, "watching")}, {}, NOON)
        assert parts_elsewhere(session, "web", NOON) == {"watch": (True, "watching (watch b)")}

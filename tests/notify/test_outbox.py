"""The outbox: nothing is lost and nothing is told twice, whatever routes, workers and the clock do."""

import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import pytest

from service.alarms.record import Deed, Occurrence, record_raised, record_returned
from service.model import Contact, to_ms
from service.notify.pace import Pace, wait_after
from service.notify.self_watch import SelfWatch
from service.store.alarms import find_alarm, transitions_of
from service.store.deliveries import claim, message_counts, route_states
from service.store.engine import Store, open_store
from service.watch.conditions import CONDITIONS
from tests.builders import wait_until
from tests.notify.receivers import HookServer, Mailbox
from tests.notify.telling_room import QUICK, TellingRoom, raised_in

PRIORITIES = {key: one.priority for key, one in CONDITIONS.items()}


def self_watch(room: TellingRoom) -> SelfWatch:
    return SelfWatch(room.store, lambda: to_ms(room.now), dict, PRIORITIES, lambda: None, lambda: None, room.pace)


def test_what_a_route_does_not_take_is_tried_again_ever_later_and_gets_through_in_one_message(
    room: TellingRoom, hook: HookServer
) -> None:
    hook.status = 500
    room.contact("Ana", hook.route)
    room.raise_(1)
    room.pass_time(60)
    tries = len(hook.posts)
    assert 4 <= tries <= 8
    room.raise_(2)
    room.pass_time(minutes=20)
    assert len(hook.posts) - tries <= 8
    hook.status = 200
    room.pass_time(minutes=7)
    (taken,) = hook.taken
    assert [one["place"] for one in taken.body["alarms"]] == ["Frogs 1", "Frogs 2"]
    (delivery,) = room.deliveries()
    assert (delivery.state, delivery.attempts, delivery.said) == ("sent", len(hook.posts), None)


def test_retry_after_is_honoured(room: TellingRoom, hook: HookServer) -> None:
    hook.answers, hook.headers = [429], {"Retry-After": "300"}
    room.contact("Ana", hook.route)
    room.raise_()
    room.pass_time(minutes=4)
    assert len(hook.posts) == 1
    room.pass_time(minutes=2)
    assert len(hook.taken) == 1


def test_waiting_doubles_up_to_its_longest_and_what_is_asked_for_is_bounded() -> None:
    pace = Pace()
    waits = [wait_after(pace, failures, None, 0.5).total_seconds() for failures in range(1, 12)]
    assert waits[:3] == [5, 10, 20]
    assert waits[-1] == pace.longest_retry.total_seconds()
    assert wait_after(pace, 1, timedelta(days=9), 0.5) == pace.longest_retry_after
    assert wait_after(pace, 50_000, None, 1.0) <= pace.longest_retry * 1.2


def test_a_dead_route_is_an_alarm_that_is_told_by_another_route_and_ends_with_the_first_message_through(
    room: TellingRoom, mailbox: Mailbox, hook: HookServer
) -> None:
    hook.status = 500
    room.contact("Ana", hook.route)
    room.contact("Bo", mailbox.route)
    watching = self_watch(room)
    room.raise_()
    for _ in range(4):
        room.pass_time(minutes=1)
        watching()
    room.pass_time(2)
    assert mailbox.subjects[1:] == ["Messages do not get through: to Ana"]
    assert "Web hook at 127.0.0.1 said 500 (its own error)." in mailbox.text()
    assert "s3cret-path" not in mailbox.text()
    with room.store.read() as session:
        assert [alarm.place for alarm in raised_in(session, "watch-delivery")] == ["contact/Ana"]
    assert (watching.routes_ok, watching.routes_said) == (True, "1 of 2 contacts can be told")
    hook.status = 200
    room.pass_time(minutes=16)
    watching()
    room.pass_time(2)
    assert mailbox.subjects[2:] == ["Over: Messages do not get through, to Ana"]
    assert len(hook.taken) == 1


def test_a_message_whose_contact_left_the_room_file_is_withdrawn(room: TellingRoom, hook: HookServer) -> None:
    hook.status = 500
    room.contact("Ana", hook.route)
    room.raise_()
    room.pass_time(2)
    with room.store.write() as session:
        contact = session.get(Contact, room.contacts["Ana"])
        assert contact is not None
        contact.retired_at = room.now
    room.pass_time(minutes=5)
    (delivery,) = room.deliveries()
    assert (delivery.state, delivery.said) == ("withdrawn", "the contact was ended")


def test_after_two_days_a_message_is_given_up_and_says_so(room: TellingRoom, hook: HookServer) -> None:
    hook.status = 500
    room.pace = replace(QUICK, give_up=timedelta(minutes=5), least_tries=2)
    room.teller = room.worker()
    room.contact("Ana", hook.route)
    room.raise_()
    room.pass_time(minutes=20)
    (delivery,) = room.deliveries()
    assert (delivery.state, delivery.said) == ("given up", "web hook at 127.0.0.1 said 500 (its own error)")
    with room.store.read() as session:
        assert message_counts(session).by_state == {"given up": 1}


def test_a_worker_that_died_lets_its_claim_lapse_and_another_sends_it(room: TellingRoom, hook: HookServer) -> None:
    room.contact("Ana", hook.route)
    room.raise_()
    with room.store.write() as session:
        room.now += timedelta(seconds=1)
        room.teller._planner.plan(session, room.teller._facts_of(session), room.now)
    with room.store.write() as session:
        (mine,) = claim(session, "one that dies", room.now, room.pace.lease, 9, busy=(), steal=True)
        assert claim(session, "another", room.now, room.pace.lease, 9, busy=(), steal=True) == []
    room.pass_time(2)
    assert hook.posts == []
    room.pass_time(2)
    assert len(hook.taken) == 1
    assert mine.id == room.deliveries()[0].id


def test_a_clock_that_goes_back_an_hour_holds_nothing_back(room: TellingRoom, hook: HookServer) -> None:
    hook.answers = [500]
    room.contact("Ana", hook.route)
    room.contact("Bo", hook.route)
    room.step(1, 10, "Bo")
    room.raise_(1)
    room.pass_time(1)
    room.now -= timedelta(hours=1)
    room.raise_(2)
    room.pass_time(seconds=70)
    assert [len(post.body["alarms"]) for post in hook.taken] == [2]
    room.pass_time(minutes=12)
    assert [post.body["alarms"][0]["event"] for post in hook.taken[1:]] == ["escalated"]
    assert room.deliveries()[-1].state == "sent"


def test_a_clock_set_ahead_by_years_gives_up_no_message_and_back_again_tries_none_for_ever(
    room: TellingRoom, hook: HookServer
) -> None:
    hook.answers = [500] * 5
    room.contact("Ana", hook.route)
    room.raise_(1)
    room.pass_time(1)
    room.now += timedelta(days=3_000)
    room.teller = room.worker()  # as after a restart
    room.pass_time(1)
    assert [delivery.state for delivery in room.deliveries()] == ["waiting"]
    room.now -= timedelta(days=3_000)
    room.teller = room.worker()
    room.pass_time(1)
    (delivery,) = room.deliveries()
    assert delivery.failing_since is not None
    assert delivery.failing_since < room.now < delivery.due_at < room.now + timedelta(minutes=6)
    with room.store.read() as session:
        assert all(state.failing_since and state.failing_since <= room.now for state in route_states(session).values())
    room.pass_time(minutes=12)
    assert [delivery.state for delivery in room.deliveries()] == ["sent"]


def test_a_clock_that_goes_ahead_an_hour_does_not_let_two_workers_send_one_message(
    room: TellingRoom, hook: HookServer
) -> None:
    room.contact("Ana", hook.route)
    hook.delay_s = 0.6
    room.raise_()
    first, second = room.teller, room.worker()
    room.now += timedelta(seconds=1)
    first.step()
    second.step()
    room.now += timedelta(hours=1)
    for _ in range(5):
        second.step()
    wait_until(lambda: first._courier.running[0].is_done, 5)
    first.step()
    assert len(hook.posts) == 1
    assert [delivery.state for delivery in room.deliveries()] == ["sent"]
    assert second.clock_step == timedelta(hours=1, seconds=second.clock_step.total_seconds() - 3600)


def test_what_hangs_holds_up_nobody_else_and_counts_when_it_ends(
    room: TellingRoom, mailbox: Mailbox, hook: HookServer
) -> None:
    hook.delay_s = 2.6
    room.pace = replace(QUICK, attempt=timedelta(seconds=0.5))
    room.teller = room.worker()
    # The library's own limits are per step: this route takes longer than it may.
    room.contact("Ana", f"ntfy://127.0.0.1:{hook.port}/frog-room")
    room.contact("Bo", mailbox.route)
    room.raise_()
    stop, began = threading.Event(), room.now
    thread = threading.Thread(target=room.teller.run, args=(stop,))
    room.now += timedelta(seconds=1)
    thread.start()
    wait_until(lambda: len(mailbox.mails) == 1, 5)
    wait_until(lambda: bool(hook.posts), 5)
    wait_until(lambda: all(one.state == "sent" for one in room.deliveries() if one.contact_id == 2), 5)
    stop.set()
    thread.join(10)
    assert began < room.now


@pytest.mark.parametrize("workers", [2])
def test_two_workers_on_one_database_send_each_message_once(store: Store, hook: HookServer, workers: int) -> None:
    room = TellingRoom(store)
    room.furnish(enclosures=20, rooms=tuple(f"room-{number}" for number in range(20)))
    room.contact("Ana", hook.route)
    room.contact("Bo", hook.route)
    for enclosure in range(1, 21):
        room.raise_(enclosure)
    room.now += timedelta(seconds=1)
    stop = threading.Event()
    threads = [threading.Thread(target=room.worker().run, args=(stop,)) for _ in range(workers)]
    for thread in threads:
        thread.start()
    wait_until(lambda: len(hook.taken) >= 40, 20)
    stop.set()
    for thread in threads:
        thread.join(10)
    told = [(post.headers["idempotency-key"], post.body["alarms"][0]["alarm"]) for post in hook.taken]
    assert len(told) == len(set(told)) == 40


def test_two_workers_on_one_postgresql_send_each_message_once(
    new_postgresql: Callable[[], str], hook: HookServer
) -> None:
    store = open_store(new_postgresql())
    room = TellingRoom(store)
    # The room's clock is put on by minutes below: a lease must outlast that, or what is on its way is taken for lost.
    room.pace = replace(QUICK, attempt=timedelta(seconds=20), lease=timedelta(minutes=10))
    room.furnish(enclosures=10, rooms=tuple(f"room-{number}" for number in range(10)))
    room.contact("Ana", hook.route)
    room.contact("Bo", hook.route)
    stop = threading.Event()
    threads = [threading.Thread(target=room.worker().run, args=(stop,)) for _ in range(2)]
    for thread in threads:
        thread.start()
    alarms = []
    for enclosure in range(1, 11):
        alarms.append(room.raise_(enclosure))
        room.now += timedelta(seconds=1)
    for alarm in alarms[:5]:
        room.returns(alarm)
    room.now += timedelta(minutes=2)

    def all_is_sent() -> bool:
        # What a slow worker looked at only now is due a little later: the clock must go on.
        room.now += timedelta(milliseconds=50)
        told = sum(len(post.body["alarms"]) for post in hook.taken) >= 20
        return told and room.agenda() == [] and {one.state for one in room.deliveries()} == {"sent"}

    wait_until(all_is_sent, 60)
    stop.set()
    for thread in threads:
        thread.join(10)
    store.close()
    keys = [post.headers["idempotency-key"] for post in hook.taken]
    told = [one for post in hook.taken for one in post.body["alarms"] if one["event"] == "raised"]
    assert len(keys) == len(set(keys))
    assert len(told) == 20


def test_two_watches_that_find_the_same_alarm_record_it_once(
    new_postgresql: Callable[[], str], hook: HookServer
) -> None:
    store = open_store(new_postgresql())
    room = TellingRoom(store)
    room.furnish()
    room.contact("Ana", hook.route)
    both, alarms = threading.Barrier(2), []

    def watch() -> None:
        for number in range(20):
            at = room.now + timedelta(seconds=number)
            seen = Occurrence("basking-overheat", "rack-a-1/basking", "high", at, at, enclosure_id=1)
            both.wait(10)
            with store.write() as session:
                alarms.append(record_raised(session, seen, at))
            both.wait(10)
            with store.write() as session:
                alarm = find_alarm(session, seen.condition, seen.place, at)
                assert alarm is not None
                record_returned(session, alarm, Deed("the watch", at, at), None)

    threads = [threading.Thread(target=watch) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    with store.read() as session:
        changes = [len(transitions_of(session, one.id)) for one in alarms if one is not None]
    store.close()
    assert len([one for one in alarms if one is not None]) == 20
    assert changes == [2] * 20


def test_a_database_that_takes_nothing_is_told_directly_by_the_routes_that_were_last_known(
    room: TellingRoom, mailbox: Mailbox
) -> None:
    room.contact("Ana", mailbox.route)
    watching = SelfWatch(
        room.store, lambda: to_ms(room.now), dict, PRIORITIES, lambda: None, lambda: None, room.pace, on_delay_s=0.0
    )
    watching()
    assert watching.store_said is None
    # What a disk does that has gone read-only: the pool has one connection, and it takes nothing any more.
    with room.store._writer.connect() as connection:
        connection.exec_driver_sql("PRAGMA query_only = ON")
    watching._wrote_at = None
    watching()
    watching()
    wait_until(lambda: mailbox.subjects == ["Wardian cannot store anything"])
    assert "Look after the animals" in mailbox.text().replace("look after", "Look after")
    assert watching.store_said is not None

"""Who is told what, when: by real mail and real web hooks on loopback."""

from datetime import timedelta

from service.alarms.holding import Scope, hold_back
from service.alarms.lifecycle import State
from service.alarms.record import Deed
from service.store.engine import Store
from tests.notify.receivers import HookServer, Mailbox
from tests.notify.telling_room import TellingRoom


def test_an_alarm_is_told_in_one_plain_message_and_again_when_it_is_over(room: TellingRoom, mailbox: Mailbox) -> None:
    room.contact("Ana", mailbox.route)
    alarm = room.raise_()
    room.pass_time(2)
    assert mailbox.subjects == ["Basking spot too hot: Frogs 1"]
    text = mailbox.text()
    assert "Frogs 1: basking spot too hot, 41.2 °C, limit 38.0 °C, since 11:59." in text
    assert "likely lamp too close" in text
    assert "Check the lamp's height" in text
    assert "its own thermostat and an independent high-limit cut-out" in text
    assert f"https://wardian.example.org/alarms/{alarm}" in text
    assert len(text.strip()) <= 480
    room.pass_time(minutes=10)
    room.returns(alarm)
    room.pass_time(2)
    assert mailbox.subjects[1:] == ["Over: Basking spot too hot, Frogs 1"]
    assert "back to normal at 12:10, at its worst 41.9 °C." in mailbox.text()
    room.pass_time(minutes=30)
    assert len(mailbox.mails) == 2
    assert room.agenda() == []


def test_what_happens_in_one_moment_is_one_message_and_what_follows_within_a_minute_another(
    room: TellingRoom, mailbox: Mailbox
) -> None:
    room.contact("Ana", mailbox.route)
    for enclosure in (1, 2):
        room.raise_(enclosure)
    room.pass_time(2)
    assert mailbox.subjects == ["2 alarms, Test house: Basking spot too hot"]
    room.raise_(3)
    room.pass_time(5)
    alarm = room.raise_(1, "misting-missed", "medium", value=None, peak=None, limit=None)
    room.pass_time(30)
    assert len(mailbox.mails) == 1
    room.pass_time(30)
    assert mailbox.subjects[1:] == ["2 alarms, Test house: Basking spot too hot and others"]
    assert "A misting cycle put no water into the air: Frogs 1" in mailbox.text()
    assert mailbox.text().strip().endswith("https://wardian.example.org/alarms")
    assert alarm


def test_a_high_alarm_does_not_wait_behind_a_message_about_lesser_ones(room: TellingRoom, mailbox: Mailbox) -> None:
    room.contact("Ana", mailbox.route)
    room.raise_(1, "misting-missed", "medium")
    room.pass_time(2)
    room.raise_(2)
    room.pass_time(2)
    assert len(mailbox.mails) == 2


def test_a_contact_hears_of_no_lesser_priority_than_it_asked_for(room: TellingRoom, hook: HookServer) -> None:
    room.contact("Ana", hook.route, priority="medium")
    room.raise_(1, "battery-low", "low")
    room.raise_(2, "misting-missed", "medium")
    room.pass_time(2)
    (post,) = hook.posts
    assert [one["condition"] for one in post.body["alarms"]] == ["misting-missed"]
    assert post.body["type"] == "warning"


def test_quiet_hours_hold_back_what_can_wait_until_they_are_over_and_never_a_high_alarm(
    room: TellingRoom, mailbox: Mailbox
) -> None:
    room.contact("Ana", mailbox.route, hours="13:00-22:00")
    answered = room.raise_(1, "misting-missed", "medium")
    room.raise_(2, "misting-missed", "medium")
    room.pass_time(minutes=30)
    assert mailbox.mails == []
    room.acknowledged(answered)
    room.raise_(3)
    room.pass_time(2)
    assert mailbox.subjects == ["2 alarms, Test house: Basking spot too hot and others"]
    over = room.raise_(1, "misting-weakening", "low")
    room.pass_time(minutes=2)
    room.returns(over)
    room.pass_time(minutes=10)
    assert len(mailbox.mails) == 1
    room.pass_time(minutes=20)
    assert mailbox.subjects[1:] == ["Misting is weakening: Frogs 1, basking spot"]
    assert "It returned to normal at 12:32." in mailbox.text()


def test_who_does_not_answer_is_followed_by_the_next_until_somebody_does(
    room: TellingRoom, mailbox: Mailbox, hook: HookServer
) -> None:
    room.contact("Ana", mailbox.route)
    room.contact("Bo", hook.route)
    room.contact("Cy", hook.route)
    room.step(1, 10, "Bo")
    room.step(2, 5, "Cy", "Bo")
    alarm = room.raise_()
    room.pass_time(minutes=9)
    assert (len(mailbox.mails), len(hook.posts)) == (1, 0)
    room.pass_time(minutes=2)
    assert hook.posts[0].body["title"] == "Unanswered: Basking spot too hot: Frogs 1"
    assert "Nobody has acknowledged it." in hook.posts[0].body["message"]
    room.pass_time(minutes=5)
    assert len(hook.posts) == 3
    room.returns(alarm)
    room.pass_time(minutes=2)
    assert [post.body["type"] for post in hook.posts[3:]] == ["success", "success"]
    assert len(mailbox.mails) == 2


def test_an_answer_ends_the_escalation(room: TellingRoom, mailbox: Mailbox, hook: HookServer) -> None:
    room.contact("Ana", mailbox.route)
    room.contact("Bo", hook.route)
    room.step(1, 10, "Bo")
    alarm = room.raise_()
    room.pass_time(minutes=5)
    room.acknowledged(alarm)
    room.pass_time(minutes=30)
    assert (len(mailbox.mails), len(hook.posts), room.agenda()) == (1, 0, [])


def test_when_every_contact_waits_for_a_step_the_first_of_them_are_told_at_once(
    room: TellingRoom, mailbox: Mailbox
) -> None:
    room.contact("Ana", mailbox.route)
    room.step(1, 10, "Ana")
    room.raise_()
    room.pass_time(2)
    assert len(mailbox.mails) == 1
    room.pass_time(minutes=11)
    assert mailbox.subjects[1:] == ["Unanswered: Basking spot too hot: Frogs 1"]


def test_what_was_answered_or_shelved_before_it_was_told_is_not_told(room: TellingRoom, mailbox: Mailbox) -> None:
    room.contact("Ana", mailbox.route)
    room.acknowledged(room.raise_())
    room.pass_time(minutes=3)
    assert mailbox.mails == []
    assert room.agenda() == []


def test_sixty_probes_that_fall_silent_by_one_power_cut_are_one_message(store: Store, mailbox: Mailbox) -> None:
    room = TellingRoom(store)
    room.furnish(enclosures=60)
    room.contact("Ana", mailbox.route)
    silent = {"value": None, "peak": None, "limit": None, "unit": None, "cause": None, "zone": None}
    for enclosure in range(1, 61):
        room.raise_(enclosure, "probe-silent", "medium", place=f"probe-{enclosure}/air_temperature", **silent)
        room.pass_time(1)
    room.pass_time(minutes=2)
    with store.write() as session:
        deed = Deed("the watch", room.now, room.now, "explained by the blackout of the room")
        hold_back(session, State.SUPPRESSED, Scope("probe-silent", room_id=1), deed, until=None)
    blackout = room.raise_(0, "room-blackout", place="room/front", enclosure_id=None, **silent)
    room.pass_time(minutes=15)
    assert mailbox.subjects == ["Most of the room fell silent at once: Front room"]
    room.returns(blackout)
    room.pass_time(minutes=2)
    assert mailbox.subjects[1:] == ["Over: Most of the room fell silent at once, Front room"]


def test_one_probe_that_falls_silent_alone_is_told_by_name(room: TellingRoom, mailbox: Mailbox) -> None:
    room.contact("Ana", mailbox.route)
    room.raise_(1, "probe-silent", "medium", value=None, peak=None, limit=None)
    room.pass_time(minutes=2)
    assert mailbox.mails == []
    room.pass_time(minutes=2)
    assert mailbox.subjects == ["Probe silent: Frogs 1, basking spot"]


def test_nobody_is_told_of_history(room: TellingRoom, mailbox: Mailbox) -> None:
    room.contact("Ana", mailbox.route)
    now, room.now = room.now, room.now - timedelta(days=3)
    room.returns(room.raise_())
    room.now = now
    room.pass_time(minutes=2)
    assert mailbox.mails == []
    assert room.agenda() == []


def test_without_contacts_nothing_piles_up(room: TellingRoom) -> None:
    room.raise_()
    room.pass_time(minutes=2)
    assert (room.agenda(), room.deliveries()) == ([], [])

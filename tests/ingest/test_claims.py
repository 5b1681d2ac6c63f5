"""A new probe speaks, is claimed, and what it said before is there once."""

import json
from datetime import timedelta

import cbor2
import pytest
from sqlmodel import Session

from sensors.catalogue import Figures
from sensors.payloads.proposing import propose
from service.errors import BadUse, Refused
from service.ingest.arrivals import Arrival
from service.ingest.claims import ChannelClaim, Claim, claim_probe
from service.ingest.intake import Backlog, Intake
from service.model import Enclosure, Flag
from service.store.engine import Store
from service.store.facts import load_facts
from service.store.placements import Entry, channel_row, enclosure_row, move_channel
from service.store.readings import read_readings
from service.store.unclaimed import MOST_SOURCES, fair_share, list_sources, made_room, messages_of
from tests.builders import MINUTE, NOON, NOON_MS, a_site


@pytest.fixture
def room(store: Store) -> Store:
    with store.write() as session:
        a_site(session)
        session.add(Enclosure(key="rack-a-1", name="One", room_id=1))
        session.add(Enclosure(key="rack-a-2", name="Two", room_id=1))
    return store


def say(intake: Intake, topic: str, payload: bytes, at_ms: int, backlog: Backlog | None = None, **more: bool) -> None:
    usual = {"packet": 0, "qos": 0, "duplicate": False, "retained": False} | more
    intake.take([Arrival(topic, payload, at_ms=at_ms, **usual)], "s", backlog)


def claims(session: Session, claim: Claim) -> tuple[int, int, int]:
    taken = claim_probe(session, claim, "ana", NOON, 500)
    return taken.messages, taken.readings, taken.refused


def gateway(called: str, key: str, **more: object) -> Claim:
    channels = (ChannelClaim("air_temperature", "/tF", "degF", "rack-a-1", "ambient"), ChannelClaim("battery", "/b"))
    usual = {"each": "/all", "called": called, "called_at": "/id"}
    return Claim(key, "sht31", "gw/1", "json", channels, **(usual | more))


def two(first: float, second: float) -> bytes:
    return json.dumps({"all": [{"id": "aa", "tF": first, "b": 90}, {"id": "bb", "tF": second, "b": 80}]}).encode()


def values(store: Store, channel: str) -> tuple[list[int], list[float], set[int]]:
    with store.read() as session:
        found = read_readings(session, load_facts(session).channel_by_key[channel].id, 0)
    return (
        [(at - NOON_MS) // MINUTE for at in found.at.tolist()],
        found.value.round(2).tolist(),
        set(found.flags.tolist()),
    )


def test_two_probes_of_one_gateway_are_claimed_one_after_the_other_and_nothing_is_doubled(room: Store) -> None:
    intake = Intake(room, 500)
    for minute in (-30, -20, -10):
        say(intake, "gw/1", two(77 + minute / 10, 95), NOON_MS + minute * MINUTE)
    with room.write() as session:
        assert claims(session, gateway("aa", "a1")) == (3, 6, 0)
    assert values(room, "a1/air_temperature") == (
        [-30, -20, -10],
        [23.33, 23.89, 24.44],
        {int(Flag.ARRIVAL_CLOCK | Flag.LATE | Flag.DELAYED)},
    )
    with room.read() as session:
        (left,) = list_sources(session)
        assert (left.called, left.count) == ("bb", 3)
        placed = load_facts(session).channel_by_key["a1/air_temperature"].placements
        assert [(place.zone, (place.start_ms - NOON_MS) // MINUTE) for place in placed] == [("ambient", -30)]
    say(intake, "gw/1", two(77, 95), NOON_MS + MINUTE)  # taken up without a restart
    assert values(room, "a1/air_temperature")[0] == [-30, -20, -10, 1]
    with room.write() as session, pytest.raises(Refused, match="there is a probe a1 already"):
        claims(session, gateway("bb", "a1"))
    with room.write() as session, pytest.raises(Refused, match="'aa' is probe a1 already"):
        claims(session, gateway("aa", "a2"))
    with room.write() as session:
        assert claims(session, gateway("bb", "b1")) == (4, 8, 0)
        assert list_sources(session) == []
        assert messages_of(session, "gw/1") == []
    assert values(room, "b1/battery")[0] == [-30, -20, -10, 1]
    assert values(room, "a1/air_temperature")[0] == [-30, -20, -10, 1]


def test_messages_keep_their_own_times_and_those_of_a_burst_are_approximate(room: Store) -> None:
    intake = Intake(room, 500)
    pack = [{-2: "urn:dev:x:", -3: (NOON_MS - 60 * MINUTE) / 1000, 0: "t", 1: "K", 2: 300.15}]
    say(intake, "x", cbor2.dumps(pack), NOON_MS - MINUTE)
    say(intake, "x", cbor2.dumps(pack), NOON_MS - MINUTE)  # the same again
    burst = Backlog(NOON_MS - 5 * MINUTE, more=False)
    for _ in range(3):
        say(intake, "y", b"21.5", NOON_MS - 5 * MINUTE + 40, burst)
    say(intake, "y", b"19", NOON_MS, retained=True)
    say(intake, "y", b"warm", NOON_MS)
    channel = ChannelClaim("air_temperature", "urn:dev:x:t")
    with room.write() as session:
        assert claims(session, Claim("x", "sht31", "x", "senml", (channel,))) == (2, 1, 0)
        scalar = ChannelClaim("air_temperature", None, figures=Figures(0.4))
        assert claims(session, Claim("y", "other", "y", "scalar", (scalar,), every_s=60)) == (4, 3, 2)
    assert values(room, "x/air_temperature")[:2] == ([-60], [27.0])
    times, _, flags = values(room, "y/air_temperature")
    assert times == [-7, -6, -5]
    assert all(flag & Flag.APPROXIMATE for flag in flags)


@pytest.mark.parametrize(
    ("claim", "said"),
    [
        (gateway("aa", "A 1"), "id: use up to 64"),
        (gateway("aa", "a1", called_at=None), "go together"),
        (gateway("aa", "a1", each="all"), "write '/all'"),
        (Claim("a1", "sth31", "t", "scalar", (ChannelClaim("power", None),)), "did you mean 'sht31'"),
        (Claim("a1", "sht31", "t/#/x", "scalar", (ChannelClaim("power", None),)), "topic: it cannot be"),
        (Claim("a1", "sht31", "t", "scalar", ()), "at least one channel"),
        (Claim("a1", "other", "t", "scalar", (ChannelClaim("power", None),)), "own accuracy"),
        (
            Claim("a1", "sht31", "t", "scalar", (ChannelClaim("power", None, None, "nowhere", "basking"),)),
            "none called",
        ),
        (Claim("a1", "sht31", "t", "scalar", (ChannelClaim("power", None, None, "rack-a-1", "attic"),)), "no zone"),
        (Claim("a1", "sht31", "t", "scalar", (ChannelClaim("power", None),), every_s=0), "every: expected"),
    ],
)
def test_a_claim_that_cannot_be_is_refused_with_the_reason_and_enters_nothing(
    room: Store, claim: Claim, said: str
) -> None:
    with pytest.raises(BadUse, match=said), room.write() as session:
        claims(session, claim)
    with room.read() as session:
        assert load_facts(session).probes == {}


def test_a_flood_of_topics_pushes_out_its_own_and_not_a_probe_that_speaks_twice(room: Store) -> None:
    intake = Intake(room, 500, keep_unclaimed=1_000_000)
    for minute in (0, 1):
        say(intake, "new/probe", b"21.5", NOON_MS + minute)
    for number in range(3):
        flood = range(number * 900, number * 900 + 900)
        arrivals = [Arrival(f"flood/{n}", b"x" * 20, 0, 0, False, False, NOON_MS) for n in flood]
        intake.take(arrivals, "s")
    with room.read() as session:
        sources = list_sources(session)
        assert len(sources) == MOST_SOURCES
        assert [source.count for source in sources if source.topic == "new/probe"] == [2]
        gone = made_room(session)
        assert gone is not None
        assert gone.count == 2_702 - sum(source.count for source in sources)
        assert len(messages_of(session, "new/probe")) == 2
    assert intake.refused == 2_702


def test_what_the_small_leave_the_large_share() -> None:
    assert fair_share([10, 10, 500], 120) == 30  # no more than a quarter
    assert fair_share([10, 20, 30, 40, 50], 100) == 23
    assert fair_share([1, 2], 100) == 25


def test_moving_a_probe_changes_where_it_stands_from_then_on_and_never_the_past(room: Store) -> None:
    intake = Intake(room, 500)
    say(intake, "gw/1", two(77, 95), NOON_MS - 60 * MINUTE)
    with room.write() as session:
        claims(session, gateway("aa", "a1"))
    moved_at, entry = NOON + timedelta(hours=1), Entry("ana", NOON + timedelta(hours=1))
    with room.write() as session:
        channel, other = channel_row(session, "a1/air_temperature"), enclosure_row(session, "rack-a-2")
        assert channel is not None
        assert other is not None
        for wrong, at, said in (
            (Refused, NOON, "there already"),
            (BadUse, NOON - timedelta(hours=2), "was last moved"),
        ):
            with pytest.raises(wrong, match=said):
                move_channel(session, channel, (enclosure_row(session, "rack-a-1"), "ambient"), at, entry)
        with pytest.raises(BadUse, match="the present or a time that is past"):
            move_channel(session, channel, None, moved_at + timedelta(seconds=1), entry)
        move_channel(session, channel, (other, "basking"), moved_at, entry)
    with room.read() as session:
        fact = load_facts(session).channel_by_key["a1/air_temperature"]
    places = [(p.zone, (p.start_ms - NOON_MS) // MINUTE) for p in fact.placements]
    assert places == [("ambient", -60), ("basking", 60)]
    before, after = (fact.placement_at(NOON_MS + minutes * MINUTE) for minutes in (59, 60))
    assert before is not None
    assert after is not None
    assert (before.zone, after.zone) == ("ambient", "basking")
    assert values(room, "a1/air_temperature")[0] == [-60]


def test_what_is_proposed_can_be_claimed_as_it_stands(room: Store) -> None:
    intake = Intake(room, 500)
    say(intake, "gw/1", two(77, 95), NOON_MS)
    for proposal in propose([two(77, 95)], "gw/1"):
        mapping = proposal.mapping()
        channels = tuple(ChannelClaim(f.quantity, f.pointer, f.unit) for f in mapping.fields)
        claim = Claim(
            f"p-{mapping.called}", "sht31", "gw/1", mapping.format, channels, None, mapping.time_pointer,
            mapping.each, mapping.called, mapping.called_at,
        )  # fmt: skip
        with room.write() as session:
            assert claims(session, claim)[1:] == (1, 0)  # what "b" is, its name does not say
    assert values(room, "p-bb/air_temperature")[1] == [35.0]

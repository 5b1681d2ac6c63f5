"""Reference checks as dated facts, on both databases, and their way through migrations and checksums."""

from datetime import timedelta

import pytest
from sqlmodel import select

from service.errors import BadUse, NotFound, Refused
from service.model import Calibration, Change, to_ms
from service.settings import Settings
from service.store.calibrations import NewCheck, calibrations_of, enter_check, get_calibration, withdraw_check
from service.store.checksums import sum_store
from service.store.engine import Store, open_store
from service.store.facts import ChannelFact, facts_version, load_facts
from service.store.history import corrected, corrected_value, line_at
from service.store.readings import add_readings
from service.store.reference_checks import point_json
from service.store.traceability import errors_within, lines_within
from tests.builders import MINUTE, NOON, NOON_MS, a_probe, a_site, stored
from tests.store_furnished import migrate

DAY_MS = 24 * 60 * MINUTE
WET = point_json(reference=75.3, reads=77.0, uncertainty=1.5, method="salt", against="NaCl", since=NOON)
DRY = point_json(reference=32.8, reads=35.0, uncertainty=1.2, method="salt", against="MgCl2")


def humid(store: Store) -> ChannelFact:
    with store.read() as session:
        return load_facts(session).channel_by_key["top/relative_humidity"]


def enter(store: Store, *points: dict, days: float = 0, **more: object) -> int:
    with store.write() as session:
        new = NewCheck(points, NOON + timedelta(days=days), "Ana", **more)
        return enter_check(session, humid(store), new, "keeper", NOON + timedelta(days=400)).id or 0


@pytest.fixture
def probed(store: Store) -> Store:
    with store.write() as session:
        a_site(session)
        a_probe(session, "top", ("relative_humidity",))
        # To the top of the range, and beyond what can be at all.
        values = [20.0, 35.0, 77.0, 99.9, 104.0]
        rows = [(1, NOON_MS + day * DAY_MS + n, v, 1) for day in (-1, 0, 10) for n, v in enumerate(values)]
        add_readings(session, rows)
    return store


def test_a_point_added_to_a_check_makes_a_line_in_its_place(probed: Store) -> None:
    before = stored(probed, 1)
    first = enter(probed, WET, note="spring")
    with probed.read() as session:
        version = facts_version(session)
    line = enter(probed, DRY, days=0.1, extends_id=first)
    with probed.read() as session:
        assert facts_version(session) == version + 1
        assert [row.id for row in calibrations_of(session)] == [line]
        assert get_calibration(session, first).reads == 77.0
        told = session.exec(select(Change)).all()
        rows = session.exec(select(Calibration)).all()
    assert [(change.by, change.subject) for change in told] == [("keeper", 'channel "top/relative_humidity"')] * 2
    assert told[1].before is not None
    assert [len(change["points"]) for change in (told[1].before, told[1].after or {})] == [1, 2]
    assert [(row.replaces_id, row.done_by, row.note) for row in rows] == [
        (None, "Ana", "spring"), (first, "Ana", "spring"),
    ]  # fmt: skip
    slope = (75.3 - 32.8) / (77.0 - 35.0)
    channel = humid(probed)
    assert line_at(channel, NOON_MS) == (pytest.approx(slope), pytest.approx(75.3 - slope * 77.0))
    assert lines_within(channel, NOON_MS - 5, NOON_MS + 5)[0] == (NOON_MS - 5, 1.0, 0.0)
    seen = corrected(channel, before).value
    assert seen[:5].tolist() == [20.0, 35.0, 77.0, 99.9, 104.0]
    # Possible values stay possible; what cannot be is shown as it is, so that it is seen to be wrong.
    expected = [slope * (v - 77.0) + 75.3 for v in (20.0, 35.0, 77.0, 99.9, 104.0)]
    assert seen[5:10] == pytest.approx(expected)
    pairs = zip(before.at.tolist(), before.value.tolist(), strict=True)
    assert [corrected_value(channel, at, value) for at, value in pairs] == seen.tolist()
    assert stored(probed, 1).value.tobytes() == before.value.tobytes()


def test_the_uncertainty_used_is_the_lines_at_its_worse_end_and_widens_either_side_of_the_check(probed: Store) -> None:
    enter(probed, WET, DRY, days=60, from_at=NOON)
    channel, check = humid(probed), humid(probed).check_at(NOON_MS)
    assert check is not None
    worst = check.correction.widest("relative_humidity")
    assert worst == pytest.approx(max(check.correction.uncertainty_at(x) for x in (10.0, 100.0)))
    # 0.25 %RH a month, two months before the check was made; at the check nothing.
    month = 30.436875
    there = errors_within(channel, NOON_MS, NOON_MS + DAY_MS).uncertainty
    assert there == pytest.approx(worst + 0.25 * 60 / month)
    at_check = NOON_MS + 60 * DAY_MS
    assert errors_within(channel, at_check, at_check + 1).uncertainty == pytest.approx(worst, abs=1e-6)
    assert check.checked_ms - check.start_ms == 60 * DAY_MS


def test_of_two_checks_that_hold_the_one_made_last_counts(probed: Store) -> None:
    enter(probed, WET, days=5)
    enter(probed, WET | {"reads": 76.0}, days=9, from_at=NOON)
    offsets = [line_at(humid(probed), NOON_MS + day * DAY_MS)[1] for day in (-1, 1, 6, 12)]
    assert offsets == [0.0, *[pytest.approx(75.3 - 76.0)] * 3]


def test_what_cannot_be_entered_or_taken_back_is_refused_with_the_reason(probed: Store) -> None:
    first = enter(probed, WET)
    for more, error, said in [
        ({"days": 500}, BadUse, "still to come"),
        ({"from_at": NOON + timedelta(days=1)}, BadUse, "since before, not since later"),
        ({"extends_id": 99}, Refused, "newest reference check alone"),
        ({"extends_id": first, "days": 15}, Refused, "points of one check lie within 14 days"),
        ({"extends_id": first}, Refused, "a line needs at least 20"),
    ]:
        with pytest.raises(error, match=said):
            enter(probed, WET, **more)
    with probed.write() as session:
        channel = load_facts(session).channel_by_key["top/relative_humidity"]
        with pytest.raises(NotFound, match="no reference check 99"):
            withdraw_check(session, channel, 99, "keeper", NOON)
        withdraw_check(session, channel, first, "keeper", NOON)
    with probed.write() as session, pytest.raises(Refused, match="counts no more"):
        withdraw_check(session, channel, first, "keeper", NOON)
    assert humid(probed).calibrations == ()
    with probed.read() as session:
        assert [row.withdrawn for row in session.exec(select(Calibration))] == [False, True]


def test_checks_go_down_to_offsets_and_up_again(probed: Store, settings: Settings) -> None:
    enter(probed, WET, DRY, from_at=NOON - timedelta(days=1))
    with probed.read() as session:
        total = str(sum_store(session)["calibration"])
    probed.close()
    migrate(settings.database_url, "0011")
    store = open_store(settings.database_url)
    with store.read() as session:
        (check,) = load_facts(session).channel_by_key["top/relative_humidity"].calibrations
        assert str(sum_store(session)["calibration"]) != total
    assert (check.reads, check.further, check.start_ms) == (77.0, (), to_ms(NOON - timedelta(days=1)))
    store.close()

"""Reference checks in a room file: one point or several, told with how they were made."""

from datetime import timedelta
from pathlib import Path

import pytest
from roomfile_builders import NOW, ROOM, apply, changed

from service.errors import RoomFileInvalid
from service.roomfile import parse_room_file
from service.roomfile.export import export_room_file
from service.store.engine import Store
from service.store.facts import load_facts
from tests.empty_store import sqlite_store

LINE = """
[[calibration]]
probe = "a3-top"
quantity = "relative_humidity"
at = 2026-03-01T09:00:00Z
from = 2026-01-01T00:00:00Z
by = "Ana"
note = "second shelf"

[[calibration.point]]
reference = 32.8
reads = 35.1
uncertainty = 1.25
method = "salt"
against = "MgCl2"
reference_uncertainty = 0.4
temperature = 24.8
readings = 10
spread = 0.05
since = 2026-03-01T07:00:00Z
from = 2026-03-01T07:50:00Z
until = 2026-03-01T08:00:00Z

[[calibration.point]]
reference = 75.3
reads = 77.1
uncertainty = 1.5
"""


def exported(store: Store) -> str:
    with store.read() as session:
        return export_room_file(session, NOW)


def test_a_line_of_two_points_survives_export_and_apply(store: Store, tmp_path: Path) -> None:
    plan = apply(store, ROOM + LINE)
    assert any("read 35.1 at 32.8 ± 1.25 and 77.1 at 75.3 ± 1.5" in sentence for sentence in plan.sentences)
    text = exported(store)
    assert not apply(store, text, NOW + timedelta(days=1))
    assert not apply(store, ROOM + LINE, NOW + timedelta(days=2))
    other = sqlite_store(tmp_path / "other.db")
    apply(other, text)
    with other.read() as session:
        (check,) = load_facts(session).channel_by_key["a3-top/relative_humidity"].calibrations
    assert exported(other) == text
    other.close()
    # Through both points: (75.3 - 32.8) / (77.1 - 35.1).
    assert check.correction.slope == pytest.approx(42.5 / 42.0)
    assert check.correction.at(35.1) == pytest.approx(32.8)
    assert check.checked_ms - check.start_ms == (31 + 28) * 86_400_000 + 9 * 3_600_000
    for said in ('method = "salt"', 'against = "MgCl2"', 'by = "Ana"', "since = 2026-03-01T07:00:00Z", "readings = 10"):
        assert said in text


@pytest.mark.parametrize(
    ("swap", "said"),
    [
        (("reads = 77.1", "reads = 99.1"), "a difference of 23.8 is more than the 10 that such an element can need"),
        (("reference = 75.3\nreads = 77.1", "reference = 40\nreads = 41"), "a line needs at least 20"),
        (("reference = 75.3\nreads = 77.1", "reference = 68\nreads = 60"), "the line through the points has the slope"),
        (("uncertainty = 1.5", ""), '"uncertainty" is missing'),
        (("uncertainty = 1.5", "uncertainty = 0"), '"uncertainty" is 0'),
        (('method = "salt"', 'method = "slat"'), 'method "slat" is unknown; did you mean "salt"?'),
        (("from = 2026-01-01T00:00:00Z", "from = 2026-04-01T00:00:00Z"), '"from" is later than "at"'),
        (('by = "Ana"', "reads = 1"), "has a point in itself and in [[calibration.point]]"),
    ],
)
def test_what_cannot_be_a_check_is_refused_with_the_reason(swap: tuple[str, str], said: str) -> None:
    with pytest.raises(RoomFileInvalid) as refused:
        parse_room_file(changed(ROOM + LINE, swap))
    assert said in str(refused.value)

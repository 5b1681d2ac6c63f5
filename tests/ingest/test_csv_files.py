"""Readings as CSV, in and out."""

import csv
import io
from datetime import UTC, datetime
from pathlib import Path

import pytest

from service.errors import BadUse
from service.ingest.csv_files import export_csv, import_csv
from service.model import to_ms
from service.store.engine import Store
from service.store.readings import END_OF_TIME
from service.store.retention import apply_retention, plan_retention
from service.store.sealing import Sealer
from tests.builders import a_probe, a_site, stored

HEADER = "time,probe,quantity,value\n"


@pytest.fixture
def room(store: Store) -> Store:
    with store.write() as session:
        a_site(session)
        a_probe(session, "spot", ("air_temperature", "relative_humidity"))
    return store


def imported(store: Store, path: Path, text: str) -> tuple[int, int, int]:
    path.write_text(text, encoding="utf-8")
    result = import_csv(store, path, lambda _done: None)
    return result.taken, result.repeated, result.refused


def exported(store: Store) -> str:
    out = io.StringIO()
    export_csv(store, out, 0, END_OF_TIME)
    return out.getvalue()


def test_what_was_exported_imports_to_the_same(room: Store, tmp_path: Path) -> None:
    rows = (
        "2026-03-01T12:00:00.125+00:00,spot,air_temperature,33.4\n"
        "2026-03-01T12:01:00.000+00:00,spot,air_temperature,0.1\n"
        "2026-03-01T12:00:00.125+00:00,spot,relative_humidity,61.0\n"
    )
    assert imported(room, tmp_path / "a.csv", HEADER + rows) == (3, 0, 0)
    assert exported(room) == HEADER + rows


def test_rows_come_in_any_order_and_any_offset(room: Store, tmp_path: Path) -> None:
    text = HEADER + "2026-03-01T14:01:00+02:00,spot,air_temperature,21\n2026-03-01T12:00:00Z,spot,air_temperature,20\n"
    assert imported(room, tmp_path / "a.csv", text) == (2, 0, 0)
    assert stored(room, 1).value.tolist() == [20.0, 21.0]


def test_importing_again_stores_nothing_twice(room: Store, tmp_path: Path) -> None:
    text = HEADER + "2026-03-01T12:00:00Z,spot,air_temperature,20\n"
    assert imported(room, tmp_path / "a.csv", text) == (1, 0, 0)
    assert imported(room, tmp_path / "b.csv", text) == (0, 1, 0)


def test_refused_rows_are_written_aside_with_line_and_reason(room: Store, tmp_path: Path) -> None:
    text = HEADER + (
        "2026-03-01T12:00:00Z,spot,air_temperature,20\n"
        "yesterday,spot,air_temperature,20\n"
        "2026-03-01T12:00:00,spot,air_temperature,20\n"
        "2026-03-01T12:00:00Z,ghost,air_temperature,20\n"
        "2026-03-01T12:00:00Z,spot,colour,20\n"
        "2026-03-01T12:00:00Z,spot,air_temperature,nan\n"
        "2026-03-01T12:00:00Z,spot,air_temperature,warm\n"
        "2026-03-01T12:00:00Z,spot\n"
    )
    assert imported(room, tmp_path / "a.csv", text) == (1, 0, 7)
    lines = (tmp_path / "a.rejected.csv").read_text(encoding="utf-8").splitlines()
    assert [line.split(",")[0] for line in lines] == ["line", "3", "4", "5", "6", "7", "8", "9"]
    assert "no offset" in lines[2]
    assert "ghost" in lines[3]


@pytest.mark.parametrize("content", [b"", b"when,what\n1,2\n", b"\xff\xfe\x00time"])
def test_another_file_is_refused_in_a_sentence(room: Store, tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "other.csv"
    path.write_bytes(content)
    with pytest.raises(BadUse, match=r"other\.csv"):
        import_csv(room, path, lambda _done: None)
    with pytest.raises(BadUse, match=r"missing\.csv"):
        import_csv(room, tmp_path / "missing.csv", lambda _done: None)


def test_readings_of_days_that_retention_deleted_are_refused_by_name(room: Store, tmp_path: Path) -> None:
    hours = [f"2024-01-{day:02d}T{hour:02d}:00:00.000+00:00" for day in (1, 2) for hour in range(24)]
    text = HEADER + "".join(f"{hour},spot,air_temperature,20.5\n" for hour in hours)
    assert imported(room, tmp_path / "a.csv", text) == (48, 0, 0)
    assert list(Sealer(room).run(to_ms(datetime(2026, 1, 1, tzinfo=UTC)), lambda _: None))
    with room.read() as session:
        plans = plan_retention(session, 30, to_ms(datetime(2024, 2, 1, tzinfo=UTC)))
    assert sum(apply_retention(room, plans)) == 24
    fresh = HEADER + "2024-01-01T05:30:00Z,spot,air_temperature,30\n2024-01-02T05:30:00Z,spot,air_temperature,31\n"
    again = text.removeprefix(HEADER) + "2024-01-01T05:30:00Z,spot,relative_humidity,60\n"
    assert imported(room, tmp_path / "b.csv", fresh + again) == (2, 24, 25)
    with (tmp_path / "b.rejected.csv").open(encoding="utf-8", newline="") as file:
        _, first, *others = csv.reader(file)
    assert (first[0], len(others)) == ("2", 24)
    assert first[1].startswith("the readings of 2024-01-01 (UTC) were deleted by the retention rule")
    assert len(stored(room, 1)) == 25

"""`wardian seal`, `retention` and `pin`, and the jobs that do the same by the clock."""

import threading
from datetime import UTC, datetime
from pathlib import Path

import pytest
from structlog.testing import capture_logs
from typer.testing import CliRunner

from service.cli import app
from service.jobs_store import RetentionJob, SealingJob
from service.model import to_ms
from service.store.blocks import DAY_MS
from service.store.engine import Store, open_store
from service.store.readings import add_readings
from service.store.sealing import QUIET_MS
from tests.builders import a_probe, a_site, an_enclosure, stored

DAYS = 60


@pytest.fixture
def room(tmp_path: Path, database: str, monkeypatch: pytest.MonkeyPatch) -> Store:
    """Sixty days that end yesterday, of one channel."""
    url = database or f"sqlite:///{tmp_path}/w.db"
    monkeypatch.setenv("WARDIAN_DATABASE", url)
    store = open_store(url)
    today = to_ms(datetime.now(UTC)) // DAY_MS
    with store.write() as session:
        a_site(session)
        a_probe(session, "spot", enclosure=an_enclosure(session))
        rows = [(1, (today - DAYS) * DAY_MS + n * 7_200_000, float(n % 12), 1) for n in range((DAYS - 1) * 12)]
        add_readings(session, rows)
    yield store
    store.close()


def said(*words: str, status: int = 0) -> str:
    result = CliRunner().invoke(app, list(words))
    assert result.exit_code == status, (result.output, result.exception)
    return result.output


def test_seal_says_what_it_sealed_and_then_that_nothing_is_left(room: Store) -> None:
    before = stored(room, 1).at.tolist()
    assert said("seal").startswith(f"{(DAYS - 1) * 12} readings sealed in ")
    assert said("seal") == "Nothing to seal: every day that is over is sealed already.\n"
    assert stored(room, 1).at.tolist() == before


def test_without_a_rule_readings_are_kept_for_ever(room: Store) -> None:
    said("seal")
    assert said("retention") == "Readings are kept for ever: WARDIAN_KEEP_READINGS_DAYS is empty.\n"
    assert len(stored(room, 1)) == (DAYS - 1) * 12


def test_a_dry_run_says_what_the_rule_deletes_and_deletes_nothing(room: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    said("seal")
    monkeypatch.setenv("WARDIAN_KEEP_READINGS_DAYS", "50")
    first, line = said("retention", "--dry-run").splitlines()
    assert first.startswith("Older than 50 days: 120 readings, 0.0 MB. The summary of each day stays.")
    assert "spot/air_temperature: 10 days from " in line
    assert len(stored(room, 1)) == (DAYS - 1) * 12
    said("retention", status=1)  # nobody is there to be asked
    assert len(stored(room, 1)) == (DAYS - 1) * 12
    assert said("retention", "--yes").endswith("120 readings deleted.\n")
    assert len(stored(room, 1)) == (DAYS - 1) * 12 - 120


def test_a_pinned_span_is_told_and_stays(room: Store) -> None:
    said("seal")
    said("pin", "--enclosure", "rack-a-1", "--from", "2020-01-01", "--reason", "a clutch failed")
    assert "spot/air_temperature: nothing; 10 days are pinned and stay" in said("retention", "--days", "50", "--yes")
    assert len(stored(room, 1)) == (DAYS - 1) * 12


def test_the_job_seals_and_leaves_off_when_told(room: Store) -> None:
    stop = threading.Event()
    now = to_ms(datetime.now(UTC)) + QUIET_MS
    job = SealingJob(room, lambda: now, stop)
    with capture_logs() as logs:
        job()
    assert [(line["event"], line["readings"]) for line in logs] == [("days_sealed", (DAYS - 1) * 12)]


def test_the_retention_job_tells_first_and_deletes_the_next_time(room: Store) -> None:
    said("seal")
    job = RetentionJob(room, 50, lambda: to_ms(datetime.now(UTC)), threading.Event())
    with capture_logs() as logs:
        job()
        assert len(stored(room, 1)) == (DAYS - 1) * 12
        job()
    assert [(line["event"], line["readings"]) for line in logs] == [
        ("readings_will_be_deleted", 120),
        ("readings_deleted", 120),
    ]
    assert len(stored(room, 1)) == (DAYS - 1) * 12 - 120

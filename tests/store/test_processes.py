"""What each process says of itself."""

from datetime import UTC, datetime, timedelta

from service.settings import Settings
from service.store.engine import Store
from service.store.processes import SILENT_AFTER_S, figures_of, parts_elsewhere, process_ends, report

NOON = datetime(2026, 6, 1, 12, tzinfo=UTC)


def test_a_part_is_well_while_one_process_does_it(settings: Settings, store: Store) -> None:
    with store.write() as session:
        report(session, "watch a", {"watch": (False, "the watch waits")}, {}, NOON)
        report(session, "watch b", {"watch": (True, "watching 8 of 16 shares")}, {}, NOON)
        report(session, "web", {"web": (True, "serving")}, {}, NOON)
    with store.read() as session:
        assert parts_elsewhere(session, "web", NOON) == {"watch": (True, "watching 8 of 16 shares (watch b)")}


def test_a_process_that_fell_silent_is_named_and_one_that_ended_is_not(settings: Settings, store: Store) -> None:
    later = NOON + timedelta(seconds=SILENT_AFTER_S + 1)
    with store.write() as session:
        report(session, "ingest 1", {"ingest": (True, "12 readings stored")}, {}, NOON)
        report(session, "watch a", {"watch": (True, "watching")}, {}, NOON)
        process_ends(session, "watch a")
    with store.read() as session:
        said = parts_elsewhere(session, "web", later)
    assert said == {"ingest": (False, "ingest 1 has said nothing for 21 s; start it again and report its log")}


def test_reports_of_long_ago_are_forgotten(settings: Settings, store: Store) -> None:
    with store.write() as session:
        report(session, "ingest 1", {"ingest": (True, "")}, {}, NOON - timedelta(days=2))
        report(session, "web", {"web": (True, "")}, {}, NOON)
    with store.read() as session:
        assert parts_elsewhere(session, "", NOON) == {"web": (True, " (web)")}


def test_counts_of_all_processes_are_summed_and_of_lags_the_longest_counts(settings: Settings, store: Store) -> None:
    with store.write() as session:
        for worker, (stored, lag) in enumerate(((10, 0.2), (5, 1.5))):
            figures = {"readings_stored": stored, "ingest_lag_seconds": lag}
            report(session, f"ingest {worker}", {}, figures, NOON)
    with store.read() as session:
        assert figures_of(session, "web", {"watch_writes_behind": 3}) == {
            "readings_stored": 15,
            "ingest_lag_seconds": 1.5,
            "watch_writes_behind": 3,
        }
        assert figures_of(session, "ingest 0", {"readings_stored": 11})["readings_stored"] == 16


def test_an_ingest_worker_is_missed_though_another_works(settings: Settings, store: Store) -> None:
    later = NOON + timedelta(seconds=SILENT_AFTER_S + 1)
    with store.write() as session:
        report(session, "ingest 1", {"ingest": (True, "12 readings stored")}, {}, later)
        report(session, "ingest 2", {"ingest": (True, "9 readings stored")}, {}, NOON)
        report(session, "ingest 3", {"ingest": (True, "7 readings stored")}, {}, later)
    with store.read() as session:
        assert parts_elsewhere(session, "web", later)["ingest"][1].startswith("ingest 2 has said nothing for 21 s")

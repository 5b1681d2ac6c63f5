"""Readings as CSV: ``time,probe,quantity,value``, in and out, in bounded memory."""

import csv
import io
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TextIO

from service.errors import BadUse
from service.ingest.mapping import ChannelIntake, Mappings
from service.model import Flag, from_ms, to_ms
from service.store.block_rows import sealed_until
from service.store.blocks import DAY_MS
from service.store.engine import Store
from service.store.facts import load_facts
from service.store.readings import NewReading, add_readings, in_present_turn, stream_readings
from service.store.retention import is_deleted
from service.store.spreadsheets import defused

HEADER = ("time", "probe", "quantity", "value")
_CHUNK = 50_000
_REMEMBERED_DAYS = 100_000
_FIT, _IMPOSSIBLE = int(Flag.DEVICE_CLOCK), int(Flag.DEVICE_CLOCK | Flag.IMPOSSIBLE)

Progress = Callable[[int], None]
"""Told how far the file has been read. [byte]"""


@dataclass(slots=True)
class Imported:
    """What became of the rows of a file."""

    taken: int = 0
    repeated: int = 0
    refused: int = 0
    rejected_file: Path | None = None


def import_csv(store: Store, path: Path, progress: Progress) -> Imported:
    """Store the readings of a CSV file; doing it again stores nothing twice.

    Rows that cannot be taken go into ``<name>.rejected.csv`` beside the file, with the line and the reason. So do those
    of days whose readings retention has deleted: among them a few would pass for the whole day.

    Raises
    ------
    BadUse
        The file cannot be read, or has another header.
    """
    result = Imported()
    rejected = _Rejected(path.with_suffix(".rejected.csv"))
    with store.read() as session:
        known = _Channels(store, Mappings(load_facts(session)), sealed_until(session))
    try:
        with path.open("rb") as raw, io.TextIOWrapper(raw, encoding="utf-8-sig", newline="") as file:
            for chunk in _chunks(file, path, known, rejected):
                with store.write() as session:
                    stored = add_readings(session, in_present_turn(session, sorted(chunk)))
                result.taken += stored
                result.repeated += len(chunk) - stored
                progress(raw.tell())
    except UnicodeDecodeError as exc:
        raise BadUse(f"{path}: is not UTF-8 text ({exc.reason} at byte {exc.start}); save it as UTF-8") from exc
    except OSError as exc:
        raise BadUse(f"{path}: cannot be read ({exc.strerror})") from exc
    finally:
        rejected.close()
    result.refused, result.rejected_file = rejected.count, rejected.path if rejected.count else None
    return result


class _Channels:
    """Finds channels by probe and quantity, each pair once, and knows the days whose readings were deleted."""

    def __init__(self, store: Store, mappings: Mappings, sealed_until: int) -> None:
        self._store, self._mappings, self._sealed_until = store, mappings, sealed_until
        self._found: dict[tuple[str, str], ChannelIntake] = {}
        self._deleted: dict[tuple[int, int], bool] = {}

    def find(self, probe: str, quantity: str) -> ChannelIntake:
        channel = self._found.get((probe, quantity))
        if channel is None:
            intake = self._mappings.probes.get(probe)
            if intake is None:
                raise ValueError(f"probe {probe!r} is not in the room file")
            if quantity not in intake.channels:
                raise ValueError(f"probe {probe!r} has no channel {quantity!r}; it has {', '.join(intake.channels)}")
            channel = self._found[probe, quantity] = intake.channels[quantity]
        return channel

    def require_kept(self, channel_id: int, at_ms: int) -> None:
        day = at_ms // DAY_MS
        if day > self._sealed_until:
            return
        deleted = self._deleted.get((channel_id, day))
        if deleted is None:
            if len(self._deleted) >= _REMEMBERED_DAYS:
                self._deleted.clear()
            # A session for each look: one that stays open would keep the log of SQLite from being emptied.
            with self._store.read() as session:
                deleted = self._deleted[channel_id, day] = is_deleted(session, channel_id, day)
        if deleted:
            raise ValueError(
                f"the readings of {from_ms(day * DAY_MS):%Y-%m-%d} (UTC) were deleted by the retention rule, and only "
                "the day's summary is kept; restore a backup to have them back"
            )


class _Rejected:
    """The file of refused rows: made only when there is one."""

    def __init__(self, path: Path) -> None:
        self.path, self.count = path, 0
        self._file: TextIO | None = None

    def add(self, line: int, row: list[str], reason: str) -> None:
        if self._file is None:
            self._file = self.path.open("w", encoding="utf-8", newline="")
            csv.writer(self._file).writerow(("line", "reason", "row"))
        csv.writer(self._file).writerow((line, defused(reason), defused(",".join(row))))
        self.count += 1

    def close(self) -> None:
        if self._file is not None:
            self._file.close()


def _chunks(file: TextIO, path: Path, known: _Channels, rejected: _Rejected) -> Iterator[list[NewReading]]:
    reader = csv.reader(file)
    header = next(reader, None)
    if header is None or tuple(name.strip().lower() for name in header) != HEADER:
        raise BadUse(f"{path}:1: expected the header {','.join(HEADER)}")
    chunk: list[NewReading] = []
    while True:
        try:
            row = next(reader)
        except StopIteration:
            break
        except csv.Error as exc:
            rejected.add(reader.line_num, [], f"not CSV ({exc})")
            continue
        if not row:
            continue
        try:
            chunk.append(_reading(row, known))
        except ValueError as exc:
            rejected.add(reader.line_num, row, str(exc))
        if len(chunk) >= _CHUNK:
            yield chunk
            chunk = []
    yield chunk


def _reading(row: list[str], known: _Channels) -> NewReading:
    """Return one row as a reading; ValueError says what is wrong with it."""
    if len(row) != len(HEADER):
        raise ValueError(f"has {len(row)} fields, expected {len(HEADER)}")
    channel = known.find(row[1], row[2])
    at = datetime.fromisoformat(row[0])
    if at.tzinfo is None:
        raise ValueError(f"time {row[0]!r} has no offset; write for example 2026-03-01T12:00:00.000+00:00")
    value = float(row[3])
    if not math.isfinite(value):
        raise ValueError(f"value {row[3]!r} is no finite number")
    at_ms = to_ms(at)
    known.require_kept(channel.id, at_ms)
    return channel.id, at_ms, value, _IMPOSSIBLE if channel.is_impossible(value) else _FIT


def export_csv(store: Store, out: TextIO, start_ms: int, end_ms: int) -> int:
    """Write the readings of a span as CSV, channel by channel, and return how many there were."""
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(HEADER)
    count = 0
    with store.read() as session:
        facts = load_facts(session)
        for channel in sorted(facts.channels.values(), key=lambda channel: channel.key):
            for rows in stream_readings(session, channel.id, start_ms, end_ms):
                writer.writerows(
                    (from_ms(at).isoformat(timespec="milliseconds"), channel.probe, channel.quantity, repr(value))
                    for at, value, _flags in rows
                )
                count += len(rows)
    return count

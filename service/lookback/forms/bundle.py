"""A report as a bundle of tables: a zip with readings, verdicts, alarms, journal and facts as CSV, and their checksums.

It is written as it is read, in bounded memory; the same data give the same bytes. Text that a spreadsheet would take
for a formula is led by an apostrophe; numbers are never changed.
"""

import csv
import hashlib
import io
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, Final

import numpy as np
from sqlmodel import Session

from service.lookback.bodies import Body
from service.lookback.forms.key import key_of, written
from service.lookback.lives.stays import Stay
from service.lookback.report import to_bytes
from service.model import Flag
from service.store.blocks import DAY_MS
from service.store.engine import Store
from service.store.facts import RoomFacts
from service.store.history import corrected, placements_in
from service.store.readings import read_readings
from service.store.spreadsheets import defused

_DAYS_AT_ONCE: Final = 14
_LEVEL: Final = 1
README: Final = """\
A look-back by Wardian, as tables. All files are UTF-8; tables are CSV with a header, "." decimals, instants as ISO 8601
in UTC. An empty cell is not known. A text that begins with one of = + - @ | %, after spaces too or in their wide forms,
is led by an apostrophe ('), so that no spreadsheet takes it for a formula; take it away to have the text as it was.

report.json        the whole report, with the fingerprint of everything that it was made from
readings.csv       time, probe, quantity, enclosure, zone, value, corrected, flags
                   value: as the probe said it; corrected: by the reference checks in force, which is what was judged
                   flags: 4 approximate time, 8 beyond what the probe can measure: such readings judge nothing
days.csv           each local day of each enclosure with its verdict, its lit hours and its fingerprint
verdicts.csv       each check of each day: what it looked at (from, to, channels), value, target, uncertainty, coverage
misting.csv        what each misting cycle did
alarms.csv         the alarms that stood
gaps.csv           when a channel said nothing that can be judged
journal.csv        what keepers noted
facts.csv          placements, reference checks, profiles, schedules and equipment in force
corrections.csv    what was put right afterwards, with both versions
SHA256SUMS         the checksum of each file: sha256sum -c SHA256SUMS

wardian verify FILE says whether the bundle still matches the data that it was made from.

This describes the climate that was measured, not the animal: only a veterinarian can say what an animal suffers from.
"""
READING_HEAD: Final = "time,probe,quantity,enclosure,zone,value,corrected,flags"


def cell(value: Any) -> str:  # noqa: ANN401 - of any column
    """Return a cell: None is empty, text that a spreadsheet would run is led by an apostrophe."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    return defused(str(value).replace("\r\n", "\n").replace("\r", "\n"))


class _Pipe(io.RawIOBase):
    """Takes what the zip is written to, and gives it on in pieces."""

    def __init__(self) -> None:
        super().__init__()
        self._held: list[bytes] = []

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:  # noqa: ANN401 - any buffer
        piece = bytes(data)
        self._held.append(piece)
        return len(piece)

    def taken(self) -> bytes:
        """Return what was written since the last time."""
        held, self._held = b"".join(self._held), []
        return held


def bundle_of(store: Store, facts: RoomFacts, report: Body, stays: Sequence[Stay]) -> Iterator[bytes]:
    """Yield a zip, piece by piece.

    Parameters
    ----------
    store : Store
    facts : RoomFacts
    report : dict
        Of an enclosure, an animal or a clutch.
    stays : sequence of Stay
        Whose readings are taken: within the span of the report.
    """
    pipe, sums = _Pipe(), {}
    with zipfile.ZipFile(pipe, "w", zipfile.ZIP_DEFLATED, compresslevel=_LEVEL) as archive:
        archive.comment = written(key_of(report)).encode("ascii")
        for name, pieces in _files(store, facts, report, stays):
            digest = hashlib.sha256()
            # Opened by its name alone, an entry carries the earliest date that zips know, whatever day it is.
            with archive.open(name, "w", force_zip64=True) as file:
                for piece in pieces:
                    digest.update(piece)
                    file.write(piece)
                    yield pipe.taken()
            sums[name] = digest.hexdigest()
        listed = "".join(f"{digest}  {name}\n" for name, digest in sorted(sums.items()))
        with archive.open("SHA256SUMS", "w") as file:
            file.write(listed.encode())
    yield pipe.taken()


def _files(
    store: Store, facts: RoomFacts, report: Body, stays: Sequence[Stay]
) -> Iterator[tuple[str, Iterable[bytes]]]:
    yield "README.txt", [README.encode()]
    yield "report.json", [to_bytes(report)]
    where = report["subject"].get("enclosure", "")
    for name, columns, rows in _tables(report, where):
        yield name, [table_bytes(columns, rows)]
    yield "readings.csv", reading_pieces(store, facts, stays)


def table_bytes(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> bytes:
    """Return a table as CSV (RFC 4180)."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows([cell(value) for value in row] for row in rows)
    return text.getvalue().encode()


def _tables(report: Body, where: str) -> Iterator[tuple[str, tuple[str, ...], Iterable[Sequence[Any]]]]:
    yield "days.csv", ("date", "enclosure", "verdict", "complete", "lit_from", "lit_to", "lit_by", "fingerprint"), (
        (
            day["date"], day["enclosure"], day["verdict"], day["complete"], day["photoperiod"]["on"],
            day["photoperiod"]["off"], day["photoperiod"]["basis"], day["fingerprint"],
        )
        for day in report["days"]
    )  # fmt: skip
    check = ("verdict", "value", "unit", "uncertainty", "coverage", "from", "to", "zone", "complete", "sentence")
    target = ("low", "high", "share", "unit", "source")
    heads = ("date", "enclosure", "check", *check[:-1], "channels", *(f"target_{t}" for t in target), "sentence")
    yield "verdicts.csv", heads, (
        (
            day["date"], day["enclosure"], one["check"], *(one[name] for name in check[:-1]),
            " ".join(one["channels"]), *(one["target"][name] for name in target), one["sentence"],
        )
        for day in report["days"]
        for one in day["checks"]
    )  # fmt: skip
    for name, columns in _PLAIN.items():
        rows = (
            [row.get(column, where if column == "enclosure" else None) for column in columns] for row in report[name]
        )
        yield f"{name}.csv", columns, rows
    yield (
        "facts.csv",
        ("kind", "enclosure", "from", "until", "entered_by", "entered_at", "what"),
        (
            (f["kind"], f.get("enclosure", where), f["from"], f["until"], f["entered_by"], f["entered_at"], _what(f))
            for f in report["facts"]
        ),
    )
    yield (
        "corrections.csv",
        ("kind", "noted_at", "now", "before", "sentence"),
        (
            (c["kind"], c["noted_at"], (c["is"] or {}).get("said"), (c["was"] or {}).get("said"), c["sentence"])
            for c in report.get("corrections", ())
        ),
    )


_PLAIN: Final = {
    "misting": ("enclosure", "at", "basis", "verdict", "response", "uncertainty", "rise_minutes", "decay_minutes",
                "baseline_vapour_pressure", "temperature_moving", "sentence"),
    "alarms": ("enclosure", "condition", "zone", "priority", "state", "raised_at", "acknowledged_at",
               "acknowledged_by", "returned_at", "peak", "limit", "unit", "cause", "note"),
    "gaps": ("enclosure", "channel", "zone", "from", "to", "reason"),
    "journal": ("at", "kind", "animal", "clutch", "enclosure", "value", "unit", "note", "entered_by", "entered_at",
                "corrected"),
}  # fmt: skip
_FACT_SHARED: Final = frozenset({"kind", "enclosure", "from", "until", "entered_by", "entered_at"})


def _what(fact: Body) -> str:
    return "; ".join(f"{name} {value}" for name, value in fact.items() if name not in _FACT_SHARED)


def reading_pieces(store: Store, facts: RoomFacts, stays: Iterable[Stay]) -> Iterator[bytes]:
    """Yield the readings of stays as CSV, each channel while it was placed there, some days at a time."""
    yield f"{READING_HEAD}\r\n".encode()
    with store.read() as session:
        for stay in stays:
            for placed in placements_in(facts, stay.enclosure, stay.start_ms, stay.end_ms):
                channel = facts.channels[placed.channel_id]
                start, end = max(stay.start_ms, placed.start_ms), min(stay.end_ms, placed.end_ms)
                what = f",{cell(channel.probe)},{channel.quantity},{stay.enclosure.key},{placed.zone},"
                yield from _channel_pieces(session, facts, placed.channel_id, (start, end), what)


def _channel_pieces(
    session: Session, facts: RoomFacts, channel_id: int, span: tuple[int, int], what: str
) -> Iterator[bytes]:
    channel = facts.channels[channel_id]
    for first in range(span[0], span[1], _DAYS_AT_ONCE * DAY_MS):
        stored = read_readings(session, channel_id, first, min(span[1], first + _DAYS_AT_ONCE * DAY_MS))
        if not len(stored):
            continue
        right = corrected(channel, stored).value
        unfit = (stored.flags & np.int16(int(Flag.unfit()))).tolist()
        times = np.datetime_as_string(stored.at.astype("datetime64[ms]"), unit="ms").tolist()
        values, rights = stored.value.tolist(), np.round(right, 6).tolist()
        lines = [
            f"{time}Z{what}{value!r},{now!r},{flags}"
            for time, value, now, flags in zip(times, values, rights, unfit, strict=True)
        ]
        yield ("\r\n".join(lines) + "\r\n").encode()

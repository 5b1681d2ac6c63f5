"""Says whether a report still is what the data say: every day is assessed anew, and nothing that was kept is believed.

A report carries in itself what it was asked for. It is made again and compared byte by byte. Where it differs, two
questions are told apart: did someone change the file, or did the data or facts change since?
"""

import hashlib
import re
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import orjson

from service.errors import BadUse
from service.lookback.bodies import Body
from service.lookback.forms.key import KINDS, ReportKey, found_in, key_of
from service.lookback.forms.making import Form, Made, make, write
from service.lookback.lives.asking import Question
from service.lookback.report import SHORT
from service.lookback.words import counted, listed
from service.store.engine import Store
from service.store.facts import RoomFacts

_LARGEST: Final = 64 * 1024 * 1024
"""Of a report that is no bundle. [bytes]"""
_EMBEDDED: Final = re.compile(rb'<script type="application/json" id="look-back">(.*?)</script>', re.DOTALL)
_MOST_DAYS: Final = 10


@dataclass(frozen=True, slots=True)
class Verified:
    """What came of verifying a report.

    Attributes
    ----------
    matches : bool
        Whether the file is, byte for byte, what the data give now.
    sentences : tuple of str
    """

    matches: bool
    sentences: tuple[str, ...]


def verify(
    store: Store, facts: RoomFacts, file: Path, now: datetime, progress: Callable[[int], None] = lambda _: None
) -> Verified:
    """Say whether a report matches the data.

    Parameters
    ----------
    store : Store
    facts : RoomFacts
    file : Path
        A report as JSON, HTML, PDF, or a bundle of tables.
    now : datetime
    progress : callable
        Told how many further days are done.

    Raises
    ------
    BadUse
        The file cannot be read, or is no report.
    NotFound
        Whom it is about is not in this store.
    """
    form, key, stated = _read(file)
    question = Question(key.kind, key.name, key.first, key.last, key.event)
    as_of = now if key.as_of is None else datetime.fromisoformat(key.as_of)
    made = make(store, facts, question, as_of, progress, kept_too=False)
    same = _digest(_pieces_of(file)) == _digest(write(store, facts, made, form, key.paper or "a4", key.degrees))
    fingerprint = made.report["data"]["fingerprint"]
    if same:
        return Verified(True, (f"{file.name} matches the data: fingerprint {fingerprint[:SHORT]}, made anew.",))
    if fingerprint == key.fingerprint:
        said = (_changed_file(file, form), *_damage(file, form), *(_parts(stated, made.report) if stated else ()))
        return Verified(False, said)
    return Verified(False, tuple(_what_differs(file, made, key, stated)))


def _changed_file(file: Path, form: Form) -> str:
    said = f"{file.name} was changed: the data still give the fingerprint that it states, but not these bytes."
    return said if form is not Form.CSV else f"{said} Its checksums say which table:"


def _what_differs(file: Path, made: Made, key: ReportKey, stated: Body | None) -> Iterator[str]:
    yield (
        f"{file.name} does not match the data: it states the fingerprint {key.fingerprint[:SHORT]}, the data give "
        f"{made.report['data']['fingerprint'][:SHORT]}. Either the file was changed, or data or facts were since."
    )
    if stated is None:
        yield "Save the report as JSON or HTML too to be told which days differ."
        return
    yield from _parts(stated, made.report)


def _parts(stated: Body, report: Body) -> Iterator[str]:
    """Yield which days and which parts of a report differ from what the data give."""
    was, now = ({(d["enclosure"], d["date"]): d for d in body["days"]} for body in (stated, report))
    differing = sorted(day for day in was.keys() | now.keys() if _print(was.get(day)) != _print(now.get(day)))
    if differing:
        shown = listed(f"{when} in {enclosure}" for enclosure, when in differing[:_MOST_DAYS])
        more = f" and {counted(len(differing) - _MOST_DAYS, 'more day')}" if len(differing) > _MOST_DAYS else ""
        yield f"Assessed from other readings or facts: {shown}{more}."
    shared = was.keys() & now.keys()
    altered = sorted(day for day in shared if _print(was[day]) == _print(now[day]) and was[day] != now[day])
    if altered:
        shown = listed(f"{when} in {enclosure}" for enclosure, when in altered[:_MOST_DAYS])
        yield f"Stated otherwise than their own fingerprint gives: {shown}."
    parts = ("alarms", "misting", "gaps", "facts", "journal", "corrections", "changes", "summary", "subject")
    others = [part for part in parts if stated.get(part) != report.get(part)]
    if others:
        yield f"These parts differ: {listed(others)}."


def _print(day: Body | None) -> str | None:
    return None if day is None else day.get("fingerprint")


def _read(file: Path) -> tuple[Form, ReportKey, Body | None]:
    """Return what kind of report a file is, what it was asked for, and what it states where that can be read."""
    try:
        with file.open("rb") as opened:
            head = opened.read(8)
        if head.startswith(b"PK"):
            return _read_bundle(file)
        if file.stat().st_size > _LARGEST:
            raise BadUse(f"{file}: larger than any report; expected one that wardian lookback wrote")
        data = file.read_bytes()
    except OSError as exc:
        raise BadUse(f"{file}: cannot be read ({exc.strerror})") from exc
    if head.startswith(b"%PDF"):
        return Form.PDF, _key(file, found_in(data)), None
    embedded = _EMBEDDED.search(data)
    if embedded is not None:
        return Form.HTML, _key(file, found_in(data)), _json(embedded[1])
    stated = _json(data)
    if stated is None:
        raise BadUse(f"{file}: is no report; expected JSON, HTML, PDF or a bundle (zip) that wardian lookback wrote")
    return Form.JSON, key_of(stated), stated


def _key(file: Path, key: ReportKey | None) -> ReportKey:
    if key is None or key.kind not in KINDS:
        raise BadUse(f"{file}: does not say what it was asked for; a report that wardian lookback wrote does")
    return key


def _json(data: bytes) -> Body | None:
    """Return a report that is written as JSON; None where it is none."""
    try:
        found: Any = orjson.loads(data)
        key_of(found)
        datetime.fromisoformat(found["from"])
        return found if all(isinstance(day, dict) for day in found["days"]) else None
    except (ValueError, KeyError, TypeError, AttributeError, StopIteration):
        return None


def _read_bundle(file: Path) -> tuple[Form, ReportKey, Body | None]:
    try:
        with zipfile.ZipFile(file) as archive:
            key = found_in(archive.comment)
            info = archive.getinfo("report.json")
            stated = _json(archive.read(info)) if info.file_size <= _LARGEST else None
    except (zipfile.BadZipFile, KeyError, OSError, NotImplementedError, EOFError) as exc:
        raise BadUse(f"{file}: is no whole bundle ({exc}); expected one that wardian lookback wrote") from exc
    except Exception as exc:  # zlib and struct errors of a damaged member
        raise BadUse(f"{file}: a table in it is damaged ({exc})") from exc
    return Form.CSV, _key(file, key), stated


def _damage(file: Path, form: Form) -> Iterator[str]:
    """Yield the tables of a bundle that are not what its checksums say."""
    if form is not Form.CSV:
        return
    try:
        with zipfile.ZipFile(file) as archive:
            sums = archive.read("SHA256SUMS").decode()
            for line in sums.splitlines():
                digest, _, name = line.partition("  ")
                try:
                    with archive.open(name) as member:
                        found = _digest(iter(lambda: member.read(1 << 20), b""))
                except (zipfile.BadZipFile, KeyError) as exc:
                    yield f"{name}: damaged ({exc})."
                    continue
                if found != digest:
                    yield f"{name}: not what its checksum says."
    except (zipfile.BadZipFile, KeyError, UnicodeDecodeError) as exc:
        yield f"its checksums cannot be read ({exc})."


def _pieces_of(file: Path) -> Iterator[bytes]:
    with file.open("rb") as opened:
        while piece := opened.read(1 << 20):
            yield piece


def _digest(pieces: Iterator[bytes]) -> str:
    digest = hashlib.sha256()
    for piece in pieces:
        digest.update(piece)
    return digest.hexdigest()

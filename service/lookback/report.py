"""The look-back of an enclosure: one page of plain values, the same bytes for the same data and facts."""

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

import orjson
from sqlmodel import Session

from service.climate.ranges import HOUR_MS
from service.lookback.bodies import Body, instant, number
from service.lookback.days import AssessedDays, assessed_days
from service.lookback.gaps import Gap, joined, within
from service.lookback.lives.corrections import corrections_of
from service.lookback.lives.stays import Stay
from service.lookback.noted import enclosure_journal
from service.lookback.spans import LookbackSpan
from service.lookback.summary import summary_of
from service.lookback.told_facts import told_facts
from service.lookback.words import long_day_words, ms_of
from service.model import Alarm, from_ms, to_ms
from service.store.assessments import alarms_within
from service.store.engine import Store
from service.store.facts import EnclosureFact, RoomFacts
from service.store.journal import About
from service.store.readings import first_reading_ms

COUNTS: Final = ("readings", "approximate", "refused")
_OF_THE_ASKING: Final = frozenset({"as_of", "corrections"})
_STILL_MS: Final = 51 * HOUR_MS
"""A day's night, and what follows from it, are over so long after its end. [ms]"""
SHORT: Final = 16
"""So many digits of a day's fingerprint are told."""


def enclosure_report(
    store: Store,
    facts: RoomFacts,
    enclosure: EnclosureFact,
    span: LookbackSpan,
    now_ms: int,
    progress: Callable[[int], None] = lambda _: None,
    *,
    kept_too: bool = True,
) -> Body:
    """Return what an enclosure lived through.

    Parameters
    ----------
    store : Store
    facts : RoomFacts
        As of that store.
    enclosure : EnclosureFact
        In use or retired.
    span : LookbackSpan
        Its local days are assessed whole; misting, alarms and gaps are those of the span itself.
    now_ms : int
        What lies later is not known yet. [ms since 1970, UTC]
    progress : callable
        Told how many further days are done.
    kept_too : bool
        False assesses every day anew from its readings.

    Returns
    -------
    dict
        JSON values: what is not known is None, never NaN.
    """
    gathered = gather(store, facts, enclosure, span, now_ms, progress, kept_too=kept_too)
    report: Body = {
        "subject": {"enclosure": enclosure.key, "name": enclosure.name},
        "from": instant(span.start_ms),
        "to": instant(span.end_ms),
        "time_zone": facts.timezone,
        "summary": {},
        **gathered.body,
    }
    report["summary"] = summary_of(report)
    report["summary"]["sentences"][1:1] = _beside(enclosure, report, gathered.first_heard_ms)
    report["data"]["fingerprint"] = fingerprint_of(report, gathered.inputs)
    with store.read() as session:
        corrections = corrections_of(session, facts, About(), [Stay(enclosure, span.start_ms, span.end_ms)])
    return report | {"as_of": as_of(span, now_ms), "corrections": corrections}


def as_of(span: LookbackSpan, now_ms: int) -> str | None:
    """Return the instant as of which a span is told, None where it is over: then any later one tells the same."""
    return instant(now_ms) if now_ms < span.end_ms + _STILL_MS else None


@dataclass(frozen=True, slots=True)
class Gathered:
    """What one enclosure adds to a report.

    Attributes
    ----------
    body : dict
        Days, misting, alarms, gaps, facts, journal and counts, as JSON values.
    inputs : tuple of bytes
        The digest of what each day was assessed from.
    first_heard_ms : int or None
        Where the span has no reading: when the first one of the enclosure was taken. [ms since 1970, UTC]
    """

    body: Body
    inputs: tuple[bytes, ...]
    first_heard_ms: int | None


def gather(
    store: Store,
    facts: RoomFacts,
    enclosure: EnclosureFact,
    span: LookbackSpan,
    now_ms: int,
    progress: Callable[[int], None] = lambda _: None,
    *,
    kept_too: bool = True,
) -> Gathered:
    """Return what an enclosure lived through over a span; arguments as of `enclosure_report`.

    Without `kept_too` every day is assessed anew from its readings: what was kept of it is not believed.
    """
    assessed = assessed_days(store, facts, enclosure, span.first, span.last, now_ms, progress, kept_too=kept_too)
    with store.read() as session:
        alarms = [alarm_body(alarm) for alarm in alarms_within(session, enclosure.id, *_instants(span))]
        told = told_facts(session, facts, enclosure, span)
        noted = enclosure_journal(session, enclosure, *_instants(span))
        first_heard = _first_heard(session, enclosure, now_ms) if not _readings(assessed) else None
    body: Body = {
        "days": [day.body["day"] | {"fingerprint": day.inputs.hex()[:SHORT]} for day in assessed.days],
        "misting": misting_of(assessed, span),
        "alarms": alarms,
        "gaps": [_gap(gap) for gap in _gaps(assessed, span)],
        "facts": told,
        "journal": noted,
        "data": {name: sum(d.body["data"][name] for d in assessed.days) for name in COUNTS},
    }
    return Gathered(body, tuple(day.inputs for day in assessed.days), first_heard)


def misting_of(assessed: AssessedDays, span: LookbackSpan) -> list[Body]:
    """Return the misting cycles of a span, in order of time."""
    cycles = [cycle for day in assessed.days for cycle in day.body["misting"]]
    return [cycle for cycle in cycles if span.start_ms <= ms_of(cycle["at"]) < span.end_ms]


def fingerprint_of(report: Body, inputs: Sequence[bytes]) -> str:
    """Return the SHA-256 of a report and of everything that its days were assessed from, as hexadecimal digits.

    How it was known before, and when it was asked for, is left out: the same data and facts give the same fingerprint.
    """
    plain = {name: value for name, value in report.items() if name not in _OF_THE_ASKING}
    plain["data"] = {name: value for name, value in report["data"].items() if name != "fingerprint"}
    digest = hashlib.sha256(orjson.dumps(plain, option=orjson.OPT_SORT_KEYS))
    for one in inputs:
        digest.update(one)
    return digest.hexdigest()


def to_bytes(report: Body) -> bytes:
    """Return a report as JSON text."""
    return orjson.dumps(report, option=orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE)


def _date(at_ms: int, timezone: str) -> str:
    return long_day_words(from_ms(at_ms).astimezone(ZoneInfo(timezone)).date())


def _instants(span: LookbackSpan) -> tuple[datetime, datetime]:
    return from_ms(span.start_ms), from_ms(span.end_ms)


def _readings(assessed: AssessedDays) -> int:
    return sum(day.body["data"]["readings"] for day in assessed.days)


def _gaps(assessed: AssessedDays, span: LookbackSpan) -> list[Gap]:
    return within(joined(gap for day in assessed.days for gap in day.body["gaps"]), span.start_ms, span.end_ms)


def _gap(gap: Gap) -> Body:
    return {
        "channel": gap["channel"],
        "zone": gap["zone"],
        "from": instant(gap["from_ms"]),
        "to": instant(gap["to_ms"]),
        "reason": gap["reason"],
    }


def alarm_body(alarm: Alarm) -> Body:
    """Return an alarm as a report tells it."""
    return {
        "condition": alarm.condition,
        "zone": alarm.zone,
        "priority": alarm.priority,
        "state": alarm.state,
        "raised_at": instant(to_ms(alarm.raised_at)),
        "acknowledged_at": None if alarm.acknowledged_at is None else instant(to_ms(alarm.acknowledged_at)),
        "acknowledged_by": alarm.acknowledged_by,
        "returned_at": None if alarm.returned_at is None else instant(to_ms(alarm.returned_at)),
        "peak": None if alarm.peak is None else number(alarm.peak),
        "limit": None if alarm.limit is None else number(alarm.limit),
        "unit": alarm.unit,
        "cause": alarm.cause,
        "note": alarm.note,
    }


def _first_heard(session: Session, enclosure: EnclosureFact, now_ms: int) -> int | None:
    """Return when the first reading of an enclosure was taken. [ms since 1970, UTC]."""
    firsts = (first_reading_ms(session, p.channel_id, p.start_ms, min(p.end_ms, now_ms)) for p in enclosure.placements)
    return min((first for first in firsts if first is not None), default=None)


def _beside(enclosure: EnclosureFact, report: Body, first_heard_ms: int | None) -> list[str]:
    """Return what must be known before anything else: that there are no readings, that the enclosure is retired."""
    said: list[str] = []
    if report["days"] and not report["data"]["readings"]:
        if first_heard_ms is None:
            known = "no reading of this enclosure is stored at all"
        else:
            known = f"its first one was taken on {_date(first_heard_ms, report['time_zone'])}"
        said.append(f"There is no reading of this enclosure in this span: {known}.")
    if enclosure.retired_ms is not None:
        said.append(f"The enclosure has been out of use since {_date(enclosure.retired_ms, report['time_zone'])}.")
    return said

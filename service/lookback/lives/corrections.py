"""What was put right afterwards: facts with both versions, readings that came late, verdicts that changed."""

from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import date, datetime, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

import sqlalchemy as sa
from sqlmodel import Session

from service.lookback.bodies import Body, instant
from service.lookback.lives.stays import Stay, local_span
from service.lookback.noted import entry_bodies, entry_words
from service.lookback.words import channel_words, check_name, clock_words, dates_words, day_words, long_day_words
from service.model import (
    Calibration,
    ChannelDay,
    ClutchPlace,
    ClutchRecord,
    DatedFact,
    Enclosure,
    Equipment,
    Housing,
    JournalEntry,
    LightSchedule,
    MistingSchedule,
    Placement,
    Profile,
    ProfileAssignment,
    ProfileVersion,
    TargetOverride,
    from_ms,
    table_of,
    to_ms,
)
from service.store.facts import RoomFacts
from service.store.journal import About
from service.store.readings import DAY_MS, END_OF_TIME
from service.store.verdict_changes import changes_within

_AT_ONCE: Final = timedelta(minutes=10)
"""What is changed so soon after the time that it is about is an ordinary end, no correction."""
_FACT_DATES: Final = frozenset(DatedFact.model_fields)
Row = Any
"""A row of any dated table."""


def corrections_of(session: Session, facts: RoomFacts, about: About, stays: Iterable[Stay]) -> list[Body]:
    """Return what was corrected about the stays of a span, and about whoever lived them, in the order of entry."""
    found: dict[str, Body] = {}
    ordered = list(stays)
    span = (min((s.start_ms for s in ordered), default=0), max((s.end_ms for s in ordered), default=0))
    for stay in ordered:
        words = _Words(session, facts, stay)
        for model, column, wanted in _tables(stay):
            for row in _replaced(session, model, column, wanted, words, (stay.start_ms, stay.end_ms)):
                found[repr(row)] = row
        for late in (*_late(session, facts, stay), *_changed_verdicts(session, facts, stay)):
            found[repr(late)] = late
    for model, column, identity in _of_life(about):
        words = _Words(session, facts, None)
        for row in _replaced(session, model, column, {identity}, words, span):
            found[repr(row)] = row
    return sorted(found.values(), key=lambda body: (body["noted_at"] or "", body["sentence"]))


def _tables(stay: Stay) -> Iterator[tuple[type[DatedFact], str, set[int]]]:
    """Yield the tables whose facts are about an enclosure, with the column and ids by which they are."""
    here = {stay.enclosure.id}
    for model in (Placement, LightSchedule, MistingSchedule, ProfileAssignment, TargetOverride, Equipment):
        yield model, "enclosure_id", here
    yield Calibration, "channel_id", {p.channel_id for p in stay.enclosure.placements}


def _of_life(about: About) -> Iterator[tuple[type[DatedFact], str, int]]:
    if about.animal_id is not None:
        yield Housing, "animal_id", about.animal_id
        yield JournalEntry, "animal_id", about.animal_id
    if about.clutch_id is not None:
        for model in (ClutchPlace, ClutchRecord, JournalEntry):
            yield model, "clutch_id", about.clutch_id


def _replaced(
    session: Session, model: type[DatedFact], column: str, wanted: set[int], words: "_Words", span: tuple[int, int]
) -> Iterator[Body]:
    """Yield the corrections of a table that changed what is known of a span."""
    table = table_of(model)
    new, old = table.alias(), table.alias()
    about = sa.or_(new.c[column].in_(wanted), old.c[column].in_(wanted))
    pairs = sa.select(new.c.id, old.c.id).join(old, old.c.id == new.c.replaces_id).where(about).order_by(new.c.id)
    for new_id, old_id in session.execute(pairs).all():
        now, was = session.get_one(model, new_id), session.get_one(model, old_id)
        if is_correction(was, now) and any(_meets(row, *span) for row in (was, now)):
            yield _body(model, was, now, words)


def is_correction(was: DatedFact, now: DatedFact) -> bool:
    """Say whether a row changed what was known of the past, rather than ending a fact as time goes on."""
    before = now.entered_at - _AT_ONCE
    if now.withdrawn or _content(was) != _content(now):
        return min(was.from_at, now.from_at) < before
    if was.from_at != now.from_at:
        return min(was.from_at, now.from_at) < before
    if was.until_at is None:
        # It ended as time went on, however late that was entered.
        return False
    return was.until_at != now.until_at and min(was.until_at, now.until_at or was.until_at) < before


def _content(row: DatedFact) -> dict[str, Any]:
    return {name: value for name, value in row.model_dump().items() if name not in _FACT_DATES}


def _meets(row: DatedFact, start: int, end: int) -> bool:
    first = to_ms(row.from_at)
    last = END_OF_TIME if row.until_at is None else to_ms(row.until_at)
    return first < end and start <= max(last, first)


def _body(model: type[DatedFact], was: DatedFact, now: DatedFact, words: "_Words") -> Body:
    noun, said_was = words.noun(model), words.version(model, was)
    said_now = "taken back" if now.withdrawn else words.version(model, now)
    when = clock_words(instant(to_ms(now.entered_at)), words.zone)
    first = clock_words(instant(to_ms(was.entered_at)), words.zone)
    return {
        "kind": noun,
        "was": {"said": said_was, "entered_by": was.entered_by, "entered_at": instant(to_ms(was.entered_at))},
        "is": {"said": said_now, "entered_by": now.entered_by, "entered_at": instant(to_ms(now.entered_at))},
        "noted_at": instant(to_ms(now.entered_at)),
        "sentence": (
            f"{noun.capitalize()} corrected on {when} by {now.entered_by}. Now: {said_now}. "
            f"As entered on {first} by {was.entered_by}: {said_was}."
        ),
    }


class _Words:
    """Facts of any table in words."""

    def __init__(self, session: Session, facts: RoomFacts, stay: Stay | None) -> None:
        self._session, self._facts, self._stay = session, facts, stay
        self.zone: ZoneInfo = facts.zone

    def noun(self, model: type[DatedFact]) -> str:
        """Return what a fact of a table is called."""
        return _NOUNS[model]

    def version(self, model: type[DatedFact], row: DatedFact) -> str:
        """Return one version of a fact, with when it holds."""
        start = self._moment(row.from_at)
        if model in {JournalEntry, Calibration}:
            return f"{_SAYS[model](self, row)}, on {start}"
        until = f" until {self._moment(row.until_at)}" if row.until_at else ""
        return f"{_SAYS[model](self, row)}, from {start}{until}"

    def _moment(self, at: datetime) -> str:
        local = at.astimezone(self.zone)
        return f"{long_day_words(local.date())} {local:%H:%M}"

    def channel(self, channel_id: int) -> str:
        """Return a channel in words."""
        return channel_words(self._facts.channels[channel_id].key)

    def enclosure(self, enclosure_id: int) -> str:
        """Return an enclosure's name."""
        return self._session.get_one(Enclosure, enclosure_id).name

    def profile(self, profile_id: int) -> str:
        """Return a profile's key."""
        return self._session.get_one(Profile, profile_id).key

    def entry(self, row: Row) -> str:
        """Return what was noted."""
        return entry_words(entry_bodies(self._session, [row])[0])


def _clutch(row: Row) -> str:
    needed = "" if row.needed_low is None else f", {row.needed_low:g} degree-days above {row.base:g} °C"
    return f"{row.eggs} eggs{needed}" + (f", {row.outcome}" if row.outcome else "")


_NOUNS: Final[Mapping[type[DatedFact], str]] = {
    Placement: "place of a probe", LightSchedule: "light schedule", MistingSchedule: "misting schedule",
    ProfileAssignment: "profile", ProfileVersion: "profile version", TargetOverride: "target set otherwise",
    Equipment: "equipment", Calibration: "reference check", Housing: "housing", JournalEntry: "journal entry",
    ClutchPlace: "place of the clutch", ClutchRecord: "record of the clutch",
}  # fmt: skip
_SAYS: Final[Mapping[type[DatedFact], Callable[[_Words, Row], str]]] = {
    Placement: lambda words, row: (
        f"{words.channel(row.channel_id)} at {row.zone.replace('-', ' ')} of {words.enclosure(row.enclosure_id)}"
    ),
    LightSchedule: lambda _, row: f"on {row.on:%H:%M}, off {row.off:%H:%M}",
    MistingSchedule: lambda _, row: ", ".join(f"{at} for {seconds} s" for at, seconds in row.cycles) or "none",
    ProfileAssignment: lambda words, row: words.profile(row.profile_id),
    TargetOverride: lambda _, row: f"{check_name(row.check)} {row.low} to {row.high} ({row.reason})",
    Equipment: lambda _, row: row.kind.replace("-", " "),
    Calibration: lambda words, row: (
        f"{words.channel(row.channel_id)} read {row.reads:g} where the reference stood at {row.reference:g}"
    ),
    Housing: lambda words, row: f"in {words.enclosure(row.enclosure_id)}",
    JournalEntry: lambda words, row: words.entry(row),
    ClutchPlace: lambda words, row: f"{row.zone.replace('-', ' ')} of {words.enclosure(row.enclosure_id)}",
    ClutchRecord: lambda _, row: _clutch(row),
}


def _late(session: Session, facts: RoomFacts, stay: Stay) -> Iterator[Body]:
    """Yield the channels whose readings of these days came late, and have joined them."""
    table = table_of(ChannelDay)
    for placed in stay.enclosure.placements:
        start, end = max(stay.start_ms, placed.start_ms), min(stay.end_ms, placed.end_ms)
        if start >= end:
            continue
        within = table.c.day.between(start // DAY_MS, (end - 1) // DAY_MS)
        query = sa.select(table.c.day).where(table.c.channel_id == placed.channel_id, within).order_by(table.c.day)
        days = [from_ms(day * DAY_MS).date() for day in session.execute(query).scalars()]
        if days:
            words = channel_words(facts.channels[placed.channel_id].key, placed.zone)
            yield _plain(
                "late readings",
                f"Readings of {words} came late, and have joined their days: {dates_words(days)} (UTC).",
            )


def _changed_verdicts(session: Session, facts: RoomFacts, stay: Stay) -> Iterator[Body]:
    span = local_span(stay.start_ms, stay.end_ms, facts.zone)
    for change in changes_within(session, stay.enclosure.id, span.first, span.last):
        before, after = (verdict or "not asked for" for verdict in (change.before, change.after))
        noted = clock_words(instant(to_ms(change.noted_at)), facts.zone)
        said = (
            f"{check_name(change.check)} of {_day(change.day)} in {stay.enclosure.name}: {after} now, {before} before "
            f"(noted on {noted}: {change.reason})."
        )
        yield _plain("verdict changed", said) | {"noted_at": instant(to_ms(change.noted_at))}


def _day(day: date) -> str:
    return day_words(day)


def _plain(kind: str, sentence: str) -> Body:
    return {"kind": kind, "was": None, "is": None, "noted_at": None, "sentence": sentence}

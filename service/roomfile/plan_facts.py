"""Which dated facts begin, end, or hold in another span."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, time
from itertools import chain
from typing import Any
from zoneinfo import ZoneInfo

from service.model import ProfileVersion
from service.roomfile.changes import PlannedChange, PutFact
from service.roomfile.kinds import ANIMAL, FACTS, FactKind
from service.roomfile.plan_things import subject_of
from service.roomfile.profile_words import targets_in_words
from service.roomfile.spec import BEGINNING, RoomFile
from service.roomfile.standing import Standing
from service.roomfile.timeline import Added, Moment, Redated, Span, Step, Stored, Wanted, Withdrawn, lay_out
from service.roomfile.wanted import WantedFact, clock, wanted_facts

_Group = tuple[Any, ...]


def plan_facts(standing: Standing, room_file: RoomFile, now: datetime) -> list[PlannedChange]:
    """Return every change of a dated fact, kind by kind."""
    wanted = list(wanted_facts(room_file))
    zone = ZoneInfo(room_file.site.timezone)
    return [
        change
        for kind in FACTS
        for change in _of_kind(kind, standing, [fact for fact in wanted if fact.kind is kind], _Dates(now, zone))
    ]


@dataclass(frozen=True)
class _Dates:
    """The moment of the change, and how dates are told."""

    now: datetime
    zone: ZoneInfo

    def told(self, instant: datetime) -> str:
        if instant == self.now:
            return "now"
        if instant == BEGINNING:
            return "the beginning"
        return instant.astimezone(self.zone).isoformat(sep=" ", timespec="minutes")

    def span(self, span: Span) -> str:
        start, end = span
        return f"from {self.told(start)}" + (f" until {self.told(end)}" if end else "")


@dataclass(frozen=True)
class _Timeline:
    """The facts of one kind about one thing."""

    kind: FactKind
    owner: str | int
    apart: Mapping[str, Any]
    carried: Mapping[str, Any]
    dates: _Dates

    @property
    def subject(self) -> str:
        return subject_of(self.kind.owner, self.owner)

    @property
    def title(self) -> str:
        return f"{self.subject}: {self.kind.noun(self.apart)}"


def _of_kind(kind: FactKind, standing: Standing, wanted: list[WantedFact], dates: _Dates) -> Iterator[PlannedChange]:
    rows: dict[_Group, list[Stored]] = {}
    asked: dict[_Group, list[Wanted]] = {}
    for fact in standing.facts[kind.model]:
        group = _group(kind, fact.owner, fact.stored.content, fact.stored.from_at)
        rows.setdefault(group, []).append(fact.stored)
    for fact in wanted:
        group = _group(kind, fact.owner, fact.values, fact.from_at)
        asked.setdefault(group, []).append(Wanted(fact.values, fact.from_at, fact.until_at))
    for group in dict.fromkeys(chain(asked, rows)):
        owner = group[0]
        if kind.owner is ANIMAL and group not in asked:
            # Moves are entered on the animal's page: a file that gives it no housing does not end one.
            continue
        is_new = owner not in standing.things[kind.owner.model]
        moment = Moment(dates.now, BEGINNING if is_new else dates.now, kind.until_next, kind.renews)
        next_version = standing.newest_version.get(owner, 0) + 1
        carried = {"version": next_version} if kind.model is ProfileVersion else {}
        timeline = _Timeline(kind, owner, dict(zip(kind.apart, group[1:], strict=False)), carried, dates)
        steps = lay_out(rows.get(group, []), asked.get(group, []), moment)
        yield from _changes(timeline, steps)


def _group(kind: FactKind, owner: str | int, content: Mapping[str, Any], from_at: datetime | None) -> _Group:
    apart = tuple(content[column] for column in kind.apart)
    return (owner, *apart, from_at) if kind.is_moment else (owner, *apart)


def _changes(timeline: _Timeline, steps: list[Step]) -> Iterator[PlannedChange]:
    """Tell each step; what gives way to something new is told with it."""
    added = [step for step in steps if isinstance(step, Added)]
    told = {step.instead_of.id for step in added if step.instead_of is not None}
    for step in steps:
        if isinstance(step, Added):
            gone = _giving_way(steps, step)
            yield _added(timeline, step, gone)
        elif step.stored.id not in told:
            yield _redated(timeline, step) if isinstance(step, Redated) else _withdrawn(timeline, step)


def _giving_way(steps: list[Step], new: Added) -> list[Redated | Withdrawn]:
    """Return the steps of the row that something new comes in the place of."""
    old = new.instead_of
    return [step for step in steps if old and not isinstance(step, Added) and step.stored.id == old.id]


def _added(timeline: _Timeline, step: Added, gone: list[Redated | Withdrawn]) -> PlannedChange:
    kind, old = timeline.kind, step.instead_of
    when = timeline.dates.span(step.span)
    if old is None:
        sentence = f"{timeline.title} {kind.describe(step.content)}, {when}"
    elif kind.model is ProfileVersion:
        sentence = (
            f"{timeline.title} of targets changes {when}: {targets_in_words(old.content['body'], step.content['body'])}"
        )
    else:
        before, after = kind.describe(old.content), kind.describe(step.content)
        sentence = f"{timeline.title} changes from {before} to {after}, {when}"
    carried = step.rest_of.carried if step.rest_of else timeline.carried
    rows = [_row(timeline, step.content, step.span, carried, replaces=step.replaces)]
    rows += [_step_row(timeline, other) for other in gone]
    return PlannedChange(
        "changed" if old else "added",
        timeline.subject,
        sentence,
        _shown(kind, old.content, old.span) if old else None,
        _shown(kind, step.content, step.span),
        tuple(rows),
    )


def _redated(timeline: _Timeline, step: Redated) -> PlannedChange:
    kind, row, dates = timeline.kind, step.stored, timeline.dates
    what = f"{timeline.title} {kind.describe(row.content)}"
    if step.wanted:
        sentence = f"{what} holds {dates.span(step.span)}; before, {dates.span(row.span)}"
    elif step.span[0] == row.from_at and step.span[1] == dates.now:
        sentence = f"{what} ends now"
    else:
        sentence = f"{what} holds {dates.span(step.span)} only; before, {dates.span(row.span)}"
    action = "changed" if step.wanted else "ended"
    before, after = _shown(kind, row.content, row.span), _shown(kind, row.content, step.span)
    return PlannedChange(action, timeline.subject, sentence, before, after, (_step_row(timeline, step),))


def _withdrawn(timeline: _Timeline, step: Withdrawn) -> PlannedChange:
    kind, row = timeline.kind, step.stored
    what = f"{timeline.title} {kind.describe(row.content)}, {timeline.dates.span(row.span)}"
    before = _shown(kind, row.content, row.span)
    rows = (_step_row(timeline, step),)
    return PlannedChange("ended", timeline.subject, f"{what}, is taken back", before, None, rows)


def _step_row(timeline: _Timeline, step: Redated | Withdrawn) -> PutFact:
    row = step.stored
    if isinstance(step, Withdrawn):
        return _row(timeline, row.content, row.span, row.carried, replaces=row, withdrawn=True)
    return _row(timeline, row.content, step.span, row.carried, replaces=row)


def _row(
    timeline: _Timeline,
    content: Mapping[str, Any],
    span: Span,
    carried: Mapping[str, Any],
    *,
    replaces: Stored | None = None,
    withdrawn: bool = False,
) -> PutFact:
    kind = timeline.kind
    values = {**content, **carried, kind.owner_column: timeline.owner}
    references = {**kind.references, kind.owner_column: kind.owner.model}
    replaced = replaces.id if replaces else None
    return PutFact(kind.model, values, references, span[0], span[1], replaced, withdrawn)


def _told(value: object) -> object:
    """Return a value as JSON takes it."""
    if isinstance(value, time):
        return clock(value)
    return value.isoformat() if isinstance(value, datetime) else value


def _shown(kind: FactKind, content: Mapping[str, Any], span: Span) -> dict[str, Any]:
    """Return a fact for the journal of changes."""
    values = {column: _told(value) for column, value in content.items()}
    start, end = span
    dates = {"from_at": start.isoformat(), "until_at": end.isoformat() if end else None}
    return {"fact": str(kind.model.__tablename__), **values, **dates}

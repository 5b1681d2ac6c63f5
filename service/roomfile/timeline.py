"""What becomes of stored facts when a file asks for others: pure, one timeline at a time.

A timeline holds the facts of one thing of which one is in force at a time: the places of a channel, the light
schedules of an enclosure. Nothing here changes a fact; the steps say which rows are to be added.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, TypeAlias

Content: TypeAlias = Mapping[str, Any]
Span: TypeAlias = tuple[datetime, datetime | None]


@dataclass(frozen=True)
class Stored:
    """A row that counts; it holds in [from_at, until_at), and says `content`. `carried` goes where the row goes."""

    id: int
    content: Content
    from_at: datetime
    until_at: datetime | None
    carried: Content = field(default_factory=dict)

    @property
    def span(self) -> Span:
        """When it holds."""
        return self.from_at, self.until_at


@dataclass(frozen=True)
class Wanted:
    """What the file asks for; without `from_at` it matches a fact of any beginning."""

    content: Content
    from_at: datetime | None
    until_at: datetime | None


@dataclass(frozen=True)
class Added:
    """A new fact.

    Attributes
    ----------
    instead_of : Stored or None
        What it comes in the place of, and `replaces` when nothing of that is left.
    rest_of : Stored or None
        The row that it is a later part of, when something new holds in that row's midst.
    """

    content: Content
    span: Span
    instead_of: Stored | None = None
    replaces: Stored | None = None
    rest_of: Stored | None = None


@dataclass(frozen=True)
class Redated:
    """A row that holds in another span from now on; `wanted` when the file gives the dates, else something ended it."""

    stored: Stored
    span: Span
    wanted: bool


@dataclass(frozen=True)
class Withdrawn:
    """A row that never held, as it turns out."""

    stored: Stored


Step: TypeAlias = Added | Redated | Withdrawn


@dataclass(frozen=True)
class Moment:
    """When the file is applied.

    Attributes
    ----------
    now : datetime
        What the file no longer has ends now.
    start : datetime
        From when something new holds where the file does not say.
    until_next : bool
        Whether what holds now goes on until the first thing that the file asks for, when that lies ahead.
    renews : bool
        Whether what begins later is another of its kind: a new lamp, not the old one with a later date.
    """

    now: datetime
    start: datetime
    until_next: bool = True
    renews: bool = False


def lay_out(stored: Sequence[Stored], wanted: Sequence[Wanted], moment: Moment) -> list[Step]:
    """Return the steps from the facts of one timeline to what the file asks for.

    Parameters
    ----------
    stored : sequence of Stored
        The rows that count; no two hold at one time.
    wanted : sequence of Wanted
        No two hold at one time.
    moment : Moment
        When that happens.

    Returns
    -------
    list of Step
        Empty when the facts are as asked for. After them no two facts hold at one time, and the past that the file
        does not speak of stands as it was.
    """
    pairs, new, others = _match(stored, wanted, moment)
    kept: list[Step] = []
    spans: list[Span] = []
    for row, asked in pairs:
        span = (asked.from_at or row.from_at, asked.until_at)
        spans.append(span)
        if span != row.span:
            kept.append(Redated(row, span, wanted=True))
    fresh = [(asked, (asked.from_at or moment.start, asked.until_at)) for asked in new]
    fresh = [(asked, span) for asked, span in fresh if span[1] is None or span[0] < span[1]]
    spans += [span for _, span in fresh]
    left = {row.id: _left_of(row, spans, moment) for row in others}
    return kept + _steps(others, left, fresh, moment.now)


def _match(
    stored: Sequence[Stored], wanted: Sequence[Wanted], moment: Moment
) -> tuple[list[tuple[Stored, Wanted]], list[Wanted], list[Stored]]:
    """Pair what is asked for with what is there: first the same dates, then the same thing with other dates."""
    pairs: list[tuple[Stored, Wanted]] = []
    open_rows, open_wanted = list(stored), list(wanted)
    for fits in (_is_same, lambda row, asked: _is_same_but_for_dates(row, asked, moment)):
        for asked in list(open_wanted):
            row = next((row for row in open_rows if row.content == asked.content and fits(row, asked)), None)
            if row is not None:
                pairs.append((row, asked))
                open_rows.remove(row)
                open_wanted.remove(asked)
    return pairs, open_wanted, open_rows


def _is_same(row: Stored, asked: Wanted) -> bool:
    return row.until_at == asked.until_at and asked.from_at in {None, row.from_at}


def _is_same_but_for_dates(row: Stored, asked: Wanted, moment: Moment) -> bool:
    if asked.from_at == row.from_at:
        return True
    if moment.renews and asked.from_at is not None and asked.from_at > row.from_at:
        return False
    is_possible = asked.from_at is not None or asked.until_at is None or row.from_at < asked.until_at
    return is_possible and _is_live(row, moment.now)


def _is_live(row: Stored, now: datetime) -> bool:
    return row.until_at is None or row.until_at > now


def _left_of(row: Stored, wanted: Sequence[Span], moment: Moment) -> list[Span]:
    """Return what remains of a row that the file does not ask for."""
    start, end = row.span
    if _is_live(row, moment.now):
        next_start = min((span[0] for span in wanted), default=moment.now) if moment.until_next else moment.now
        last = max(moment.now, next_start)
        end = last if end is None or end > last else end
    left: list[Span] = [(start, end)] if end is None or start < end else []
    for span in wanted:
        left = [piece for part in left for piece in _without(part, span)]
    return left


def _without(part: Span, hole: Span) -> list[Span]:
    """Return what remains of a span outside another."""
    (start, end), (hole_start, hole_end) = part, hole
    if (end is not None and end <= hole_start) or (hole_end is not None and hole_end <= start):
        return [part]
    before: list[Span] = [(start, hole_start)] if start < hole_start else []
    after: list[Span] = [(hole_end, end)] if hole_end is not None and (end is None or hole_end < end) else []
    return before + after


def _steps(
    others: Sequence[Stored], left: Mapping[int, list[Span]], fresh: Sequence[tuple[Wanted, Span]], now: datetime
) -> list[Step]:
    """Return the steps for what goes and for what comes."""
    steps: list[Step] = []
    giving_way = [row for row in others if left[row.id] != [row.span]]
    replaced: set[int] = set()
    for asked, span in fresh:
        predecessor = next((row for row in giving_way if _is_live(row, now) and row.id not in replaced), None)
        whole = predecessor is not None and not left[predecessor.id]
        if predecessor is not None:
            replaced.add(predecessor.id)
        steps.append(Added(asked.content, span, predecessor, predecessor if whole else None))
    for row in giving_way:
        pieces = left[row.id]
        if pieces:
            steps.append(Redated(row, pieces[0], wanted=False))
            steps += [Added(row.content, piece, rest_of=row) for piece in pieces[1:]]
        elif not any(isinstance(step, Added) and step.replaces is row for step in steps):
            steps.append(Withdrawn(row))
    return steps

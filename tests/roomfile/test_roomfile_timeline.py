from datetime import datetime, timedelta
from itertools import combinations, count

from hypothesis import given
from hypothesis import strategies as st

from service.roomfile.spans import meet
from service.roomfile.spec import BEGINNING
from service.roomfile.timeline import Added, Moment, Redated, Step, Stored, Wanted, Withdrawn, lay_out

A, B, C = ({"zone": zone} for zone in ("basking", "canopy", "ambient"))
DAYS = 12


def day(number: int | None) -> datetime | None:
    return None if number is None else BEGINNING + timedelta(days=number)


def at(number: int) -> datetime:
    return BEGINNING + timedelta(days=number)


def carried_out(rows: list[Stored], steps: list[Step]) -> list[Stored]:
    """Return the rows that count after the steps."""
    ids = count(1_000)
    gone = {step.stored.id for step in steps if isinstance(step, Redated | Withdrawn)}
    gone |= {step.replaces.id for step in steps if isinstance(step, Added) and step.replaces}
    kept = [row for row in rows if row.id not in gone]
    for step in steps:
        if isinstance(step, Redated):
            kept.append(Stored(next(ids), step.stored.content, *step.span))
        elif isinstance(step, Added):
            kept.append(Stored(next(ids), step.content, *step.span))
    return kept


def content_at(rows: list[Stored], instant: datetime) -> object:
    found = [row.content for row in rows if row.from_at <= instant and (row.until_at is None or instant < row.until_at)]
    assert len(found) <= 1
    return found[0] if found else None


@st.composite
def spans(draw: st.DrawFn, most: int) -> list[tuple[int, int | None]]:
    """Draw spans of whole days that do not meet; the last may be open."""
    cuts = sorted(draw(st.sets(st.integers(0, DAYS), max_size=2 * most)))
    drawn: list[tuple[int, int | None]] = list(zip(cuts[::2], cuts[1::2], strict=False))
    if len(cuts) % 2:
        drawn.append((cuts[-1], None))
    return drawn


contents = st.sampled_from([A, B, C])
moments = st.integers(0, DAYS)


@st.composite
def timelines(draw: st.DrawFn) -> list[Stored]:
    return [Stored(number, draw(contents), at(a), day(b)) for number, (a, b) in enumerate(draw(spans(3)))]


@st.composite
def wishes(draw: st.DrawFn) -> list[Wanted]:
    if draw(st.booleans()):
        return [Wanted(draw(contents), None, day(draw(st.none() | moments)))]
    return [Wanted(draw(contents), at(a), day(b)) for a, b in draw(spans(2))]


@given(timelines(), wishes(), moments, st.booleans(), moments)
def test_what_is_asked_for_holds_and_asking_again_changes_nothing(
    rows: list[Stored], wanted: list[Wanted], now: int, until_next: bool, later: int
) -> None:
    after = carried_out(rows, lay_out(rows, wanted, Moment(at(now), at(now), until_next)))
    for one, other in combinations(after, 2):
        assert not meet(one.span, other.span)
    for asked in wanted:
        if asked.from_at is not None:
            assert content_at(after, asked.from_at) == asked.content
        elif asked.until_at is None or at(now) < asked.until_at:
            assert any((row.content, row.until_at) == (asked.content, asked.until_at) for row in after)
    then = max(now, later)
    assert lay_out(after, wanted, Moment(at(then), at(then), until_next)) == []


@given(timelines(), wishes(), moments, st.booleans())
def test_the_past_that_the_file_does_not_speak_of_stays_as_it_was(
    rows: list[Stored], wanted: list[Wanted], now: int, until_next: bool
) -> None:
    after = carried_out(rows, lay_out(rows, wanted, Moment(at(now), at(now), until_next)))
    spoken_of = [asked.content for asked in wanted]
    for number in range(now):
        instant = at(number)
        is_asked = any(
            asked.from_at is not None and meet((asked.from_at, asked.until_at), (instant, at(number + 1)))
            for asked in wanted
        )
        if not is_asked and content_at(rows, instant) not in spoken_of:
            assert content_at(after, instant) == content_at(rows, instant)


def test_something_else_from_now_on_ends_what_holds() -> None:
    row = Stored(1, A, at(0), None)
    steps = lay_out([row], [Wanted(B, None, None)], Moment(at(5), at(5)))
    assert steps == [Added(B, (at(5), None), instead_of=row), Redated(row, (at(0), at(5)), wanted=False)]


def test_something_else_from_a_day_ahead_lets_what_holds_go_on_until_then() -> None:
    row = Stored(1, A, at(0), None)
    steps = lay_out([row], [Wanted(B, at(8), None)], Moment(at(5), at(5)))
    assert sorted(row.span[0] for row in carried_out([row], steps)) == [at(0), at(8)]
    assert content_at(carried_out([row], steps), at(7)) == A


def test_a_date_in_the_past_corrects_what_was_believed() -> None:
    row = Stored(1, A, at(3), None)
    steps = lay_out([row], [Wanted(B, at(2), None)], Moment(at(5), at(5)))
    assert steps == [Added(B, (at(2), None), instead_of=row, replaces=row)]


def test_the_same_thing_with_another_date_is_moved() -> None:
    row = Stored(1, A, at(3), None)
    assert lay_out([row], [Wanted(A, at(2), at(9))], Moment(at(5), at(5))) == [
        Redated(row, (at(2), at(9)), wanted=True)
    ]


def test_what_would_have_begun_later_is_taken_back() -> None:
    row = Stored(1, A, at(8), None)
    assert lay_out([row], [], Moment(at(5), at(5))) == [Withdrawn(row)]


def test_a_span_in_the_midst_of_another_splits_it() -> None:
    row = Stored(1, A, at(0), at(9))
    steps = lay_out([row], [Wanted(B, at(2), at(4))], Moment(at(10), at(10)))
    assert sorted(r.span for r in carried_out([row], steps)) == [(at(0), at(2)), (at(2), at(4)), (at(4), at(9))]

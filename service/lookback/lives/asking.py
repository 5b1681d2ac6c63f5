"""Asks for the look-back of an animal or a clutch by its name."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from sqlmodel import Session

from service.climate.day_cycle import local_day
from service.lookback.bodies import Body
from service.lookback.lives.eggs import development_of, eggs_body
from service.lookback.lives.stays import Life, life_of_animal, life_of_clutch, local_span
from service.lookback.lives.told import Asked, life_report
from service.lookback.spans import LONGEST_DAYS, LookbackSpan, span_of
from service.lookback.words import ms_of
from service.model import JournalEntry, from_ms, to_ms
from service.store.animals import animal_named, load_animals, neighbours
from service.store.clutches import ClutchFact, clutch_named
from service.store.engine import Store
from service.store.facts import RoomFacts
from service.store.journal import KINDS, entries_within
from service.store.lag_windows import lag_days
from service.store.readings import END_OF_TIME


@dataclass(frozen=True, slots=True)
class Question:
    """Whose past is asked for, and of which span.

    Attributes
    ----------
    kind : str
        "enclosure", "animal" or "clutch".
    name : str
    first, last : str or None
        As `service.lookback.spans.span_of` takes them. Without either, the span before the last event: illness, death.
    event : str or None
        The instant of the event, where it is known already.
    """

    kind: str
    name: str
    first: str | None = None
    last: str | None = None
    event: str | None = None


def answer(
    store: Store,
    facts: RoomFacts,
    question: Question,
    now: datetime,
    progress: Callable[[int], None] = lambda _: None,
    *,
    kept_too: bool = True,
) -> Body:
    """Return the look-back of an animal or a clutch.

    Parameters
    ----------
    store : Store
    facts : RoomFacts
    question : Question
    now : datetime
    progress : callable
        Told how many further days are done.
    kept_too : bool
        False assesses every day anew from its readings.

    Raises
    ------
    NotFound
        There is none of that name.
    BadUse
        The span cannot be.
    """
    more: Body | None = None
    with store.read() as session:
        if question.kind == "clutch":
            clutch = clutch_named(session, question.name)
            life, others = life_of_clutch(facts, clutch), []
            span, event_ms = _clutch_span(question, clutch, facts.zone, now), clutch.ended_ms
            until = min(to_ms(now), span.end_ms)
            more = eggs_body(clutch, development_of(session, facts, life, clutch, until), facts.zone, until)
        else:
            animal = animal_named(session, question.name)
            life = life_of_animal(facts, animal)
            others = [life_of_animal(facts, other) for other in neighbours(load_animals(session), animal)]
            span, event_ms = _animal_span(session, question, life, facts.zone, now)
    if question.event is not None:
        event_ms = ms_of(question.event)
    wanted = Asked(span, to_ms(now), event_ms, progress, kept_too)
    return life_report(store, facts, life, wanted, others, more)


def last_event(session: Session, life: Life, before: datetime) -> JournalEntry | None:
    """Return the last illness or death that was noted of it before an instant."""
    found = entries_within(session, from_ms(0), before, life.about)
    return next((entry for entry in found if KINDS[entry.kind].is_event), None)


def _animal_span(
    session: Session, question: Question, life: Life, zone: ZoneInfo, now: datetime
) -> tuple[LookbackSpan, int | None]:
    """Return the span that is asked for, by default the days before the last event; and the event within it."""
    event = last_event(session, life, now + timedelta(minutes=5))
    if question.first is None and question.last is None and event is not None:
        days = lag_days(session, life.species, event.kind)
        span = span_before(event.from_at, days, zone)
        return span, to_ms(event.from_at)
    span = span_of(question.first, question.last, zone, now)
    found = last_event(session, life, from_ms(span.end_ms))
    inside = found is not None and to_ms(found.from_at) >= span.start_ms
    return span, to_ms(found.from_at) if found is not None and inside else None


def span_before(event: datetime, days: int, zone: ZoneInfo) -> LookbackSpan:
    """Return the local days before an event, its own day included."""
    last = event.astimezone(zone).date()
    start = local_day(last - timedelta(days=days), zone)[0]
    return local_span(start, local_day(last, zone)[1], zone)


def _clutch_span(question: Question, clutch: ClutchFact, zone: ZoneInfo, now: datetime) -> LookbackSpan:
    if question.first is not None or question.last is not None:
        return span_of(question.first, question.last, zone, now)
    end = min(clutch.ended_ms or END_OF_TIME, to_ms(now))
    last = from_ms(end).astimezone(zone).date()
    first = max(from_ms(clutch.laid_ms).astimezone(zone).date(), last - timedelta(days=LONGEST_DAYS - 1))
    return local_span(local_day(first, zone)[0], local_day(last, zone)[1], zone)

"""How much the alarms ask of people, against the figures of the standard, and what another limit would have done."""

from datetime import datetime, timedelta
from typing import Annotated, Final, Literal

from fastapi import APIRouter, Query
from pydantic import Field
from sqlmodel import Session

from service.alarms.benchmarks import LEAST_DAYS, PRIORITY_SHARES, Benchmark, benchmarks
from service.alarms.load import DAY_MS, Actor, Answering, Load, Told, load_of
from service.api.addresses import PREFIX
from service.api.answers import Answer, At
from service.api.problems import documented
from service.api.requests import PartsDep, enclosure_named
from service.climate.day_cycle import local_day
from service.model import from_ms, to_ms
from service.store.alarm_load import first_alarm_ms, told_alarms
from service.store.facts import RoomFacts
from service.watch.trial import Trial, rule_of, try_limits

MOST_DAYS: Final = 366
Days = Annotated[int, Query(ge=1, le=MOST_DAYS, description="So many local days, today included.")]

router = APIRouter(prefix=PREFIX, tags=["alarms"])


class BenchmarkAnswer(Answer):
    """A measure with what it may be."""

    key: str
    measure: str
    value: float
    unit: str
    acceptable: float = Field(description="Up to this it is well.")
    limit: float = Field(description="Beyond this it is too much.")
    verdict: Literal["acceptable", "at the limit", "too much", "not judged"]
    note: str
    source: str


class CountAnswer(Answer):
    """How many alarms fell to something."""

    id: str
    alarms: int


class DayCountAnswer(Answer):
    """How many alarms came on a local day."""

    date: str
    alarms: int


class FloodAnswer(Answer):
    """More alarms than a person can take in."""

    from_: At = Field(serialization_alias="from")
    to: At
    alarms: int


class ActorAnswer(Answer):
    """A condition of an enclosure that was told often."""

    condition: str
    enclosure: str
    alarms: int
    share: float
    bursts: int
    fleeting: int
    median_s: float | None
    has_trial: bool = Field(description="Whether another limit can be tried.")


class AnsweringAnswer(Answer):
    """How soon alarms of a priority were acknowledged."""

    priority: str
    told: int
    answered: int
    median_s: float | None
    slow_s: float | None = Field(description="Nine in ten were acknowledged within it.")


class PriorityAnswer(Answer):
    """A priority's share of the alarms, and what it should come to."""

    priority: str
    share: float
    asked: float


class LoadAnswer(Answer):
    """The alarms of a span in figures; counted is what was told."""

    from_: At = Field(serialization_alias="from")
    to: At
    time_zone: str
    alarms: int
    days: float
    enough_days: bool = Field(description=f"Averages are meant for {LEAST_DAYS} days or more.")
    benchmarks: list[BenchmarkAnswer]
    priorities: list[PriorityAnswer]
    by_day: list[DayCountAnswer]
    by_condition: list[CountAnswer]
    by_enclosure: list[CountAnswer]
    floods: list[FloodAnswer]
    stale_now: int
    answering: list[AnsweringAnswer]
    actors: list[ActorAnswer]


class TriedAnswer(Answer):
    """What one limit would have done."""

    limit: float
    target: float = Field(description="The end of the target that gives this limit.")
    alarms: int
    high: int = Field(description="Alarms of high priority, of all conditions that hang on the same target.")
    missed: int = Field(description="Real events in which no alarm would have stood.")


class RealEventAnswer(Answer):
    """The value was beyond the present limit for certain, for longer than the on-delay."""

    from_: At = Field(serialization_alias="from")
    to: At | None
    zone: str
    peak: float | None


class TrialAnswer(Answer):
    """Limits tried on one condition of an enclosure, each as if it had been in force through the whole span."""

    enclosure: str
    condition: str
    from_: At = Field(serialization_alias="from")
    to: At
    check: str
    end: Literal["low", "high"]
    unit: str
    uncertainty: float = Field(description="Of the channels that it looks at, k = 2.")
    tried: list[TriedAnswer] = Field(description="The present limit first.")
    real_events: list[RealEventAnswer]


def edges_of(session: Session, facts: RoomFacts, now: datetime, days: int) -> list[int]:
    """Return the starts of the last local days, from the first alarm on record where that is later. [ms, UTC]."""
    today = now.astimezone(facts.zone).date()
    starts = [local_day(today - timedelta(days=back), facts.zone)[0] for back in range(days - 1, -1, -1)]
    first = first_alarm_ms(session)
    if first is None:
        return starts
    return [start for start, end in zip(starts, [*starts[1:], to_ms(now) + DAY_MS], strict=True) if end > first] or [
        starts[-1]
    ]


def told_in(session: Session, facts: RoomFacts, start_ms: int, end_ms: int) -> list[Told]:
    """Return what was told in a span, with the keys of enclosures. [ms since 1970, UTC]."""
    known = [*facts.enclosures.values(), *facts.retired.values()]
    keys: dict[int | None, str] = {enclosure.id: enclosure.key for enclosure in known}
    return [Told(*row[:2], keys.get(row[2], ""), *row[3:]) for row in told_alarms(session, start_ms, end_ms)]


def load_for(session: Session, facts: RoomFacts, now: datetime, days: int) -> tuple[Load, list[Told]]:
    """Return the figures of the last local days up to `now`, and the alarms that they count."""
    edges, end = edges_of(session, facts, now, days), to_ms(now) + 1
    told = told_in(session, facts, edges[0], end)
    return load_of(told, edges, end), told


@router.get("/alarms/load", responses=documented(422, 503))
def get_load(parts: PartsDep, days: Days = 30) -> LoadAnswer:
    """Return how much the alarms of the last days asked of people."""
    with parts.store.read() as session:
        facts, now = parts.facts(session), parts.now()
        load, _told = load_for(session, facts, now, days)
    return LoadAnswer(
        from_=from_ms(load.start_ms),
        to=now,
        time_zone=facts.timezone,
        alarms=load.alarms,
        days=load.days,
        enough_days=len(load.by_day) >= LEAST_DAYS,
        benchmarks=[_benchmark(one) for one in benchmarks(load)],
        priorities=[
            PriorityAnswer(priority=key, share=load.priorities.get(key, 0.0), asked=asked)
            for key, asked in PRIORITY_SHARES.items()
        ],
        by_day=[DayCountAnswer(date=_date(at, facts), alarms=count) for at, count in load.by_day],
        by_condition=[CountAnswer(id=key, alarms=count) for key, count in load.by_condition],
        by_enclosure=[CountAnswer(id=key, alarms=count) for key, count in load.by_enclosure],
        floods=[FloodAnswer(from_=from_ms(f.start_ms), to=from_ms(f.end_ms), alarms=f.alarms) for f in load.floods],
        stale_now=load.stale_now,
        answering=[_answering(priority, one) for priority, one in load.answering.items()],
        actors=[_actor(one) for one in load.actors],
    )


def _date(at_ms: int, facts: RoomFacts) -> str:
    return from_ms(at_ms).astimezone(facts.zone).date().isoformat()


def _benchmark(one: Benchmark) -> BenchmarkAnswer:
    return BenchmarkAnswer(
        key=one.key, measure=one.measure, value=one.value, unit=one.unit, acceptable=one.acceptable, limit=one.limit,
        verdict=one.verdict, note=one.note, source=one.source,
    )  # fmt: skip


def _answering(priority: str, one: Answering) -> AnsweringAnswer:
    return AnsweringAnswer(
        priority=priority, told=one.told, answered=one.answered, median_s=one.median_s, slow_s=one.slow_s
    )


def _actor(one: Actor) -> ActorAnswer:
    return ActorAnswer(
        condition=one.condition, enclosure=one.enclosure, alarms=one.alarms, share=one.share, bursts=one.bursts,
        fleeting=one.fleeting, median_s=one.median_s, has_trial=has_trial(one),
    )  # fmt: skip


def has_trial(one: Actor) -> bool:
    """Whether another limit can be tried for what was told often."""
    return bool(one.enclosure) and rule_of(one.condition) is not None


@router.get("/alarms/load/trial", responses=documented(404, 422, 503))
def get_trial(
    parts: PartsDep,
    enclosure: Annotated[str, Query(max_length=64, description="Whose readings.")],
    condition: Annotated[str, Query(max_length=64, description="Of those with a limit, such as basking-overheat.")],
    limit: Annotated[float | None, Query(description="A further limit to try. [unit of the target]")] = None,
    days: Annotated[int, Query(ge=1, le=92, description="So many days back from now.")] = 30,
) -> TrialAnswer:
    """Return what other limits would have done over the last days, by the watch itself on the stored readings."""
    with parts.store.read() as session:
        facts, end_ms = parts.facts(session), to_ms(parts.now())
        named = enclosure_named(facts, enclosure)
        trial = try_limits(session, facts, named, condition, end_ms - days * DAY_MS, end_ms, limit)
    return _trial_answer(trial)


def _trial_answer(trial: Trial) -> TrialAnswer:
    return TrialAnswer(
        enclosure=trial.enclosure.key,
        condition=trial.condition,
        from_=from_ms(trial.start_ms),
        to=from_ms(trial.end_ms),
        check=trial.rule.check,
        end=trial.rule.end,
        unit=trial.unit,
        uncertainty=trial.uncertainty,
        tried=[
            TriedAnswer(limit=one.limit, target=one.target, alarms=one.alarms, high=one.high, missed=one.missed)
            for one in trial.tried
        ],
        real_events=[
            RealEventAnswer(
                from_=from_ms(event.raised_ms), to=None if event.returned_ms is None else from_ms(event.returned_ms),
                zone=event.zone, peak=event.peak,
            )
            for event in trial.real
        ],
    )  # fmt: skip

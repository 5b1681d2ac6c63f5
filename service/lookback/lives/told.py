"""The look-back of an animal or a clutch: through its housings, summary first."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta
from typing import Any, Final

from sqlmodel import Session

from service.climate.day_cycle import local_day
from service.climate.ranges import DAY_MS
from service.climate.series import without
from service.lookback.bodies import Body, instant
from service.lookback.days import assessed_days
from service.lookback.lives import compared
from service.lookback.lives.cared import care_done, care_overdue
from service.lookback.lives.changed import WINDOW_DAYS, changes_before, feeding_words, overdue_words
from service.lookback.lives.corrections import corrections_of
from service.lookback.lives.stays import Life, Stay, local_span, names_words, stay_body, where_it_was
from service.lookback.noted import entry_bodies
from service.lookback.report import COUNTS, Gathered, as_of, fingerprint_of, gather
from service.lookback.spans import LookbackSpan
from service.lookback.summary import summary_parts, worst_of
from service.lookback.words import counted, long_day_words, ms_of
from service.model import from_ms
from service.store.engine import Store
from service.store.facts import RoomFacts
from service.store.journal import entries_within, latest_of_kind

_LISTS: Final = ("days", "misting", "alarms", "gaps", "facts", "journal")
MOST_NEIGHBOURS: Final = 8
"""So many enclosures of neighbours are looked at."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What a look-back is asked for.

    Attributes
    ----------
    span : LookbackSpan
    now_ms : int
        What lies later is not known yet. [ms since 1970, UTC]
    event_ms : int or None
        What happened, of which is told what changed before; None: the end of the span.
    progress : callable
        Told how many further days are done.
    kept_too : bool
        False assesses every day anew from its readings.
    """

    span: LookbackSpan
    now_ms: int
    event_ms: int | None = None
    progress: Callable[[int], None] = field(default=lambda _: None)
    kept_too: bool = True

    @property
    def until_ms(self) -> int:
        """The event, or the end of what has passed of the span."""
        return min(self.span.end_ms, self.now_ms) if self.event_ms is None else self.event_ms


def life_report(
    store: Store, facts: RoomFacts, life: Life, asked: Asked, neighbours: Sequence[Life] = (), more: Body | None = None
) -> Body:
    """Return what an animal or a clutch lived through.

    Parameters
    ----------
    store : Store
    facts : RoomFacts
        As of that store.
    life : Life
    asked : Asked
    neighbours : sequence of Life
        Others of its species, to compare with.
    more : dict, optional
        Further parts of the report, such as a clutch's development; its `sentences` head the summary.

    Returns
    -------
    dict
        JSON values: what is not known is None, never NaN.
    """
    span, zone = asked.span, facts.zone
    stays = life.within(span.start_ms, span.end_ms)
    told = [_told_stay(store, facts, stay, asked) for stay in stays]
    body = _joined(stays, told)
    with store.read() as session:
        body["journal"] = _journal(session, life, body["journal"], span)
        corrections = corrections_of(session, facts, life.about, stays)
        fed = _feeding(session, life, asked)
        lived = life.within(0, asked.until_ms + 1)
        cared = care_done(session, lived, asked.until_ms - WINDOW_DAYS * DAY_MS, asked.until_ms + 1)
        missed = [
            *overdue_words(body["facts"], asked.until_ms),
            *care_overdue(session, facts, lived, asked.until_ms, zone),
        ]
    changes = changes_before(body["facts"], body["journal"], lived, asked.until_ms, zone, cared)
    beside, comparison = _comparisons(store, facts, life, asked, body["days"], neighbours)
    extra = dict(more or {})
    parts = [
        ("What became of it", extra.pop("sentences", [])),
        ("Where it was", where_it_was(life, span, zone, asked.now_ms)),
        *_stay_parts(stays, told, facts),
        ("What changed shortly before", _changed_words(changes, [*fed, *missed])),
        *beside,
        ("Put right afterwards", [one["sentence"] for one in corrections]),
    ]
    report: Body = {
        "subject": _subject(life, span),
        "from": instant(span.start_ms),
        "to": instant(span.end_ms),
        "time_zone": facts.timezone,
        "as_of": as_of(span, asked.now_ms),
        "event_at": None if asked.event_ms is None else instant(asked.event_ms),
        "summary": _summary(body["days"], parts),
        **body,
        **extra,
        "changes": changes,
        "compared": comparison,
    }
    report["data"]["fingerprint"] = fingerprint_of(report, [digest for one in told for digest in one.inputs])
    return report | {"corrections": corrections}


def _told_stay(store: Store, facts: RoomFacts, stay: Stay, asked: Asked) -> Gathered:
    span = local_span(stay.start_ms, stay.end_ms, facts.zone)
    return gather(store, facts, stay.enclosure, span, asked.now_ms, asked.progress, kept_too=asked.kept_too)


def _joined(stays: Sequence[Stay], told: Sequence[Gathered]) -> Body:
    """Return what several stays came to, each thing with its enclosure, in order of time."""
    body: Body = {
        name: [
            {"enclosure": stay.enclosure.key, **one} if name != "journal" else one
            for stay, gathered in zip(stays, told, strict=True)
            for one in gathered.body[name]
        ]
        for name in _LISTS
    }
    body["data"] = {name: sum(gathered.body["data"][name] for gathered in told) for name in COUNTS}
    return body


def _journal(session: Session, life: Life, housed: Sequence[Body], span: LookbackSpan) -> list[Body]:
    """Return what was noted of it at any time of the span, and of its enclosures while it lived there."""
    own = entry_bodies(session, entries_within(session, from_ms(span.start_ms), from_ms(span.end_ms), life.about))
    whose = life.kind
    # What was noted of others who lived there is theirs.
    shared = [entry for entry in housed if entry["animal"] is None and entry["clutch"] is None]
    shared += [entry for entry in housed if entry[whose] == life.name]
    found = {entry["id"]: entry for entry in (*shared, *own)}
    return sorted(found.values(), key=lambda entry: (entry["at"], entry["id"]))


def _feeding(session: Session, life: Life, asked: Asked) -> list[str]:
    if life.about.animal_id is None:
        return []
    event = from_ms(asked.until_ms)
    meals = [entry.from_at for entry in latest_of_kind(session, "fed", life.about.animal_id, event)]
    refused = latest_of_kind(session, "refused-food", life.about.animal_id, event)
    recent = [e for e in refused if (event - e.from_at).days < WINDOW_DAYS]
    return feeding_words(meals, len(recent), asked.until_ms)


def _changed_words(changes: Sequence[Body], besides: Sequence[str]) -> list[str]:
    said = [change["sentence"] for change in changes]
    # What was noted as fed is told with its usual pace instead.
    kept = [sentence for change, sentence in zip(changes, said, strict=True) if change["kind"] != "fed"]
    nothing = [] if kept else [f"Nothing else was entered in the {WINDOW_DAYS} days before."]
    return [*kept, *besides, *nothing]


def _stay_parts(stays: Sequence[Stay], told: Sequence[Gathered], facts: RoomFacts) -> list[tuple[str, list[str]]]:
    """Return what was outside the profile, and what is not known, enclosure by enclosure."""
    titles = {
        "outside": "Outside the profile", "misting": "Misting", "alarms": "Alarms", "unknown": "What is not known",
    }  # fmt: skip
    sections: dict[str, list[str]] = {title: [] for title in titles.values()}
    for stay, gathered in zip(stays, told, strict=True):
        parts = summary_parts({"time_zone": facts.timezone, **gathered.body})
        lead = f"{stay.enclosure.name}: " if len(stays) > 1 else ""
        if gathered.first_heard_ms is not None or not gathered.body["data"]["readings"]:
            parts["unknown"].insert(0, _no_reading(gathered, facts))
        parts["outside"] = [*parts["whole"], *parts["outside"]]
        if not any(one.body["alarms"] for one in told):
            parts["alarms"] = []
        for key, title in titles.items():
            sections[title] += [f"{lead}{sentence}" for sentence in parts[key]]
    if told and not sections["Alarms"]:
        sections["Alarms"] = ["No alarm stood."]
    return [(title, found) for title, found in sections.items() if found]


def _no_reading(gathered: Gathered, facts: RoomFacts) -> str:
    if gathered.first_heard_ms is None:
        return "There is no reading of this enclosure in this span: none is stored of it at all."
    first = from_ms(gathered.first_heard_ms).astimezone(facts.zone).date()
    return f"There is no reading of this enclosure in this span: its first one was taken on {long_day_words(first)}."


def _summary(days: Sequence[Body], parts: Sequence[tuple[str, list[str]]]) -> Body:
    shown = [{"title": title, "sentences": said} for title, said in parts if said]
    return {
        "verdict": worst_of(days),
        "sentences": [sentence for part in shown for sentence in part["sentences"]],
        "parts": shown,
    }


def _subject(life: Life, span: LookbackSpan) -> dict[str, Any]:
    housings = [stay_body(stay) for stay in life.stays if stay.within(span.start_ms, span.end_ms)]
    gone = None if life.gone_ms is None else instant(life.gone_ms)
    counted = {"members" if life.kind == "animal" else "eggs": life.members}
    return {life.kind: life.name, "species": life.species, **counted, "gone_at": gone, "housings": housings}


def _comparisons(
    store: Store, facts: RoomFacts, life: Life, asked: Asked, days: Sequence[Body], neighbours: Sequence[Life]
) -> tuple[list[tuple[str, list[str]]], Body]:
    """Return the parts about the weeks before and about its neighbours, and both comparisons as values."""
    start, end = recent = _recent(asked, facts)
    first = from_ms(start).astimezone(facts.zone).date().isoformat()
    last = from_ms(end - 1).astimezone(facts.zone).date().isoformat()
    own = compared.check_days([day for day in days if first <= day["date"] <= last])
    before = compared.compare(
        own,
        compared.check_days(_days_of(store, facts, life.within(start - compared.BEFORE_DAYS * DAY_MS, start), asked)),
    )
    weeks = compared.sentences(
        before, "in the four weeks before them", "Too few days are known of the four weeks before them to compare with."
    )
    met, others = _neighbour_days(store, facts, life, recent, asked, neighbours)
    beside = compared.compare(own, compared.check_days(others))
    said = compared.sentences(
        beside,
        "with its neighbours",
        "No other of its species lived elsewhere in those days, or too little is known of it.",
    )
    if beside:
        said.insert(0, f"Neighbours of the same species in the same days: {names_words(met)}.")
    lasted = f"The last {counted(round((end - start) / DAY_MS), 'day')}"
    parts = [
        (f"{lasted} compared with the four weeks before them", weeks if before or life.kind == "animal" else []),
        (f"{lasted} compared with its neighbours", said if life.kind == "animal" else []),
    ]
    return parts, {
        "from": instant(start),
        "to": instant(end),
        "before": before,
        "neighbours": {"names": [one.name for one in met], "checks": beside},
    }


def _recent(asked: Asked, facts: RoomFacts) -> tuple[int, int]:
    """Return the whole local days before the event that are compared, its own day included. [ms, UTC]."""
    day = from_ms(max(asked.until_ms - 1, asked.span.start_ms)).astimezone(facts.zone).date()
    end = local_day(day, facts.zone)[1]
    start = local_day(day - timedelta(days=compared.RECENT_DAYS - 1), facts.zone)[0]
    return max(asked.span.start_ms, start), end


def _days_of(store: Store, facts: RoomFacts, stays: Sequence[Stay], asked: Asked) -> list[Body]:
    """Return the days of stays that are only compared with: alarms, facts and journal are not asked for."""
    days: list[Body] = []
    for stay in stays:
        span = local_span(stay.start_ms, stay.end_ms, facts.zone)
        assessed = assessed_days(
            store, facts, stay.enclosure, span.first, span.last, asked.now_ms, asked.progress, kept_too=asked.kept_too
        )
        days += [day.body["day"] for day in assessed.days]
    return days


def _neighbour_days(
    store: Store, facts: RoomFacts, life: Life, recent: tuple[int, int], asked: Asked, neighbours: Sequence[Life]
) -> tuple[list[Life], list[Body]]:
    """Return the neighbours that lived elsewhere in those days, and the days of their enclosures."""
    met: list[Life] = []
    seen: dict[tuple[int, int, int], Stay] = {}
    for other in neighbours:
        apart = [part for stay in other.within(*recent) for part in _apart(stay, life)]
        fresh = {(s.enclosure.id, s.start_ms, s.end_ms): s for s in apart}
        if apart and len(seen | fresh) <= MOST_NEIGHBOURS:
            met.append(other)
            seen |= fresh
    return met, _days_of(store, facts, list(seen.values()), asked)


def _apart(stay: Stay, life: Life) -> list[Stay]:
    """Return the parts of another's stay in which they were not together."""
    together = [(s.start_ms, s.end_ms) for s in life.stays if s.enclosure.id == stay.enclosure.id]
    left = without([(stay.start_ms, stay.end_ms)], together) if together else [(stay.start_ms, stay.end_ms)]
    return [replace(stay, start_ms=int(first), end_ms=int(last)) for first, last in left]


def event_of(report: Body) -> int:
    """Return the instant that a report's "before" is counted from. [ms, UTC]."""
    return ms_of(report["event_at"] or report["to"])

"""What the Animals pages show."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from itertools import groupby
from urllib.parse import quote

from sqlmodel import Session

from dashboard.local_forms import field_value, when
from dashboard.words import exact, iso
from service.lookback.noted import entry_bodies, entry_words
from service.lookback.words import weekday_words
from service.model import Housing, JournalEntry, from_ms, to_ms
from service.store.animals import AnimalFact, load_animals
from service.store.clutches import ClutchFact, load_clutches
from service.store.dated import versions
from service.store.facts import RoomFacts
from service.store.journal import KINDS, About, entries_within, members_of, names_of

LISTED = 200
"""Entries of the journal on one page."""
TAPPED = ("fed", "refused-food", "shed", "laid")
"""Noted of an animal by one key."""
TAPPED_HERE = ("lamp-changed", "hand-misted")
"""Noted of an enclosure by one key."""
WRONG = ("illness", "death")


@dataclass(frozen=True, slots=True)
class Row:
    """An animal in a list."""

    name: str
    address: str
    species: str
    members: int
    enclosure: str
    enclosure_key: str
    since: str
    gone: str
    last: str


@dataclass(frozen=True, slots=True)
class EntryView:
    """An entry of the journal."""

    id: int
    kind: str
    words: str
    about: tuple[tuple[str, str], ...]
    at: str
    day: date
    clock: str
    at_iso: str
    at_exact: str
    field: str
    value: str
    has_value: bool
    note: str
    by: str
    is_event: bool
    corrected: bool


@dataclass(frozen=True, slots=True)
class JournalDay:
    """A local day of the journal; `by` is empty where more than one noted something."""

    words: str
    by: str
    entries: tuple[EntryView, ...]


@dataclass(frozen=True, slots=True)
class HousingView:
    """A housing as it was entered; `counts` is False where it was corrected or taken back."""

    id: int
    enclosure: str
    enclosure_key: str
    since: str
    until: str
    since_field: str
    until_field: str
    entered: str
    counts: bool
    fate: str


def enclosure_names(facts: RoomFacts) -> dict[int, tuple[str, str]]:
    """Return key and name of every enclosure by its id, those out of use too."""
    return {e.id: (e.key, e.name) for e in (*facts.enclosures.values(), *facts.retired.values())}


def address_of(kind: str, name: str) -> str:
    """Return the path of an animal's or a clutch's page."""
    return f"/{kind}/{quote(name, safe='')}"


def animal_rows(session: Session, facts: RoomFacts, now: datetime) -> tuple[list[Row], list[Row]]:
    """Return the animals that are here, and those that are gone."""
    names = enclosure_names(facts)
    rows = [(_row(session, one, names, facts, now), one.retired_ms) for one in load_animals(session)]
    return [row for row, gone in rows if gone is None], [row for row, gone in rows if gone is not None]


def _row(
    session: Session, one: AnimalFact, names: Mapping[int, tuple[str, str]], facts: RoomFacts, now: datetime
) -> Row:
    housing = one.housing_at(to_ms(now))
    key, name = names[housing.enclosure_id] if housing else ("", "")
    last = entries_within(session, from_ms(0), now, About(animal_id=one.id), 1)
    said = ""
    if last:
        said = f"{KINDS[last[0].kind].words}, {when(last[0].from_at, facts, now)}"
    return Row(
        one.name, address_of("animals", one.name), one.species, one.members, name, key,
        _day(housing.start_ms, facts) if housing else "",
        when(from_ms(one.retired_ms), facts, now) if one.retired_ms is not None else "", said,
    )  # fmt: skip


def _day(at_ms: int, facts: RoomFacts) -> str:
    local = from_ms(at_ms).astimezone(facts.zone)
    return f"{local.day} {local:%b %Y}"


def members_now(session: Session, animal: AnimalFact) -> int:
    """Return how many of a group there are now."""
    return members_of(animal.members, entries_within(session, from_ms(0), from_ms(2**42), About(animal_id=animal.id)))


def entry_views(session: Session, entries: Sequence[JournalEntry], facts: RoomFacts, now: datetime) -> list[EntryView]:
    """Return entries of the journal, in the order given."""
    bodies = {body["id"]: body for body in entry_bodies(session, entries)}
    names, places = names_of(session, entries), enclosure_names(facts)
    return [_entry(entry, bodies[entry.id], names, places, facts, now) for entry in entries]


def _entry(
    entry: JournalEntry,
    body: dict,
    names: Mapping[tuple[str, int], str],
    places: Mapping[int, tuple[str, str]],
    facts: RoomFacts,
    now: datetime,
) -> EntryView:
    about: list[tuple[str, str]] = []
    if entry.animal_id is not None:
        name = names["animal", entry.animal_id]
        about.append((name, address_of("animals", name)))
    if entry.clutch_id is not None:
        name = names["clutch", entry.clutch_id]
        about.append((name, address_of("clutches", name)))
    if entry.enclosure_id is not None:
        key, name = places[entry.enclosure_id]
        about.append((name, f"/enclosures/{key}"))
    kind, local = KINDS[entry.kind], entry.from_at.astimezone(facts.zone)
    return EntryView(
        id=entry.id or 0, kind=entry.kind, words=entry_words(body | {"note": ""}), about=tuple(about),
        at=when(entry.from_at, facts, now), day=local.date(), clock=f"{local:%H:%M}", at_iso=iso(entry.from_at),
        at_exact=exact(entry.from_at, facts.zone),
        field=field_value(entry.from_at, facts), value="" if entry.value is None else f"{entry.value:g}",
        has_value=kind.unit is not None, note=entry.note, by=entry.entered_by, is_event=kind.is_event,
        corrected=entry.replaces_id is not None,
    )  # fmt: skip


def journal_days(entries: Sequence[EntryView], this_year: int) -> list[JournalDay]:
    """Return entries by their local day, in the order given; a day of another year says which."""
    found: list[JournalDay] = []
    for day, some in groupby(entries, key=lambda entry: entry.day):
        there = tuple(some)
        authors = {entry.by for entry in there}
        words = weekday_words(day) if day.year == this_year else f"{weekday_words(day)} {day.year}"
        found.append(JournalDay(words, authors.pop() if len(authors) == 1 else "", there))
    return found


def housing_views(session: Session, animal: AnimalFact, facts: RoomFacts, now: datetime) -> list[HousingView]:
    """Return every housing that was entered, the newest first."""
    rows = versions(session, Housing, animal_id=animal.id)
    later = {row.replaces_id: row for row in rows if row.replaces_id is not None}
    names = enclosure_names(facts)
    found = [_housing(row, later.get(row.id or 0), names, facts, now) for row in rows]
    return sorted(found, key=lambda view: (view.since_field, view.id), reverse=True)


def _housing(
    row: Housing, later: Housing | None, names: Mapping[int, tuple[str, str]], facts: RoomFacts, now: datetime
) -> HousingView:
    key, name = names[row.enclosure_id]
    fate = ""
    if later is not None:
        word = "taken back" if later.withdrawn else "replaced"
        fate = f"{word} by {later.entered_by}, {when(later.entered_at, facts, now)}"
    return HousingView(
        row.id or 0, name, key, when(row.from_at, facts, now), when(row.until_at, facts, now) if row.until_at else "",
        field_value(row.from_at, facts), field_value(row.until_at, facts) if row.until_at else "",
        f"entered by {row.entered_by}, {when(row.entered_at, facts, now)}",
        counts=later is None and not row.withdrawn, fate=fate,
    )  # fmt: skip


def clutches_of(session: Session, animal: AnimalFact) -> list[ClutchFact]:
    """Return the clutches that an animal laid."""
    return [clutch for clutch in load_clutches(session) if clutch.mother_id == animal.id]


def choices(facts: RoomFacts) -> list[tuple[str, str]]:
    """Return key and name of the enclosures in use, by name."""
    return sorted(((e.key, e.name) for e in facts.enclosures.values()), key=lambda pair: pair[1].casefold())


def kinds_offered(about: Iterable[str]) -> list[tuple[str, str]]:
    """Return key and words of the kinds that a form offers."""
    wanted = set(about)
    return [(kind.key, kind.words) for kind in KINDS.values() if kind.about in wanted]

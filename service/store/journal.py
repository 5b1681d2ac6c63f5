"""The journal: what keepers noted of animals, clutches and enclosures, corrected without losing what stood before."""

import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import sqlalchemy as sa
from sqlmodel import Session, select

from sensors.quantities import nearest
from service.errors import BadUse, Refused
from service.model import Animal, Clutch, Enclosure, JournalEntry, table_of
from service.store.animals import leave, stay
from service.store.dated import counting, replace, standing, versions, withdraw
from service.store.names import tidy_text

_ENTRY: Final = table_of(JournalEntry)
_CLOCKS_DIFFER: Final = timedelta(minutes=5)
_HEAVIEST_G: Final = 1_000_000.0
_MOST: Final = 100_000.0


@dataclass(frozen=True, slots=True)
class EntryKind:
    """A kind of entry.

    Attributes
    ----------
    key, words : str
    about : str
        "animal", "enclosure" or "either": what a short form for it offers. Clutches are noted of as animals are.
    unit : str
        Of its value: "g" for a weight, "" for how many, None where it has none.
    is_event : bool
        Whether a look-back begins from it: something went wrong.
    """

    key: str
    words: str
    about: str = "animal"
    unit: str | None = None
    is_event: bool = False


KINDS: Final = {
    kind.key: kind
    for kind in (
        EntryKind("fed", "fed"),
        EntryKind("refused-food", "refused food"),
        EntryKind("shed", "shed"),
        EntryKind("laid", "laid eggs", unit=""),
        EntryKind("moved", "moved"),
        EntryKind("weight", "weighed", unit="g"),
        EntryKind("lamp-changed", "lamp changed", "enclosure"),
        EntryKind("hand-misted", "misted by hand", "enclosure"),
        EntryKind("note", "note", "either"),
        EntryKind("illness", "ill", is_event=True),
        EntryKind("death", "died", unit="", is_event=True),
        EntryKind("failed-clutch", "clutch failed", is_event=True),
        EntryKind("arrival", "arrived", unit=""),
        EntryKind("birth", "born or hatched", unit=""),
        EntryKind("sale", "sold or given away", unit=""),
    )
}
"""Every kind of entry, in the order in which forms offer them."""
GOING: Final = ("death", "sale")


@dataclass(frozen=True, slots=True)
class NewEntry:
    """What is to be noted; at least one of the three ids says what it is about."""

    kind: str
    at: datetime
    animal_id: int | None = None
    clutch_id: int | None = None
    enclosure_id: int | None = None
    value: float | None = None
    note: str = ""


def kind_named(key: str) -> EntryKind:
    """Return a kind of entry, or raise BadUse with the nearest one."""
    if key not in KINDS:
        raise BadUse(f"kind: there is no '{key[:40]}': {nearest(key, list(KINDS))}")
    return KINDS[key]


def add_entry(session: Session, new: NewEntry, by: str, now: datetime) -> JournalEntry:
    """Note something. A death or a sale of a single animal ends its housing.

    Raises
    ------
    BadUse
        It lies in the future or cannot be: a death before a birth, a weight of nothing.
    Refused
        The animal is gone already.
    """
    kind = kind_named(new.kind)
    if new.at > now + _CLOCKS_DIFFER:
        raise BadUse("the time of an entry lies in the future: look at the date")
    if new.animal_id is None and new.clutch_id is None and new.enclosure_id is None:
        raise BadUse("an entry is about an animal, a clutch or an enclosure: name one")
    _refuse_value(kind, new.value)
    row = JournalEntry(
        kind=new.kind, from_at=new.at, animal_id=new.animal_id, clutch_id=new.clutch_id,
        enclosure_id=new.enclosure_id, value=new.value, note=tidy_text(new.note), entered_by=by, entered_at=now,
    )  # fmt: skip
    if new.animal_id is not None:
        animal = session.get_one(Animal, new.animal_id)
        _refuse_order(session, animal, row)
        if new.kind in GOING and members_after(session, animal, row) <= 0:
            leave(session, new.animal_id, new.at, by, now)
    session.add(row)
    session.flush()
    return row


def _refuse_value(kind: EntryKind, value: float | None) -> None:
    if value is None:
        if kind.unit == "g":
            raise BadUse("value: a weight is missing; give it in grams")
        return
    if kind.unit is None:
        raise BadUse(f"value: '{kind.words}' has no number; write it into the note")
    most = _HEAVIEST_G if kind.unit == "g" else _MOST
    if not (math.isfinite(value) and 0 < value <= most):
        raise BadUse(f"value: {value:g} cannot be; expected a number above 0 and at most {most:,.0f}")
    if kind.unit == "" and value != int(value):
        raise BadUse(f"value: {value:g} is no whole number of animals or eggs")


def _refuse_order(session: Session, animal: Animal, row: JournalEntry) -> None:
    """Raise BadUse when an animal would die before it was born, or do something after it was gone."""
    others = counting(versions(session, JournalEntry, animal_id=animal.id or 0))
    if animal.members == 1:
        refuse_impossible_life(animal.name, [*(other for other in others if other.id != row.replaces_id), row])
    if row.kind in GOING and animal.retired_at is not None and row.replaces_id is None:
        raise Refused(f"{animal.name} is gone since {animal.retired_at:%Y-%m-%d}; correct that entry instead")


def refuse_impossible_life(name: str, entries: Iterable[JournalEntry]) -> None:
    """Raise BadUse when the entries of a single animal cannot all be true."""
    found = list(entries)
    born = [entry.from_at for entry in found if entry.kind == "birth"]
    came = [entry.from_at for entry in found if entry.kind == "arrival"]
    gone = [entry for entry in found if entry.kind in GOING]
    if len(born) > 1:
        raise BadUse(f"{name} would be born twice; correct the first entry instead")
    for entry in gone:
        what = "died" if entry.kind == "death" else "been sold"
        if born and entry.from_at < born[0]:
            raise BadUse(
                f"{name} would have {what} on {entry.from_at:%Y-%m-%d}, before it was born on {born[0]:%Y-%m-%d}"
            )
        if came and entry.from_at < min(came):
            raise BadUse(
                f"{name} would have {what} on {entry.from_at:%Y-%m-%d}, before it came on {min(came):%Y-%m-%d}"
            )


def members_after(session: Session, animal: Animal, *more: JournalEntry) -> int:
    """Return how many of a group there are, with further entries counted."""
    entries = [*counting(versions(session, JournalEntry, animal_id=animal.id or 0)), *more]
    return members_of(animal.members, entries)


def members_of(members: int, entries: Iterable[JournalEntry]) -> int:
    """Return how many of a group are left: births and arrivals since it was entered, less deaths and sales."""
    is_group, left = members > 1, members
    for entry in entries:
        number = int(entry.value or 1)
        if entry.kind in GOING:
            left -= number
        elif is_group and entry.kind in {"birth", "arrival"} and entry.value is not None:
            left += number
    return left


def correct_entry(
    session: Session, entry_id: int, by: str, now: datetime, *, at: datetime, value: float | None, note: str
) -> JournalEntry:
    """Put an entry right; what was entered before stays, and is shown.

    Raises
    ------
    BadUse, Refused
        As `add_entry`, or it was corrected meanwhile.
    """
    row = standing(session, JournalEntry, entry_id, "entry")
    if at > now + _CLOCKS_DIFFER:
        raise BadUse("the time of an entry lies in the future: look at the date")
    _refuse_value(kind_named(row.kind), value)
    new = replace(session, row, by, now, from_at=at, value=value, note=tidy_text(note))
    if row.animal_id is not None:
        animal = session.get_one(Animal, row.animal_id)
        _refuse_order(session, animal, new)
        if row.kind in GOING and animal.retired_at == row.from_at and at != row.from_at:
            stay(session, row.animal_id, row.from_at, by, now)
            leave(session, row.animal_id, at, by, now)
    return new


def withdraw_entry(session: Session, entry_id: int, by: str, now: datetime) -> None:
    """Take back an entry that should not have been made; an animal that it let go is back."""
    row = standing(session, JournalEntry, entry_id, "entry")
    withdraw(session, row, by, now)
    if row.animal_id is not None and row.kind in GOING:
        animal = session.get_one(Animal, row.animal_id)
        if animal.retired_at == row.from_at:
            stay(session, row.animal_id, row.from_at, by, now)


@dataclass(frozen=True, slots=True)
class About:
    """What entries are about: any of these."""

    animal_id: int | None = None
    clutch_id: int | None = None
    enclosure_id: int | None = None


def entries_within(
    session: Session,
    start: datetime,
    end: datetime,
    about: About | None = None,
    limit: int | None = None,
    *,
    kinds: Collection[str] = (),
) -> Sequence[JournalEntry]:
    """Return the entries that count of a span [start, end), the newest first; of `kinds` alone where some are named."""
    later = _ENTRY.alias()
    replaced = sa.select(later.c.replaces_id).where(later.c.replaces_id.is_not(None))
    query = select(JournalEntry).where(
        _ENTRY.c.withdrawn.is_(False), _ENTRY.c.id.not_in(replaced), _ENTRY.c.from_at >= start, _ENTRY.c.from_at < end
    )
    if kinds:
        query = query.where(_ENTRY.c.kind.in_(sorted(kinds)))
    if about is not None:
        pairs = [(_ENTRY.c[name], getattr(about, name)) for name in ("animal_id", "clutch_id", "enclosure_id")]
        query = query.where(sa.or_(*(column == value for column, value in pairs if value is not None)))
    return session.exec(query.order_by(_ENTRY.c.from_at.desc(), _ENTRY.c.id.desc()).limit(limit)).all()


def latest_of_kind(session: Session, kind: str, animal_id: int, before: datetime) -> Sequence[JournalEntry]:
    """Return an animal's entries of a kind before an instant, the newest first."""
    found = counting(versions(session, JournalEntry, animal_id=animal_id))
    return [entry for entry in reversed(found) if entry.kind == kind and entry.from_at < before]


def names_of(session: Session, entries: Iterable[JournalEntry]) -> dict[tuple[str, int], str]:
    """Return what entries are about by name: ("animal", id), ("clutch", id), ("enclosure", id)."""
    models: dict[str, type[Animal | Clutch | Enclosure]] = {
        "animal": Animal, "clutch": Clutch, "enclosure": Enclosure,
    }  # fmt: skip
    wanted = {(noun, getattr(entry, f"{noun}_id")) for entry in entries for noun in models}
    return {
        (noun, identity): session.get_one(models[noun], identity).name
        for noun, identity in sorted(pair for pair in wanted if pair[1] is not None)
    }

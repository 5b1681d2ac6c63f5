"""Which things are entered, changed, brought back or retired."""

from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any

from service.roomfile.changes import PlannedChange, PutThing
from service.roomfile.kinds import ANIMAL, SITE, THINGS, ThingKind
from service.roomfile.spec import RoomFile
from service.roomfile.standing import Standing, StandingThing
from service.roomfile.wanted import WantedThing, wanted_things


def plan_things(
    standing: Standing, room_file: RoomFile, now: datetime
) -> tuple[list[PlannedChange], list[PlannedChange]]:
    """Return what is entered or changed, and what is retired."""
    wanted = list(wanted_things(room_file))
    changes = [change for thing in wanted for change in _change(standing, thing)]
    keys = {(thing.kind.model, thing.key) for thing in wanted}
    retired = [
        _retired(kind, key, thing, now)
        for kind in THINGS
        if kind not in (SITE, ANIMAL)  # animals are entered on their page too: the file speaks of those it names
        for key, thing in standing.things[kind.model].items()
        if (kind.model, key) not in keys and thing.retired_at is None
    ]
    return changes, retired


def subject_of(kind: ThingKind, key: str | int) -> str:
    """Return what a sentence calls a thing."""
    if kind is SITE:
        return "site"
    return f'{kind.noun} "{key}"' if isinstance(key, str) else f"{kind.noun} {key}"


def _change(standing: Standing, thing: WantedThing) -> Iterator[PlannedChange]:
    kind, subject = thing.kind, subject_of(thing.kind, thing.key)
    there = standing.things[kind.model].get(thing.key)
    if there is None:
        values = _filled(thing, kind.usual)
        yield PlannedChange(
            "added",
            subject,
            f"{subject} is added{_listed(kind, _unusual(kind, values))}",
            None,
            _shown(kind, values),
            (PutThing(kind, thing.key, values, is_new=True),),
        )
        return
    values = _filled(thing, there.values)
    changed = [column for column in kind.columns if there.values[column] != values[column]]
    if not changed and there.retired_at is None:
        return
    words = [_change_in_words(kind, column, there.values[column], values[column]) for column in changed]
    if there.retired_at is not None:
        words.insert(0, "comes back")
    before, after = ({column: told[column] for column in changed} for told in (there.values, values))
    yield PlannedChange(
        "changed",
        subject,
        f"{subject}: {'; '.join(words)}",
        _shown(kind, before) | ({"retired_at": there.retired_at.isoformat()} if there.retired_at else {}),
        _shown(kind, after) | ({"retired_at": None} if there.retired_at else {}),
        (PutThing(kind, thing.key, values, is_new=False),),
    )


def _filled(thing: WantedThing, otherwise: Mapping[str, Any]) -> dict[str, Any]:
    """Return the values, those that the file need not give and does not give as they are otherwise."""
    left = {column: otherwise[column] for column in thing.kind.usual if thing.values[column] is None}
    return thing.values | left


def _unusual(kind: ThingKind, values: Mapping[str, Any]) -> dict[str, Any]:
    """Return the values, without those that need not be said."""
    return {column: None if kind.usual.get(column) == value else value for column, value in values.items()}


def _retired(kind: ThingKind, key: str | int, thing: StandingThing, now: datetime) -> PlannedChange:
    subject = subject_of(kind, key)
    return PlannedChange(
        "retired",
        subject,
        f"{subject} is retired: the file no longer has it; what is known of it stays",
        {"retired_at": None},
        {"retired_at": now.isoformat()},
        (PutThing(kind, key, thing.values, is_new=False, retired_at=now),),
    )


def _listed(kind: ThingKind, values: Mapping[str, Any]) -> str:
    """Return the values in words, those that are empty or say the key again left out."""
    said = [
        f"{label} {_value_in_words(values[column])}"
        for column, label in kind.columns.items()
        if values[column] is not None and column not in kind.secret
    ]
    return f" ({', '.join(said)})" if said else ""


def _change_in_words(kind: ThingKind, column: str, before: object, after: object) -> str:
    label = kind.columns[column]
    if column in kind.secret:
        return f"{label} changes (it is not shown)"
    return f"{label} changes from {_value_in_words(before)} to {_value_in_words(after)}"


def _value_in_words(value: object) -> str:
    match value:
        case None:
            return "none"
        case str():
            return f'"{value}"'
        case dict():
            return ", ".join(f"{name} {_value_in_words(item)}" for name, item in value.items())
        case list():
            return ", ".join(_value_in_words(item) for item in value)
        case int() | float():
            return f"{value:g}"
        case _:
            return str(value)


def _shown(kind: ThingKind, values: Mapping[str, Any]) -> dict[str, Any]:
    """Return the values for the journal of changes, secrets hidden."""
    return {column: "(not shown)" if column in kind.secret else value for column, value in values.items()}

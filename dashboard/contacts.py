"""Who is told, from the screen: what stands as fields, and what was sent as a change of the room file."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from service.errors import BadUse
from service.model import Change, Contact, Escalation
from service.notify.trying import about_route
from service.roomfile.editing import Document, entry, without

LONGEST_NAME: Final = 64
"""[characters]"""
LONGEST_ROUTE: Final = 1_000
"""[characters]"""
_STEP: Final = re.compile(r"s([1-9][0-9]{0,2})-(minutes|who:.+)", re.DOTALL)
_LABELS: Final = {
    "route": "route", "priority": "from priority", "hours": "hours", "after_minutes": "minutes", "contacts": "told",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class ContactFields:
    """The fields of a contact's form, but the route: that is a secret and is never shown again."""

    name: str = ""
    priority: str = "medium"
    begin: str = ""
    end: str = ""


@dataclass(frozen=True, slots=True)
class StepFields:
    """The fields of one step: the text that stands in its minutes, and whose names are ticked."""

    number: int
    minutes: str
    who: frozenset[str]


def contact_fields(contact: Contact) -> ContactFields:
    """Return the fields that show a contact."""
    begin, _, end = (contact.hours or "").partition("-")
    return ContactFields(contact.name, contact.priority, begin, end)


def sent_contact(form: Mapping[str, str]) -> ContactFields:
    """Return the fields as they were sent, to be shown again."""
    hours = (form.get(name, "").strip() for name in ("begin", "end"))
    return ContactFields(form.get("name", ""), form.get("priority", "medium"), *hours)


def tidy(name: str) -> str:
    """Return a name without spaces too many."""
    return " ".join(name.split())


def step_fields(steps: Sequence[Escalation]) -> tuple[StepFields, ...]:
    """Return the fields that show the steps, and those of one more."""
    rows = [StepFields(one.step, f"{one.after_minutes:g}", frozenset(map(str, one.contacts))) for one in steps]
    after = max((one.step for one in steps), default=0)
    return (*rows, StepFields(after + 1, "", frozenset()))


def sent_steps(form: Mapping[str, str]) -> tuple[StepFields, ...]:
    """Return the steps as they were sent, in order."""
    minutes: dict[int, str] = {}
    who: dict[int, set[str]] = {}
    for field, value in form.items():
        if found := _STEP.fullmatch(field):
            number = int(found[1])
            if found[2] == "minutes":
                minutes[number] = value.strip()
            else:
                who.setdefault(number, set()).add(found[2].removeprefix("who:"))
    return tuple(
        StepFields(number, minutes.get(number, ""), frozenset(who.get(number, ())))
        for number in sorted({*minutes, *who})
    )


def contact_of(form: Mapping[str, str]) -> Document:
    """Return a contact as a room file says it: without a name, and without a route where none was written.

    Raises
    ------
    BadUse
        A field cannot be read; the text shows no route.
    """
    fields, route = sent_contact(form), form.get("route", "").strip()
    contact: Document = {}
    if route:
        _check_route(route)
        contact["route"] = route
    contact["priority"] = fields.priority
    if bool(fields.begin) != bool(fields.end):
        raise BadUse("hours: fill in both times, or neither for any hour")
    if fields.begin:
        contact["hours"] = f"{fields.begin}-{fields.end}"
    return contact


def add_contact(document: Document, name: str, contact: Document) -> None:
    """Add someone who is told.

    Raises
    ------
    BadUse
        Without a name or a route, or there is one of that name.
    """
    contacts = document.setdefault("contact", [])
    if not 1 <= len(name) <= LONGEST_NAME:
        raise BadUse(f"a contact has a name of 1 to {LONGEST_NAME} characters: write whom the messages reach")
    if any(one["name"] == name for one in contacts):
        raise BadUse(f'there is a contact "{name}" already: change that one, or take another name')
    if "route" not in contact:
        raise BadUse("a contact has a route: write the address that takes the messages")
    contacts.append({"name": name, **contact})


def change_contact(document: Document, name: str, contact: Document) -> None:
    """Change someone who is told; without a new route the old one stays."""
    table = entry(document, "contact", name, "name")
    table.pop("hours", None)
    table |= contact


def end_contact(document: Document, name: str) -> None:
    """Tell someone no more; a step that told nobody else goes with them."""
    without(document, "contact", name, "name")
    for step in document.get("escalation", []):
        step["contacts"] = [one for one in step["contacts"] if one != name]
    document["escalation"] = [step for step in document.get("escalation", []) if step["contacts"]]


def steps_of(form: Mapping[str, str]) -> list[Document]:
    """Return the steps as a room file says them; a row without minutes and names is none.

    Raises
    ------
    BadUse
        A row says how long but not whom, or whom but not how long.
    """
    steps: list[Document] = []
    for row in sent_steps(form):
        if not row.minutes and not row.who:
            continue
        if not row.minutes:
            raise BadUse(f"step {row.number}: write after how many minutes, or tick nobody to take the step away")
        if not row.who:
            raise BadUse(f"step {row.number}: tick who is told, or empty the minutes to take the step away")
        steps.append({"step": row.number, "after_minutes": _minutes(row), "contacts": sorted(row.who)})
    return steps


def put_steps(document: Document, steps: Sequence[Document]) -> None:
    """Say who is told next; a step that tells the same people keeps their order."""
    before = {one["step"]: one["contacts"] for one in document.get("escalation", [])}
    for step in steps:
        if set(before.get(step["step"], ())) == set(step["contacts"]):
            step["contacts"] = before[step["step"]]
    document["escalation"] = list(steps)


def change_in_words(change: Change) -> str:
    """Return what somebody changed of contacts and steps, as a sentence; a route never stands in it."""
    what = change.subject.replace("escalation step", "step")
    before, after = change.before or {}, change.after or {}
    if after.get("retired_at"):
        return f"{change.by} ended {what}"
    verb = "added" if not before else "brought back" if before.get("retired_at") else "changed"
    words = [_column(name, before, value) for name, value in after.items() if name in _LABELS and value != ""]
    said = ", ".join(word for word in words if word)
    return f"{change.by} {verb} {what}{f': {said}' if said else ''}"


def _column(name: str, before: Mapping[str, Any], value: object) -> str:
    if name == "route":
        return "another route" if before else ""
    now = _plain(value)
    return f"{_LABELS[name]} {_plain(before[name])} → {now}" if name in before else f"{_LABELS[name]} {now}"


def _plain(value: object) -> str:
    match value:
        case None:
            return "any"
        case list():
            return " and ".join(map(str, value))
        case int() | float():
            return f"{value:g}"
        case _:
            return str(value)


def _check_route(route: str) -> None:
    if len(route) > LONGEST_ROUTE:
        raise BadUse(f"route: longer than {LONGEST_ROUTE} characters")
    _about, wrong = about_route(route)
    if wrong is not None:
        raise BadUse(f"route: {wrong}")


def _minutes(row: StepFields) -> float:
    if not re.fullmatch(r"[0-9]{1,5}(?:[.,][0-9]{1,2})?", row.minutes):
        raise BadUse(f"step {row.number}: {row.minutes[:20]!r} is no number of minutes")
    return float(row.minutes.replace(",", "."))

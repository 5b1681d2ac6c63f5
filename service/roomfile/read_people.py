"""The part of a room file about animals, equipment, and who is told."""

import re

from service.roomfile.known import Known
from service.roomfile.nodes import Node, report_twice
from service.roomfile.spans import report_meeting
from service.roomfile.spec import (
    BEGINNING,
    AnimalSpec,
    ContactSpec,
    EquipmentSpec,
    EscalationSpec,
    HousingSpec,
)
from service.store.animals import MOST_MEMBERS

PRIORITIES = ("low", "medium", "high")
_ROUTE = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*://\S+")
_HOURS = re.compile(r"((?:[01]\d|2[0-3]):[0-5]\d)-((?:[01]\d|2[0-3]):[0-5]\d)")
_LONGEST_LIFE_MONTHS = 1_200.0
_A_WEEK_MIN = 10_080.0
_MOST_STEPS = 100


def read_animals(root: Node, known: Known) -> tuple[AnimalSpec, ...]:
    """Read every `[[animal]]` with its housings."""
    nodes = root.tables("animal", "name")
    animals = [_animal(node, known) for node in nodes]
    names = [animal.name or None for animal in animals]
    report_twice(nodes, names, lambda name, line: f'name "{name}" is used twice, first in line {line}')
    return tuple(animals)


def _animal(node: Node, known: Known) -> AnimalSpec:
    name, species = node.text("name", required=True), node.text("species", required=True)
    members = node.whole("members", 1, MOST_MEMBERS) if node.has("members") else None
    nodes = node.tables("housing", "enclosure")
    housings = [_housing(housing, known) for housing in nodes]
    report_meeting(
        nodes, housings, lambda h: (h.from_at, h.until_at), "puts the animal into two enclosures at one time: see"
    )
    node.finish()
    return AnimalSpec(name or "", species or "", tuple(sorted(housings, key=lambda h: h.from_at)), members)


def _housing(node: Node, known: Known) -> HousingSpec:
    enclosure = node.word("enclosure", "enclosure", known.enclosures)
    start, end = node.span(required=True)
    node.finish()
    return HousingSpec(enclosure or "", start or BEGINNING, end)


def read_equipment(root: Node, known: Known) -> tuple[EquipmentSpec, ...]:
    """Read every `[[equipment]]`."""
    nodes = root.tables("equipment", "kind")
    pieces = [_piece(node, known) for node in nodes]
    keys = [(piece.enclosure, piece.kind) if piece.enclosure and piece.kind else None for piece in pieces]
    report_twice(
        nodes, keys, lambda _, line: f'is there already, in line {line}; tell two apart, as in "uvb-lamp-left"'
    )
    return tuple(pieces)


def _piece(node: Node, known: Known) -> EquipmentSpec:
    enclosure, kind = node.word("enclosure", "enclosure", known.enclosures), node.text("kind", required=True)
    installed = node.instant("installed", required=True)
    months = node.number("replace_after_months", above=0.0, most=_LONGEST_LIFE_MONTHS)
    node.finish()
    return EquipmentSpec(enclosure or "", kind or "", installed or BEGINNING, months)


def read_contacts(root: Node) -> tuple[ContactSpec, ...]:
    """Read every `[[contact]]`; no sentence of these shows a route."""
    nodes = root.tables("contact", "name")
    contacts = [_contact(node) for node in nodes]
    names = [contact.name or None for contact in contacts]
    report_twice(nodes, names, lambda name, line: f'name "{name}" is used twice, first in line {line}')
    return tuple(contacts)


def _contact(node: Node) -> ContactSpec:
    name, route = node.text("name", required=True), node.text("route", required=True)
    if route is not None and not _ROUTE.fullmatch(route):
        node.problem('"route" is no address of a service; write it as in "mailto://…" (it is not shown here)', "route")
    priority = node.word("priority", "priority", PRIORITIES, required=False) or "high"
    hours = node.text("hours")
    found = _HOURS.fullmatch(hours) if hours else None
    if hours and (found is None or found[1] == found[2]):
        node.problem(f'"hours" is "{hours}"; write from-until by the site\'s clock, as in "08:00-22:00"', "hours")
    node.finish()
    return ContactSpec(name or "", route or "", priority, hours)


def read_escalations(root: Node, known: Known) -> tuple[EscalationSpec, ...]:
    """Read every `[[escalation]]`."""
    nodes = root.tables("escalation", "step")
    steps = [_escalation(node, known) for node in nodes]
    numbers = [step.step or None for step in steps]
    report_twice(nodes, numbers, lambda number, line: f"step {number} is there already, in line {line}")
    return tuple(steps)


def _escalation(node: Node, known: Known) -> EscalationSpec:
    step = node.whole("step", 1, _MOST_STEPS)
    minutes = node.number("after_minutes", required=True, above=0.0, most=_A_WEEK_MIN)
    contacts = node.words("contacts", "contact", known.contacts)
    node.finish()
    return EscalationSpec(step or 0, minutes or 0.0, contacts)

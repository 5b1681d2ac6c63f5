"""From messages that nobody reads yet to mappings that would: proposed to a keeper, who sees them at work first."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from sensors.payloads.device_time import DeviceTimeError, device_time
from sensors.payloads.guessing import (
    as_number,
    guess_quantity,
    guess_unit,
    is_plausible,
    is_probe_name,
    is_time_name,
)
from sensors.payloads.json_fields import load_json, records_of
from sensors.payloads.measurement import Field, Mapping, PayloadError
from sensors.payloads.naming import BASE_NAME, MEMBER, name_of
from sensors.payloads.pointer import PointerError, compile_pointer
from sensors.payloads.senml import load_pack
from sensors.payloads.senml_pack import Record
from sensors.quantities import QUANTITIES

_MOST_PLACES, _DEEPEST = 40, 6
_MOST_NAMES = 50
_SENML_ONLY = {
    "Cel": "air_temperature", "K": "air_temperature", "%RH": "relative_humidity", "lx": "illuminance", "W": "power",
    "%EL": "battery", "dBm": "signal",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Place:
    """A value of a message, and what it probably is.

    Attributes
    ----------
    pointer : str
        As a mapping names it.
    values : tuple
        What stood there in the last messages, the newest first.
    quantity : str or None
        None where its name does not say, or another place is it already.
    unit : str or None
        None: the quantity's own.
    why : str
        What speaks for the unit; may be empty.
    """

    pointer: str
    values: tuple[object, ...]
    quantity: str | None
    unit: str | None
    why: str = ""


@dataclass(frozen=True, slots=True)
class Proposal:
    """A mapping for one probe.

    Attributes
    ----------
    format : str
    places : tuple of Place
        Every number of the message, taken or not.
    time_pointer, each, called, called_at : str or None
        As in `sensors.payloads.measurement.Mapping`.
    """

    format: str
    places: tuple[Place, ...]
    time_pointer: str | None = None
    each: str | None = None
    called: str | None = None
    called_at: str | None = None

    def mapping(self) -> Mapping:
        """Return the mapping, of the places whose quantity is known."""
        where = None if self.format == "scalar" else "pointer"
        fields = tuple(
            Field(place.quantity, place.pointer if where else None, place.unit)
            for place in self.places
            if place.quantity is not None
        )
        return Mapping(self.format, fields, self.time_pointer, self.each, self.called, self.called_at)


def propose(payloads: Sequence[bytes], topic: str, like: Mapping | None = None) -> list[Proposal]:
    """Return a proposal for each probe that speaks in messages of one topic.

    Parameters
    ----------
    payloads : sequence of bytes
        The newest first.
    topic : str
    like : Mapping, optional
        Of a probe of the same gateway: its records are found and named alike.

    Returns
    -------
    list of Proposal
        Empty when nothing can be read.
    """
    if like is not None and like.format == "json":
        return _of_records(_documents(payloads), like.each, like.called_at or "")
    packs = _packs(payloads)
    if packs:
        return _of_packs(packs)
    scalar = [as_number(_text(payload)) for payload in payloads]
    numbers = [number for number in scalar if number is not None]
    if numbers:
        place = _place("", topic.split("/"), [_text(payload) for payload in payloads])
        return [Proposal("scalar", (place,))] if place else []
    return _of_documents(_documents(payloads))


def _text(payload: bytes) -> str:
    return payload[:64].decode("utf-8", "replace")


def _documents(payloads: Sequence[bytes]) -> list[object]:
    documents: list[object] = []
    for payload in payloads:
        try:
            documents.append(load_json(payload))
        except PayloadError:
            continue
    return documents


def _packs(payloads: Sequence[bytes]) -> list[list[Record]]:
    packs: list[list[Record]] = []
    for payload in payloads:
        try:
            packs.append(load_pack(payload))
        except PayloadError:
            continue
    return packs


# SenML


def _of_packs(packs: Sequence[Sequence[Record]]) -> list[Proposal]:
    records = [record for pack in packs for record in pack if as_number(record.value) is not None]
    bases = list(dict.fromkeys(record.base for record in records))[:_MOST_NAMES]
    if len(bases) < 2 or "" in bases:  # noqa: PLR2004 - with one base name nobody else speaks there
        return [Proposal("senml", _named_places(records, whole=True))] if records else []
    proposals: list[Proposal] = []
    for base in bases:
        own = [record for record in records if record.base == base]
        proposals.append(Proposal("senml", _named_places(own, whole=False), called=base, called_at=BASE_NAME))
    return proposals


def _named_places(records: Sequence[Record], *, whole: bool) -> tuple[Place, ...]:
    by_name: dict[str, list[Record]] = {}
    for record in records:
        by_name.setdefault(record.name if whole else record.name[len(record.base) :], []).append(record)
    places: list[Place] = []
    for name, found in list(by_name.items())[:_MOST_PLACES]:
        unit = found[0].unit
        place = _place(name, [name], [record.value for record in found])
        if place is None:
            continue
        quantity = place.quantity or _SENML_ONLY.get(unit or "")
        if unit is not None and quantity is not None:
            # The record says its unit itself: no mapping needs to.
            fits = unit in QUANTITIES[quantity].units
            place = replace(place, quantity=quantity if fits else _SENML_ONLY.get(unit), unit=None, why=f"in {unit}")
        places.append(replace(place, quantity=place.quantity or (quantity if unit is None else None)))
    return _each_once(places)


# JSON


def _of_documents(documents: Sequence[object]) -> list[Proposal]:
    if not documents:
        return []
    for each, called_at in _gateways(documents[0]):
        proposals = _of_records(documents, each, called_at)
        if len(proposals) > 1:
            return proposals
    whole = _named_at_the_top(documents)
    if whole:
        return _of_records(documents, None, whole)
    if isinstance(documents[0], list) and documents[0] and isinstance(documents[0][0], dict):
        records = [record for document in documents if isinstance(document, list) for record in document]
        return [_one(records, records, each="")]
    return [_one(documents, documents)]


def _gateways(document: object, way: tuple[str, ...] = ()) -> Iterator[tuple[str, str]]:
    """Yield where a list or object of records may stand, and where in a record its name."""
    inner: list[tuple[str, object]] = list(document.items()) if isinstance(document, dict) else []
    records = [value for _, value in inner] if inner else (document if isinstance(document, list) else [])
    if len(records) > 1 and all(isinstance(record, dict) for record in records):
        pointer, first = _pointer(way), records[0]
        for key, value in first.items() if isinstance(document, list) and isinstance(first, dict) else ():
            if is_probe_name(key) and name_of(value):
                yield pointer, _pointer((key,))
        if isinstance(document, dict):
            yield pointer, MEMBER
    if len(way) < _DEEPEST:
        for key, value in inner[:_MOST_PLACES]:
            yield from _gateways(value, (*way, key))


def _named_at_the_top(documents: Sequence[object]) -> str | None:
    """Return the pointer to a name that differs from message to message: several probes take turns."""
    known = [document for document in documents if isinstance(document, dict)]
    for key in known[0] if known else ():
        names = {name_of(document.get(key)) for document in known}
        if is_probe_name(key) and len(names - {None}) > 1:
            return _pointer((key,))
    return None


def _of_records(documents: Sequence[object], each: str | None, called_at: str) -> list[Proposal]:
    apart = records_of(each)
    of_name: dict[str, list[tuple[object, object]]] = {}
    for document in documents:
        try:
            records = apart(document)
        except PayloadError:
            continue
        for member, record in records:
            name = name_of(member) if called_at == MEMBER else _name_at(called_at, record)
            if name is not None and (name in of_name or len(of_name) < _MOST_NAMES):
                of_name.setdefault(name, []).append((record, document))
    return [
        _one([record for record, _ in said], [whole for _, whole in said], each, name, called_at)
        for name, said in of_name.items()
    ]


def _name_at(pointer: str, record: object) -> str | None:
    try:
        return name_of(compile_pointer(pointer).resolve(record))
    except PointerError:
        return None


def _one(
    records: Sequence[object],
    wholes: Sequence[object],
    each: str | None = None,
    called: str | None = None,
    called_at: str | None = None,
) -> Proposal:
    """Propose how one probe's records are read."""
    places: list[Place] = []
    time = _time_in(records) or (_time_in(wholes) if each is not None else None)
    for tokens, _value in _leaves(records[0]):
        pointer = _pointer(tokens)
        if pointer in {time, called_at} or (tokens and is_probe_name(tokens[-1])):
            continue
        place = _place(pointer, tokens, [value for record in records for value in _at(pointer, record)], records[0])
        if place is not None:
            places.append(place)
    return Proposal("json", _each_once(places), time, each, called, called_at)


def _at(pointer: str, record: object) -> list[object]:
    try:
        return [compile_pointer(pointer).resolve(record)]
    except PointerError:
        return []


def _leaves(value: object, way: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], object]]:
    """Yield what is neither object nor list, with the names that lead there; bounded in depth and number."""
    stack: list[tuple[tuple[str, ...], object]] = [(way, value)]
    told = 0
    while stack and told < _MOST_PLACES:
        here, found = stack.pop()
        if isinstance(found, dict | list) and len(here) < _DEEPEST:
            pairs = list(found.items()) if isinstance(found, dict) else [(str(i), one) for i, one in enumerate(found)]
            stack.extend(((*here, str(key)), one) for key, one in reversed(pairs[:_MOST_PLACES]))
        elif not isinstance(found, dict | list):
            told += 1
            yield here, found


def _time_in(records: Sequence[object]) -> str | None:
    for tokens, value in _leaves(records[0]):
        if tokens and is_time_name(tokens[-1]):
            try:
                device_time(value)
            except DeviceTimeError:
                continue
            return _pointer(tokens)
    return None


def _pointer(tokens: Sequence[str]) -> str:
    return "".join(f"/{token.replace('~', '~0').replace('/', '~1')}" for token in tokens)


def _place(pointer: str, tokens: Sequence[str], values: Sequence[object], beside: object = None) -> Place | None:
    """Return what stands at a place; None when that is no number."""
    numbers = [number for number in map(as_number, values) if number is not None]
    if not numbers:
        return None
    quantity = guess_quantity(tokens, values)
    if quantity is not None and not is_plausible(quantity, numbers):
        quantity = None
    unit, why = (None, "") if quantity is None else guess_unit(quantity, tokens, numbers, _said_unit(beside))
    return Place(pointer, tuple(values[:5]), quantity, unit, why)


def _said_unit(beside: object) -> str | None:
    """Return what the record calls the unit of its temperatures."""
    if not isinstance(beside, dict):
        return None
    said = next((beside[key] for key in ("unit", "units", "temp_unit") if key in beside), None)
    return said if isinstance(said, str) else None


def _each_once(places: Sequence[Place]) -> tuple[Place, ...]:
    """Leave each quantity to the first place that is it."""
    taken: set[str] = set()
    result: list[Place] = []
    for place in places:
        free = place.quantity is None or place.quantity not in taken
        result.append(place if free else replace(place, quantity=None, unit=None, why=""))
        if place.quantity is not None:
            taken.add(place.quantity)
    return tuple(result)

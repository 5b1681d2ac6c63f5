"""Messages that are one JSON document, each quantity at its own pointer."""

from collections.abc import Callable, Iterator

import orjson

from sensors.payloads.device_time import DeviceTimeError, device_time
from sensors.payloads.measurement import (
    Decoded,
    Decoder,
    Field,
    Mapping,
    MappingError,
    Measurement,
    PayloadError,
    require_size,
    shown,
)
from sensors.payloads.numbers import NumberError, reader_for
from sensors.payloads.pointer import Pointer, PointerError, compile_pointer

_ABSENT = object()
Follow = Callable[[object], object]
RecordReader = Callable[[object, object], Decoded]
"""Reads one record; the second argument is the whole message."""


def load_json(payload: bytes) -> object:
    """Return the document that a payload holds.

    Raises
    ------
    PayloadError
        If it is too large, no UTF-8, no JSON (NaN, infinities and numbers beyond a double included), or nested too
        deep.
    """
    require_size(payload)
    try:
        return orjson.loads(payload)
    except orjson.JSONDecodeError as exc:
        raise PayloadError(f"payload is no JSON ({exc}): mend the device's message, or choose format 'scalar'") from exc


def follow(pointer: Pointer) -> Follow:
    """Return the quickest way along a pointer: most messages are one flat object."""
    if len(pointer.tokens) != 1:
        return pointer.resolve
    token = pointer.tokens[0]

    def member(document: object) -> object:
        value = document.get(token, _ABSENT) if type(document) is dict else _ABSENT
        return pointer.resolve(document) if value is _ABSENT else value

    return member


def _compiled(field: Field) -> tuple[str, Follow, Callable[[object], float]]:
    if field.pointer is None:
        raise MappingError(
            f"{field.quantity} has no pointer: say where it stands in the message, such as '/temperature'"
        )
    return field.quantity, follow(compile_pointer(field.pointer)), reader_for(field)


def _time_finder(mapping: Mapping) -> Callable[[object, object], object] | None:
    """Return what finds the time in a record, else in the whole message."""
    if mapping.time_pointer is None:
        return None
    find = follow(compile_pointer(mapping.time_pointer))

    def find_time(record: object, whole: object) -> object:
        try:
            return find(record)
        except PointerError:
            if whole is record:
                raise
            return find(whole)

    return find_time


def record_reader(mapping: Mapping) -> RecordReader:
    """Return what reads one record by a `json` mapping; MappingError when a field has no pointer or a wrong one."""
    parts = [_compiled(field) for field in mapping.fields]
    pointers = {field.quantity: field.pointer for field in mapping.fields}
    find_time = _time_finder(mapping)

    def time_of(record: object, whole: object, refusals: list[str]) -> int | None:
        if find_time is None:
            return None
        try:
            return device_time(find_time(record, whole))
        except PointerError as exc:
            refusals.append(f"time: {exc}; the arrival time is used")
        except DeviceTimeError as exc:
            refusals.append(f"{exc} (at '{mapping.time_pointer}'); the arrival time is used")
        return None

    def read_record(record: object, whole: object) -> Decoded:
        refusals: list[str] = []
        measurements: list[Measurement] = []
        at_ms = time_of(record, whole, refusals)
        for quantity, find, read in parts:
            try:
                measurements.append(Measurement(quantity, read(find(record)), at_ms))
            except PointerError as exc:
                refusals.append(f"{quantity}: {exc}")
            except NumberError as exc:
                refusals.append(f"{quantity} at '{pointers[quantity]}' {exc}")
        return Decoded(measurements, refusals)

    return read_record


def records_of(each: str | None) -> Callable[[object], list[tuple[str | None, object]]]:
    """Return what takes a document apart into its records, each with its member's name where it is one of an object.

    What it returns raises PayloadError when there is no list and no object at `each`, or when it is empty.
    """
    if each is None:
        return lambda document: [(None, document)]
    find = follow(compile_pointer(each))

    def apart(document: object) -> list[tuple[str | None, object]]:
        try:
            found = find(document)
        except PointerError as exc:
            raise PayloadError(f"records: {exc}") from exc
        if not isinstance(found, dict | list):
            raise PayloadError(f"at '{each}' stands {shown(found)}, expected a list of records")
        records = list(_pairs(found))
        if not records:
            raise PayloadError(f"at '{each}' stands an empty list: there is no record in it")
        return records

    return apart


def _pairs(found: dict[str, object] | list[object]) -> Iterator[tuple[str | None, object]]:
    if isinstance(found, dict):
        yield from found.items()
    else:
        yield from ((None, record) for record in found)


def json_decoder(mapping: Mapping) -> Decoder:
    """Return the decoder of a `json` mapping; MappingError when a field has no pointer or a wrong one."""
    read = record_reader(mapping)
    if mapping.each is None:

        def decode(payload: bytes, _now_ms: int | None = None, /) -> Decoded:
            document = load_json(payload)
            return read(document, document)

        return decode
    apart = records_of(mapping.each)

    def decode_each(payload: bytes, _now_ms: int | None = None, /) -> Decoded:
        document = load_json(payload)
        return joined(read(record, document) for _name, record in apart(document))

    return decode_each


def joined(parts: Iterator[Decoded]) -> Decoded:
    """Return what several records held, in their order."""
    whole = Decoded([], [])
    for part in parts:
        whole.measurements.extend(part.measurements)
        whole.refusals.extend(part.refusals)
    return whole

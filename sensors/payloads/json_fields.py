"""Messages that are one JSON document, each quantity at its own pointer."""

from collections.abc import Callable

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
)
from sensors.payloads.numbers import NumberError, reader_for
from sensors.payloads.pointer import Pointer, PointerError, compile_pointer

_ABSENT = object()


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


def _follow(pointer: Pointer) -> Callable[[object], object]:
    """Return the quickest way along a pointer: most messages are one flat object."""
    if len(pointer.tokens) != 1:
        return pointer.resolve
    token = pointer.tokens[0]

    def member(document: object) -> object:
        value = document.get(token, _ABSENT) if type(document) is dict else _ABSENT
        return pointer.resolve(document) if value is _ABSENT else value

    return member


def _compiled(field: Field) -> tuple[str, Callable[[object], object], Callable[[object], float]]:
    if field.pointer is None:
        raise MappingError(
            f"{field.quantity} has no pointer: say where it stands in the message, such as '/temperature'"
        )
    return field.quantity, _follow(compile_pointer(field.pointer)), reader_for(field)


def json_decoder(mapping: Mapping) -> Decoder:
    """Return the decoder of a `json` mapping; MappingError when a field has no pointer or a wrong one."""
    parts = [_compiled(field) for field in mapping.fields]
    pointers = {field.quantity: field.pointer for field in mapping.fields}
    find_time = None if mapping.time_pointer is None else _follow(compile_pointer(mapping.time_pointer))

    def time_of(document: object, refusals: list[str]) -> int | None:
        if find_time is None:
            return None
        try:
            return device_time(find_time(document))
        except PointerError as exc:
            refusals.append(f"time: {exc}; the arrival time is used")
        except DeviceTimeError as exc:
            refusals.append(f"{exc} (at '{mapping.time_pointer}'); the arrival time is used")
        return None

    def decode(payload: bytes, _now_ms: int | None = None, /) -> Decoded:
        document = load_json(payload)
        refusals: list[str] = []
        measurements: list[Measurement] = []
        at_ms = time_of(document, refusals)
        for quantity, find, read in parts:
            try:
                measurements.append(Measurement(quantity, read(find(document)), at_ms))
            except PointerError as exc:
                refusals.append(f"{quantity}: {exc}")
            except NumberError as exc:
                refusals.append(f"{quantity} at '{pointers[quantity]}' {exc}")
        return Decoded(measurements, refusals)

    return decode

"""Messages that are one number and nothing else."""

from sensors.payloads.measurement import (
    Decoded,
    Decoder,
    Mapping,
    MappingError,
    Measurement,
    PayloadError,
    require_size,
)
from sensors.payloads.numbers import NumberError, reader_for


def scalar_decoder(mapping: Mapping) -> Decoder:
    """Return the decoder of a `scalar` mapping; MappingError unless it has one field, no pointer and no time."""
    if len(mapping.fields) != 1:
        raise MappingError(f"format 'scalar' holds one number, not {len(mapping.fields)}: give one channel a topic")
    field = mapping.fields[0]
    if field.pointer is not None or mapping.time_pointer is not None:
        raise MappingError("format 'scalar' has no pointers: leave 'pointer' and 'time' away, or choose format 'json'")
    read = reader_for(field)

    def decode(payload: bytes, _now_ms: int | None = None, /) -> Decoded:
        require_size(payload)
        try:
            return Decoded([Measurement(field.quantity, read(payload.decode()), None)], [])
        except UnicodeDecodeError as exc:
            raise PayloadError(f"payload is no UTF-8 text (byte {exc.start}): send the number as text") from exc
        except NumberError as exc:
            raise PayloadError(f"{field.quantity} {exc}") from exc

    return decode

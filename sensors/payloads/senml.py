"""Messages that are SenML packs: each quantity is the record of its name."""

from sensors.payloads.device_time import DeviceTimeError, sound_time
from sensors.payloads.json_fields import load_json
from sensors.payloads.measurement import Decoded, Decoder, Field, Mapping, MappingError, Measurement
from sensors.payloads.numbers import NumberError, reader_for
from sensors.payloads.senml_pack import RELATIVE_BELOW, Record, resolve
from sensors.quantities import UnknownWordError


def _time(record: Record, now_ms: int | None) -> int | None:
    """Return the moment of a record: None for now itself, so that the arrival time holds."""
    if record.time >= RELATIVE_BELOW:
        return sound_time(record.time * 1000.0, record.time)
    if record.time == 0:
        return None
    if now_ms is None:
        raise DeviceTimeError(f"time {record.time:g} s counts from an arrival that is not known: send absolute times")
    return sound_time(now_ms + record.time * 1000.0, record.time)


def _measurement(field: Field, record: Record, now_ms: int | None) -> Measurement:
    # The record's own unit is the better witness; the mapping's stands in where the record is silent.
    unit = field.unit if record.unit is None else record.unit
    value = reader_for(Field(field.quantity, field.pointer, unit))(record.value)
    return Measurement(field.quantity, value, _time(record, now_ms))


def senml_decoder(mapping: Mapping) -> Decoder:
    """Return the decoder of a `senml` mapping; MappingError when a field has no record name, or a time is mapped."""
    if mapping.time_pointer is not None:
        raise MappingError("format 'senml' carries its own times: leave 'time' away")
    fields: dict[str, Field] = {}
    for field in mapping.fields:
        if not field.pointer:
            raise MappingError(f"{field.quantity} has no record name: give the full SenML name, base name included")
        reader_for(field)  # refuses an unknown quantity or unit now rather than at the first message
        fields[field.pointer] = field

    def decode(payload: bytes, now_ms: int | None = None, /) -> Decoded:
        measurements: list[Measurement] = []
        refusals: list[str] = []
        missing = dict(fields)
        for record in resolve(load_json(payload)):
            field = fields.get(record.name)
            if field is None:
                continue
            missing.pop(record.name, None)
            try:
                measurements.append(_measurement(field, record, now_ms))
            except NumberError as exc:
                refusals.append(f"{field.quantity} in '{record.name[:60]}' {exc}")
            except (UnknownWordError, DeviceTimeError) as exc:
                refusals.append(f"{field.quantity} in '{record.name[:60]}': {exc}")
        refusals += [f"{field.quantity}: the pack has no record '{name}'" for name, field in missing.items()]
        return Decoded(measurements, refusals)

    return decode

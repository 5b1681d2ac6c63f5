"""Messages that are SenML packs, JSON or CBOR: each quantity is the record of its name."""

from collections.abc import Callable, Iterable

from sensors.payloads.device_time import DeviceTimeError, sound_time
from sensors.payloads.json_fields import load_json
from sensors.payloads.measurement import Decoded, Decoder, Field, Mapping, MappingError, Measurement, PayloadError
from sensors.payloads.naming import BASE_NAME
from sensors.payloads.numbers import NumberError, reader_for
from sensors.payloads.senml_cbor import is_cbor, load_cbor
from sensors.payloads.senml_pack import RELATIVE_BELOW, Record, resolve
from sensors.quantities import UnknownWordError

RecordsReader = Callable[[Iterable[tuple[str, Record]], int | None], Decoded]
"""Reads records, each beside the name that the mapping knows it by; the second argument is the arrival time [ms]."""


def load_pack(payload: bytes) -> list[Record]:
    """Return the resolved records of a pack, JSON or CBOR, told apart by its first byte.

    Raises
    ------
    PayloadError
        If it cannot be read, is no pack, or holds no record.
    """
    records = resolve(load_cbor(payload) if is_cbor(payload) else load_json(payload))
    if not records:
        raise PayloadError("the pack holds no record with a value: there is nothing to take")
    return records


def _time(record: Record, now_ms: int | None) -> int | None:
    """Return the moment of a record: None for now itself, so that the arrival time holds."""
    if record.time >= RELATIVE_BELOW:
        return sound_time(record.time * 1000.0, record.time)
    if record.time == 0:
        return None
    if now_ms is None:
        raise DeviceTimeError(f"time {record.time:g} s counts from an arrival that is not known: send absolute times")
    return sound_time(now_ms + record.time * 1000.0, record.time)


class _Channel:
    """A field with what reads each unit that its records have come in."""

    def __init__(self, field: Field) -> None:
        self.quantity = field.quantity
        self._field = field
        # Refuses an unknown quantity or unit now rather than at the first message.
        self._readers: dict[str | None, Callable[[object], float]] = {None: reader_for(field)}

    def reader(self, unit: str | None) -> Callable[[object], float]:
        """Return what reads a record; its own unit is the better witness, the mapping's stands in where it is silent.

        Raises
        ------
        UnknownWordError
            If the quantity is not measured in that unit.
        """
        known = self._readers.get(unit)
        if known is None:
            known = self._readers[unit] = reader_for(Field(self.quantity, self._field.pointer, unit))
        return known


def _channels(mapping: Mapping) -> dict[str, _Channel]:
    """Return the channels by the names of their records."""
    if mapping.time_pointer is not None:
        raise MappingError("format 'senml' carries its own times: leave 'time' away")
    channels: dict[str, _Channel] = {}
    for field in mapping.fields:
        if not field.pointer:
            whose = "own SenML name, without the base name" if mapping.called_at == BASE_NAME else "full SenML name"
            raise MappingError(f"{field.quantity} has no record name: give the record's {whose}")
        if field.pointer in channels:
            raise MappingError(f"record '{field.pointer}' is {channels[field.pointer].quantity} already")
        channels[field.pointer] = _Channel(field)
    return channels


def records_reader(mapping: Mapping) -> RecordsReader:
    """Return what reads records by a `senml` mapping; MappingError when a field has no record name, or a time is given.

    A record that is no reading is refused alone, and so is a quantity that has no record.
    """
    channels = _channels(mapping)

    def read(records: Iterable[tuple[str, Record]], now_ms: int | None) -> Decoded:
        measurements: list[Measurement] = []
        refusals: list[str] = []
        found: set[str] = set()
        for name, record in records:
            channel = channels.get(name)
            if channel is None:
                continue
            found.add(name)
            try:
                value = channel.reader(record.unit)(record.value)
                measurements.append(Measurement(channel.quantity, value, _time(record, now_ms)))
            except NumberError as exc:
                refusals.append(f"{channel.quantity} in '{record.name[:60]}' {exc}")
            except (UnknownWordError, DeviceTimeError) as exc:
                refusals.append(f"{channel.quantity} in '{record.name[:60]}': {exc}")
        if len(found) < len(channels):
            missing = [name for name in channels if name not in found]
            refusals += [f"{channels[name].quantity}: the pack has no record '{name}'" for name in missing]
        return Decoded(measurements, refusals)

    return read


def senml_decoder(mapping: Mapping) -> Decoder:
    """Return the decoder of a `senml` mapping; MappingError as for `records_reader`."""
    read = records_reader(mapping)

    def decode(payload: bytes, now_ms: int | None = None, /) -> Decoded:
        return read([(record.name, record) for record in load_pack(payload)], now_ms)

    return decode

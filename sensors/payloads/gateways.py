"""Messages in which a gateway speaks for several probes: read once, handed out by the probes' names."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from sensors.payloads.decoder import require_sound
from sensors.payloads.json_fields import RecordReader, follow, load_json, record_reader, records_of
from sensors.payloads.measurement import Decoded, Mapping, MappingError, PayloadError, shown
from sensors.payloads.naming import BASE_NAME, MEMBER, name_of
from sensors.payloads.pointer import PointerError, compile_pointer
from sensors.payloads.senml import RecordsReader, load_pack, records_reader
from sensors.payloads.senml_pack import Record
from sensors.quantities import UnknownWordError

_MOST_TOLD = 5
"""Records without a name are told one by one only so far."""


@dataclass(slots=True)
class Told:
    """What a message of several probes held.

    Attributes
    ----------
    of_probes : list of (str, Decoded)
        By what the gateway calls the probe; one called several times stands there as often.
    strangers : list of str
        Names that no mapping knows, each once.
    refusals : list of str
        Records that name nobody.
    """

    of_probes: list[tuple[str, Decoded]] = field(default_factory=list)
    strangers: list[str] = field(default_factory=list)
    refusals: list[str] = field(default_factory=list)


class GatewayDecoder(Protocol):
    """Reads one payload; raises PayloadError and nothing else. The second argument is the arrival time [ms UTC]."""

    def __call__(self, payload: bytes, now_ms: int | None = None, /) -> Told:
        """Return what the payload holds."""
        ...


def gateway_decoder(mappings: Sequence[Mapping]) -> GatewayDecoder:
    """Return what reads the messages of several probes that are named within them, everything prepared once.

    Parameters
    ----------
    mappings : sequence of Mapping
        One for each probe, at least one; of one format, `each` and `called_at`, each with another name.

    Raises
    ------
    MappingError
        If one could never work, or two have one name.
    """
    first = mappings[0]
    names = [mapping.called or "" for mapping in mappings]
    twice = sorted({name for name in names if names.count(name) > 1}) if len(set(names)) < len(names) else []
    if twice:
        raise MappingError(f"two probes are called '{twice[0]}' by one gateway: keep one")
    for mapping in mappings:
        require_sound(mapping)
        if (mapping.format, mapping.each, mapping.called_at) != (first.format, first.each, first.called_at):
            raise MappingError("probes of one gateway share 'format', 'each' and 'called_at'")
    try:
        if first.called_at == BASE_NAME:
            return _senml({mapping.called or "": records_reader(mapping) for mapping in mappings})
        return _json(first, {mapping.called or "": record_reader(mapping) for mapping in mappings})
    except (PointerError, UnknownWordError) as exc:
        raise MappingError(str(exc)) from exc


def _senml(readers: dict[str, RecordsReader]) -> GatewayDecoder:
    def decode(payload: bytes, now_ms: int | None = None, /) -> Told:
        by_base: dict[str, list[tuple[str, Record]]] = {}
        for record in load_pack(payload):
            by_base.setdefault(record.base, []).append((record.name[len(record.base) :], record))
        told = Told()
        for base, records in by_base.items():
            if base in readers:
                told.of_probes.append((base, readers[base](records, now_ms)))
            elif base:
                told.strangers.append(base)
            else:
                told.refusals.append(f"{len(records)} records have no base name: nobody is named")
        return told

    return decode


def _json(shared: Mapping, readers: dict[str, RecordReader]) -> GatewayDecoder:
    apart, called = records_of(shared.each), _caller(shared)

    def decode(payload: bytes, _now_ms: int | None = None, /) -> Told:
        document = load_json(payload)
        told, strangers, nameless = Told(), dict[str, None](), 0
        for member, record in apart(document):
            try:
                name = called(member, record)
            except PayloadError as exc:
                nameless += 1
                if nameless <= _MOST_TOLD:
                    told.refusals.append(str(exc))
                continue
            read = readers.get(name)
            if read is None:
                strangers[name] = None
            else:
                told.of_probes.append((name, read(record, document)))
        if nameless > _MOST_TOLD:
            told.refusals.append(f"and {nameless - _MOST_TOLD} more records without a name")
        told.strangers.extend(strangers)
        return told

    return decode


def _caller(shared: Mapping) -> Callable[[str | None, object], str]:
    """Return what finds the name of a record's probe."""
    if shared.called_at == MEMBER:
        return _member_name
    pointer = shared.called_at or ""
    find = follow(compile_pointer(pointer))

    def called(_member: str | None, record: object) -> str:
        try:
            value = find(record)
        except PointerError as exc:
            raise PayloadError(f"the probe's name: {exc}") from exc
        name = name_of(value)
        if name is None:
            raise PayloadError(f"the probe's name at '{pointer}' is {shown(value)}, expected text or a whole number")
        return name

    return called


def _member_name(member: str | None, _record: object) -> str:
    name = name_of(member)
    if name is None:
        raise PayloadError("the probes' names are those of an object's members, and here is a list: mend 'called_at'")
    return name

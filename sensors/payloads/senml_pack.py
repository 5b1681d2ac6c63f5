"""SenML packs (RFC 8428, JSON): base fields resolved, so that every record stands for itself."""

import re
from collections.abc import Mapping
from dataclasses import dataclass

from sensors.payloads.measurement import PayloadError, shown

SUPPORTED_VERSION = 10
RELATIVE_BELOW = 2.0**28
"""A resolved time below it is counted from now, one at or above it from 1970 (section 4.5.3). [s]"""

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*", re.ASCII)
_VALUES = ("v", "vs", "vb", "vd")
_BASE_NUMBERS = ("bt", "bv", "bs", "bver")
_NUMBERS = ("v", "s", "t", "ut", *_BASE_NUMBERS)
_TEXTS = ("bn", "bu", "n", "u", "vs", "vd")

Value = float | str | bool


@dataclass(frozen=True, slots=True)
class Record:
    """One resolved record.

    Attributes
    ----------
    name : str
    unit : str or None
    time : float
        As resolved: below `RELATIVE_BELOW` from now, otherwise from 1970. [s]
    kind : str or None
        `v`, `vs`, `vb` or `vd`; None for a record with a sum alone.
    value : float, str, bool or None
    total : float or None
        The sum.
    version : int
    """

    name: str
    unit: str | None
    time: float
    kind: str | None
    value: Value | None
    total: float | None
    version: int


def _place(index: int) -> str:
    return f"record {index + 1}"


def _require_labels(record: object, index: int) -> Mapping[str, object]:
    """Return a record whose labels are of the right type, or refuse the pack."""
    if not isinstance(record, dict):
        raise PayloadError(f"{_place(index)} is {shown(record)}, expected an object: send a SenML pack (RFC 8428)")
    for label, value in record.items():
        if label.endswith("_"):
            raise PayloadError(f"{_place(index)} has '{label[:20]}', which must be understood and is not: leave it out")
        if label in _NUMBERS and (isinstance(value, bool) or not isinstance(value, int | float)):
            raise PayloadError(f"{_place(index)}: '{label}' is {shown(value)}, expected a number")
        if label in _TEXTS and not isinstance(value, str):
            raise PayloadError(f"{_place(index)}: '{label}' is {shown(value)}, expected text")
        if label == "vb" and not isinstance(value, bool):
            raise PayloadError(f"{_place(index)}: 'vb' is {shown(value)}, expected true or false")
    return record


def _number(fields: Mapping[str, object], label: str) -> float:
    value = fields.get(label, 0.0)
    return float(value) if isinstance(value, int | float) else 0.0


def _text(fields: Mapping[str, object], label: str) -> str | None:
    value = fields.get(label)
    return value if isinstance(value, str) else None


def _value(record: Mapping[str, object], base: Mapping[str, object], index: int) -> tuple[str | None, Value | None]:
    present = [label for label in _VALUES if label in record]
    if len(present) > 1:
        raise PayloadError(f"{_place(index)} has {' and '.join(present)}, expected at most one value")
    kind = present[0] if present else ("v" if "bv" in base and "s" not in record else None)
    if kind == "v":
        return kind, _number(base, "bv") + _number(record, "v")
    value = record.get(kind) if kind else None
    return kind, value if isinstance(value, str | bool) else None


def _resolved(record: Mapping[str, object], base: Mapping[str, object], index: int) -> Record:
    name = (_text(base, "bn") or "") + (_text(record, "n") or "")
    if not _NAME.fullmatch(name):
        raise PayloadError(f"{_place(index)} is named {shown(name)}: expected letters, digits and - : . / _ only")
    kind, value = _value(record, base, index)
    has_sum = "s" in record or "bs" in base
    return Record(
        name=name,
        unit=_text(record, "u") or _text(base, "bu"),
        time=_number(base, "bt") + _number(record, "t"),
        kind=kind,
        value=value,
        total=_number(base, "bs") + _number(record, "s") if has_sum else None,
        version=int(_number(base, "bver")) if "bver" in base else SUPPORTED_VERSION,
    )


def resolve(pack: object) -> list[Record]:
    """Return the records of a pack without base fields, in the order of time.

    Parameters
    ----------
    pack : object
        Decoded JSON.

    Returns
    -------
    list of Record
        A record that holds base fields and nothing else is left out.

    Raises
    ------
    PayloadError
        If it is no pack, a label is of a wrong type or must be understood, a name is wrong, the version is newer.

    References
    ----------
    .. [1] RFC 8428, sections 4.1 to 4.6.
    """
    if not isinstance(pack, list):
        raise PayloadError(f"payload is {shown(pack)}, expected a list of SenML records (RFC 8428)")
    base: dict[str, object] = {}
    records: list[Record] = []
    for index, item in enumerate(pack):
        record = _require_labels(item, index)
        base.update({label: value for label, value in record.items() if label in {"bn", "bu", *_BASE_NUMBERS}})
        version = _number(base, "bver")
        if version > SUPPORTED_VERSION:
            raise PayloadError(f"{_place(index)} is of SenML version {version:g}, expected at most {SUPPORTED_VERSION}")
        if any(label in record for label in (*_VALUES, "s")) or "bv" in base:
            records.append(_resolved(record, base, index))
    return sorted(records, key=lambda record: record.time)

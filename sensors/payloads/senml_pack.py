"""SenML packs (RFC 8428): base fields resolved, so that every record stands for itself."""

import re
from collections.abc import Mapping
from functools import lru_cache
from operator import attrgetter
from typing import Any, NamedTuple

from sensors.payloads.measurement import PayloadError, shown

SUPPORTED_VERSION = 10
RELATIVE_BELOW = 2.0**28
"""A resolved time below it is counted from now, one at or above it from 1970 (section 4.5.3). [s]"""

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*", re.ASCII)
_VALUES = ("v", "vs", "vb", "vd")
_SAYS_SOMETHING = frozenset((*_VALUES, "s"))
_BASE = frozenset(("bn", "bt", "bu", "bv", "bs", "bver"))
_NUMBER, _TEXT, _TRUTH = (
    (frozenset({int, float}), "a number"),
    (frozenset({str}), "text"),
    (frozenset({bool}), "true or false"),
)
_KINDS = {
    **dict.fromkeys(("v", "s", "t", "ut", "bt", "bv", "bs", "bver"), _NUMBER),
    **dict.fromkeys(("bn", "bu", "n", "u", "vs", "vd"), _TEXT),
    "vb": _TRUTH,
}

Value = float | str | bool


class Record(NamedTuple):
    """One resolved record.

    Attributes
    ----------
    name : str
        Whole, the base name included.
    unit : str or None
    time : float
        As resolved: below `RELATIVE_BELOW` from now, otherwise from 1970. [s]
    kind : str or None
        `v`, `vs`, `vb` or `vd`; None for a record with a sum alone.
    value : float, str, bool or None
    total : float or None
        The sum.
    version : int
    base : str
        The base name in force, empty where there is none: `name` begins with it.
    """

    name: str
    unit: str | None
    time: float
    kind: str | None
    value: Value | None
    total: float | None
    version: int
    base: str = ""


def _place(index: int) -> str:
    return f"record {index + 1}"


def _require_labels(record: object, index: int) -> Mapping[str, Any]:
    """Return a record whose labels are of the right type, or refuse the pack."""
    if not isinstance(record, dict):
        raise PayloadError(f"{_place(index)} is {shown(record)}, expected an object: send a SenML pack (RFC 8428)")
    for label, value in record.items():
        kind = _KINDS.get(label)
        if kind is None:
            if label.endswith("_"):
                raise PayloadError(
                    f"{_place(index)} has '{label[:20]}', which must be understood and is not: leave it out"
                )
        elif type(value) not in kind[0]:
            raise PayloadError(f"{_place(index)}: '{label}' is {shown(value)}, expected {kind[1]}")
    return record


@lru_cache(maxsize=4096)
def _is_name(name: str) -> bool:
    """Whether it is a name by section 4.5.1; a probe sends the same ones for years."""
    return _NAME.fullmatch(name) is not None


def _kind(record: Mapping[str, Any], base: Mapping[str, Any], index: int) -> str | None:
    """Return which value a record has."""
    present = [label for label in _VALUES if label in record]
    if len(present) > 1:
        raise PayloadError(f"{_place(index)} has {' and '.join(present)}, expected at most one value")
    return present[0] if present else ("v" if "bv" in base and "s" not in record else None)


def _resolved(record: Mapping[str, Any], base: Mapping[str, Any], index: int) -> Record:
    base_name = base.get("bn", "")
    name = base_name + record.get("n", "")
    if not _is_name(name):
        raise PayloadError(f"{_place(index)} is named {shown(name)}: expected letters, digits and - : . / _ only")
    kind = _kind(record, base, index)
    value = record.get(kind) if kind else None
    return Record(
        name,
        record.get("u") or base.get("bu") or None,
        float(base.get("bt", 0.0) + record.get("t", 0.0)),
        kind,
        float(base.get("bv", 0.0) + record.get("v", 0.0)) if kind == "v" else value,
        float(base.get("bs", 0.0) + record.get("s", 0.0)) if "s" in record or "bs" in base else None,
        int(base["bver"]) if "bver" in base else SUPPORTED_VERSION,
        base_name,
    )


def resolve(pack: object) -> list[Record]:
    """Return the records of a pack without base fields, in the order of time.

    Parameters
    ----------
    pack : object
        Decoded JSON, or CBOR by `sensors.payloads.senml_cbor`.

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
    base: dict[str, Any] = {}
    records: list[Record] = []
    for index, item in enumerate(pack):
        record = _require_labels(item, index)
        if not _BASE.isdisjoint(record):
            base.update((label, value) for label, value in record.items() if label in _BASE)
            _require_version(base, index)
        if "bv" in base or not _SAYS_SOMETHING.isdisjoint(record):
            records.append(_resolved(record, base, index))
    return sorted(records, key=_time_of) if len(records) > 1 else records


_time_of = attrgetter("time")


def _require_version(base: Mapping[str, Any], index: int) -> None:
    version = base.get("bver", SUPPORTED_VERSION)
    # Written so that NaN, which CBOR can carry, is refused too.
    if not 0 <= version <= SUPPORTED_VERSION:
        raise PayloadError(f"{_place(index)} is of SenML version {version:g}, expected at most {SUPPORTED_VERSION}")

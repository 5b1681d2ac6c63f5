"""SenML packs as CBOR (RFC 8428, section 6): the integer labels become the names that JSON packs have."""

import io
from base64 import urlsafe_b64encode
from decimal import Decimal
from fractions import Fraction

import cbor2

from sensors.payloads.measurement import PayloadError, require_size, shown

_LABELS = {
    -6: "bs", -5: "bv", -4: "bu", -3: "bt", -2: "bn", -1: "bver",
    0: "n", 1: "u", 2: "v", 3: "vs", 4: "vb", 5: "s", 6: "t", 7: "ut", 8: "vd",
}  # fmt: skip
_SELF_DESCRIBED = b"\xd9\xd9\xf7"
"""What a sender may put first to say that CBOR follows (RFC 8949, section 3.4.6)."""
_FIRST_ARRAY, _LAST_ARRAY = 0x80, 0x9F
_DEEPEST = 8
"""A pack is a list of maps of plain values."""


def is_cbor(payload: bytes) -> bool:
    """Whether a pack is CBOR: it begins with an array, and no JSON text begins with that byte."""
    return payload.startswith(_SELF_DESCRIBED) or (bool(payload) and _FIRST_ARRAY <= payload[0] <= _LAST_ARRAY)


def load_cbor(payload: bytes) -> object:
    """Return a pack as a JSON pack would be decoded.

    Raises
    ------
    PayloadError
        If it is too large, no CBOR, nested deeper than a pack, a map names something twice, or bytes are left over.
    """
    require_size(payload)
    source = io.BytesIO(payload.removeprefix(_SELF_DESCRIBED))
    try:
        pack = cbor2.load(source, max_depth=_DEEPEST, allow_duplicate_keys=False)
    except (cbor2.CBORError, RecursionError) as exc:
        raise PayloadError(f"payload is no CBOR ({str(exc)[:80]}): mend the device's message") from exc
    left = len(source.read())
    if left:
        raise PayloadError(f"payload has {left} bytes after its pack: send one pack a message")
    return [_record(record) for record in pack] if isinstance(pack, list) else pack


def _record(record: object) -> object:
    """Return a record with the labels of JSON; labels that are neither text nor known numbers are left out."""
    if not isinstance(record, dict):
        return record
    named: dict[str, object] = {}
    for label, value in record.items():
        name = _LABELS.get(label) if type(label) is int else label
        if not isinstance(name, str):
            continue
        if name in named:
            raise PayloadError(f"a record has '{name[:20]}' twice, as number and as text: send it once")
        named[name] = value if type(value) in {str, float, bool} else _plain(value)
    return named


def _plain(value: object) -> object:
    """Return numbers as floats or ints, bytes as the text that JSON packs carry; anything else as it is."""
    if isinstance(value, bytes):
        return urlsafe_b64encode(value).decode().rstrip("=")
    if isinstance(value, int | Decimal | Fraction) and not isinstance(value, bool):
        try:
            return float(value)
        except OverflowError as exc:
            raise PayloadError(f"a number of the pack is {shown(str(value)[:20])}…, beyond what is stored") from exc
    return value

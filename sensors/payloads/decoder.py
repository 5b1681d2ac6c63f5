"""From a mapping to the function that reads its messages."""

from functools import lru_cache

from sensors.payloads.json_fields import json_decoder
from sensors.payloads.measurement import Decoder, Mapping, MappingError
from sensors.payloads.pointer import PointerError
from sensors.payloads.scalar import scalar_decoder
from sensors.payloads.senml import senml_decoder
from sensors.quantities import UnknownWordError, nearest

_MAKERS = {"json": json_decoder, "scalar": scalar_decoder, "senml": senml_decoder}

FORMATS = tuple(_MAKERS)
"""Every format that a mapping may name."""


@lru_cache(maxsize=1024)
def decoder_for(mapping: Mapping) -> Decoder:
    """Return the function that reads a probe's messages, everything prepared once; probes that speak alike share it.

    Parameters
    ----------
    mapping : Mapping
        The format, at least one field, each quantity at most once.

    Returns
    -------
    Decoder
        Raises PayloadError, and nothing else, when a payload as a whole cannot be read; a missing or wrong field is a
        sentence in `Decoded.refusals` and leaves the others standing.

    Raises
    ------
    MappingError
        If the mapping could never work: unknown format, quantity or unit, a wrong pointer, no field, one twice.
    """
    require_sound(mapping)
    try:
        return _MAKERS[mapping.format](mapping)
    except (PointerError, UnknownWordError) as exc:
        raise MappingError(str(exc)) from exc


def require_sound(mapping: Mapping) -> None:
    """Refuse a mapping of an unknown format, without a field, or with a quantity twice.

    Raises
    ------
    MappingError
        Saying how to mend it.
    """
    if mapping.format not in _MAKERS:
        raise MappingError(f"'{mapping.format}' is no format: {nearest(mapping.format, list(FORMATS))}")
    if not mapping.fields:
        raise MappingError("the mapping takes nothing from the message: add at least one channel")
    quantities = [field.quantity for field in mapping.fields]
    twice = sorted({quantity for quantity in quantities if quantities.count(quantity) > 1})
    if twice:
        raise MappingError(f"{twice[0]} is mapped twice: a probe has one channel of each quantity; make it two probes")

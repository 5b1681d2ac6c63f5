"""Bytes and a mapping in, measurements out.

A payload is bytes from anywhere, so decoding raises `PayloadError` and nothing else. What can be read is read: a field
that is missing or wrong is a sentence beside the others.
"""

from sensors.payloads.decoder import FORMATS, decoder_for
from sensors.payloads.gateways import GatewayDecoder, Told, gateway_decoder
from sensors.payloads.measurement import (
    LARGEST_PAYLOAD,
    Decoded,
    Decoder,
    Field,
    Mapping,
    MappingError,
    Measurement,
    PayloadError,
)
from sensors.payloads.naming import fault_of_names
from sensors.payloads.pointer import Pointer, PointerError, compile_pointer

__all__ = [
    "FORMATS",
    "LARGEST_PAYLOAD",
    "Decoded",
    "Decoder",
    "Field",
    "GatewayDecoder",
    "Mapping",
    "MappingError",
    "Measurement",
    "PayloadError",
    "Pointer",
    "PointerError",
    "Told",
    "compile_pointer",
    "decoder_for",
    "fault_of_names",
    "gateway_decoder",
]

"""What every payload must come to, whatever its bytes: finite readings or a reason; a proposal or none."""

import math

from sensors.payloads import Field, Mapping, PayloadError, decoder_for
from sensors.payloads.gateways import gateway_decoder
from sensors.payloads.proposing import propose
from sensors.quantities import QUANTITIES

_TWO = (Field("air_temperature", "/temperature", "degF"), Field("relative_humidity", "/h"))
_NAMED = (Field("air_temperature", "t"), Field("relative_humidity", "h"))
DECODERS = (
    decoder_for(Mapping("json", _TWO, "/at")),
    decoder_for(Mapping("json", _TWO, "/at", "")),
    decoder_for(Mapping("scalar", (Field("air_temperature"),))),
    decoder_for(Mapping("scalar", (Field("switch"),))),
    decoder_for(Mapping("senml", _NAMED)),
)
GATEWAYS = (
    gateway_decoder([Mapping("json", _TWO, "/at", "/all", name, "/id") for name in ("a", "b")]),
    gateway_decoder([Mapping("json", _TWO, None, "", "a", "member")]),
    gateway_decoder([Mapping("senml", _NAMED, None, None, "urn:a:", "bn")]),
)
SEEDS = (
    b'{"temperature": 75.2, "h": "61", "at": "2026-03-01T07:30:00Z"}',
    b'{"all": [{"id": "a", "temperature": 70, "h": 50}, {"id": "c", "temperature": 70}]}',
    b'[{"bn": "urn:a:", "bt": 1772350200, "n": "t", "u": "Cel", "v": 24}, {"n": "h", "v": 0.5, "u": "/"}]',
    b"\x82\xa4\x21\x66urn:a:\x00at\x01cCel\x02\x18\x18\xa2\x00ah\x02\x18\x32",
    b"21.5",
    b"on",
)


def read_everything(payload: bytes, now_ms: int = 1_772_350_200_000) -> None:
    """Read a payload by every decoder; any exception but PayloadError, or a message lost unseen, is a fault."""
    for decode in DECODERS:
        try:
            decoded = decode(payload, now_ms)
        except PayloadError:
            continue
        assert decoded.measurements or decoded.refusals, "a message was lost unseen"
        assert all(math.isfinite(m.value) and m.quantity in QUANTITIES for m in decoded.measurements)
        assert all(m.at_ms is None or isinstance(m.at_ms, int) for m in decoded.measurements)
    for decode_all in GATEWAYS:
        try:
            told = decode_all(payload, now_ms)
        except PayloadError:
            continue
        assert told.of_probes or told.strangers or told.refusals, "a message was lost unseen"
        assert all(one.measurements or one.refusals for _, one in told.of_probes)
    for proposal in propose([payload], "some/topic"):
        mapping = proposal.mapping()
        if mapping.fields:
            (gateway_decoder([mapping]) if mapping.called_at else decoder_for(mapping))

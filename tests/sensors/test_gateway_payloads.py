"""Messages that speak for several probes, lists of records, and packs in CBOR."""

import json

import cbor2
import pytest

from sensors.payloads import Decoded, Field, Mapping, MappingError, Measurement, PayloadError, decoder_for
from sensors.payloads.gateways import Told, gateway_decoder
from sensors.payloads.measurement import LARGEST_PAYLOAD
from sensors.payloads.naming import fault_of_names

AIR = (Field("air_temperature", "/t"),)
AT = 1_772_350_200
PACK = [{"bn": "urn:dev:a:", "bt": AT, "n": "t", "u": "Cel", "v": 24.5}, {"n": "h", "u": "%RH", "v": 61, "t": -60}]
BOTH = (Field("air_temperature", "urn:dev:a:t"), Field("relative_humidity", "urn:dev:a:h"))
LABELS = {"bn": -2, "bt": -3, "n": 0, "u": 1, "v": 2, "t": 6}


def told(mappings: list[Mapping], document: object) -> Told:
    return gateway_decoder(mappings)(json.dumps(document).encode(), AT * 1000)


def by_id(called: str, each: str | None = "/all", called_at: str = "/id", time: str | None = None) -> Mapping:
    return Mapping("json", AIR, time, each, called, called_at)


def test_each_record_goes_to_the_probe_that_it_names() -> None:
    message = {"at": AT, "all": [{"id": "a", "t": "21"}, {"id": 7, "t": 22}, {"id": "c", "t": 9}, {"id": "a", "t": 23}]}
    found = told([by_id("a", time="/at"), by_id("7", time="/at")], message)
    assert [(name, one.measurements[0]) for name, one in found.of_probes] == [
        ("a", Measurement("air_temperature", 21.0, AT * 1000)),
        ("7", Measurement("air_temperature", 22.0, AT * 1000)),
        ("a", Measurement("air_temperature", 23.0, AT * 1000)),
    ]
    assert (found.strangers, found.refusals) == (["c"], [])


def test_a_record_that_names_nobody_is_told_and_the_others_hold() -> None:
    records = [{"t": 1}, {"id": None, "t": 2}, {"id": "", "t": 3}, {"id": "a", "x": 4}, {"id": "a\u0000", "t": 5}]
    found = told([by_id("a")], {"all": records})
    assert len(found.refusals) == 4
    assert "'/id' leads nowhere" in found.refusals[0]
    ((_, decoded),) = found.of_probes
    assert "'/t' leads nowhere" in decoded.refusals[0]


def test_the_name_may_be_that_of_a_member_or_stand_in_a_nested_list() -> None:
    assert told([by_id("x", "/s", "member")], {"s": {"x": {"t": 5}, "y": {"t": 6}}}).strangers == ["y"]
    rows = Mapping("json", (Field("air_temperature", "/1/0"),), None, "", "b", "/0")
    ((name, decoded),) = told([rows], [["a", [1]], ["b", [20.5, 0]]]).of_probes
    assert (name, decoded.measurements[0].value) == ("b", 20.5)


def test_a_list_without_names_is_one_probes_own() -> None:
    decode = decoder_for(Mapping("json", AIR, "/at", ""))
    decoded = decode(json.dumps([{"at": AT, "t": 20}, {"at": AT + 60, "t": 21}]).encode())
    assert [(m.value, m.at_ms) for m in decoded.measurements] == [(20.0, AT * 1000), (21.0, (AT + 60) * 1000)]
    for bad in (b"[]", b"3", b'"x"'):
        with pytest.raises(PayloadError):
            decode(bad)


def test_packs_of_several_devices_are_told_apart_by_their_base_names() -> None:
    own = (Field("air_temperature", "t"), Field("relative_humidity", "h"))
    mapping = Mapping("senml", own, None, None, "urn:dev:a:", "bn")
    pack = [*PACK, {"bn": "urn:dev:b:", "n": "t", "v": 20}, {"bn": "", "n": "x", "v": 1}]
    found = told([mapping], pack)
    ((name, decoded),) = found.of_probes
    assert (name, [m.value for m in decoded.measurements]) == ("urn:dev:a:", [61.0, 24.5])
    assert found.strangers == ["urn:dev:b:"]
    assert "no base name" in found.refusals[0]


@pytest.mark.parametrize("first", [b"", b"\xd9\xd9\xf7"])
def test_a_pack_in_cbor_says_the_same_as_in_json(first: bytes) -> None:
    # Labels: RFC 8428, table 4.
    packed = cbor2.dumps([{LABELS[label]: value for label, value in record.items()} for record in PACK])
    decode = decoder_for(Mapping("senml", BOTH))
    assert decode(first + packed, 0) == decode(json.dumps(PACK).encode(), 0)
    assert len(decode(packed, 0).measurements) == 2


@pytest.mark.parametrize(
    "payload",
    [
        b"\x80", b"\x81", b"\x9f", b"\x81\x01", b"\x80\x00", b"\x9b" + b"\xff" * 8, b"\x81\xa2\x02\x01\x02\x02",
        cbor2.dumps([{0: "a", 2: 2**2000}]), cbor2.dumps([{0: "a", 2: float("nan"), -1: float("nan")}]),
        cbor2.dumps([{0: "a", "n": "b", 2: 1}]), cbor2.dumps([{0: cbor2.CBORTag(35, "(((")}]),
        b"\x81" * 400 + b"\x00", b"\x98\xff" + b"\xa0" * 70_000, b"\xc5\x82\x1b" + b"\x7f" + b"\xff" * 7 + b"\x03",
    ],
)  # fmt: skip
def test_what_is_no_sound_pack_in_cbor_is_refused_whole(payload: bytes) -> None:
    with pytest.raises(PayloadError):
        decoder_for(Mapping("senml", BOTH))(payload, 0)


@pytest.mark.parametrize("value", [float("nan"), float("inf"), b"\x01", True, None, [1]])
def test_a_value_of_cbor_that_is_no_finite_number_is_no_reading(value: object) -> None:
    decode = decoder_for(Mapping("senml", (Field("air_temperature", "a"),)))
    try:
        decoded = decode(cbor2.dumps([{0: "a", 2: value}]), 0)
    except PayloadError:
        decoded = Decoded([], ["refused"])
    assert decoded.measurements == []
    assert decoded.refusals


@pytest.mark.parametrize(
    ("mapping", "topic", "said"),
    [
        (by_id("a", called_at="2"), "gw/+/x", None),
        (by_id("a", called_at="3"), "gw/#", None),
        (by_id("a", called_at="3"), "gw/+", "has 2"),
        (by_id("a/b", called_at="2"), "gw/+", "holds no '/'"),
        (by_id("a", None, "member"), "gw", "say by 'each'"),
        (Mapping("scalar", (), None, None, "a", "/id"), "gw", "by a level of the topic"),
        (Mapping("senml", (), None, None, "a", "/id"), "gw", "or by 'bn'"),
        (Mapping("senml", (), None, "/all"), "gw", "leads into JSON"),
        (by_id("a", called_at="/~2"), "gw", "'~'"),
        (by_id("x" * 201), "gw", "from 1 to 200"),
    ],
)
def test_names_that_could_never_be_found_are_refused_with_the_reason(
    mapping: Mapping, topic: str, said: str | None
) -> None:
    fault = fault_of_names(mapping, topic)
    assert fault == said if said is None else said in (fault or "")


def test_two_probes_of_one_name_and_of_two_shapes_are_no_gateway() -> None:
    with pytest.raises(MappingError, match="are called 'a'"):
        gateway_decoder([by_id("a"), by_id("a")])
    with pytest.raises(MappingError, match="share"):
        gateway_decoder([by_id("a"), by_id("b", "/other")])


def test_a_message_that_is_too_large_is_refused_by_a_gateway_too() -> None:
    with pytest.raises(PayloadError, match="send smaller messages"):
        gateway_decoder([by_id("a")])(b" " * (LARGEST_PAYLOAD + 1))

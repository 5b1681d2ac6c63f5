"""What a message says, and what is said about a message that says nothing."""

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensors.payloads import (
    FORMATS,
    LARGEST_PAYLOAD,
    Decoded,
    Decoder,
    Field,
    Mapping,
    MappingError,
    Measurement,
    PayloadError,
    decoder_for,
)
from sensors.quantities import QUANTITIES

AIR = Field("air_temperature", "/temperature")
HUMIDITY = Field("relative_humidity", "/humidity")
PLAIN = decoder_for(Mapping("json", (AIR, HUMIDITY)))
TIMED = decoder_for(Mapping("json", (AIR, HUMIDITY), "/at"))
SCALAR = decoder_for(Mapping("scalar", (Field("air_temperature"),)))
SWITCH = decoder_for(Mapping("scalar", (Field("switch"),)))


def only_refusal(decoded: Decoded) -> str:
    assert len(decoded.refusals) == 1
    return decoded.refusals[0]


def test_each_field_is_taken_from_its_own_pointer() -> None:
    decode = decoder_for(Mapping("json", (Field("air_temperature", "/probes/1/t"), Field("battery", "/power~1left"))))
    decoded = decode(b'{"probes": [{"t": 20}, {"t": 21.5}], "power/left": 93}')
    assert decoded == Decoded([Measurement("air_temperature", 21.5, None), Measurement("battery", 93.0, None)], [])


def test_a_document_that_is_one_number_is_read_by_the_empty_pointer() -> None:
    decode = decoder_for(Mapping("json", (Field("illuminance", ""),)))
    assert decode(b"5400").measurements == [Measurement("illuminance", 5400.0, None)]


@pytest.mark.parametrize(
    ("quantity", "unit", "given_value", "stored"),
    [
        ("air_temperature", "degF", 95, 35.0),
        ("surface_temperature", "K", 308.15, 35.0),
        ("relative_humidity", "/", 0.753, 75.3),
        ("power", "kW", 0.075, 75.0),
        ("battery", "%EL", 15, 15.0),
        ("signal", "dBm", -71, -71.0),
        ("uv_index", "1", 3.2, 3.2),
    ],
)
def test_units_are_converted_on_the_way_in(quantity: str, unit: str, given_value: float, stored: float) -> None:
    decode = decoder_for(Mapping("json", (Field(quantity, "/v", unit),)))
    assert decode(json.dumps({"v": given_value}).encode()).measurements[0].value == pytest.approx(stored, abs=1e-9)


def test_numbers_written_as_text_are_numbers() -> None:
    decoded = PLAIN(b'{"temperature": " 21.4 ", "humidity": "6.1e1"}')
    assert [found.value for found in decoded.measurements] == [21.4, 61.0]


@pytest.mark.parametrize(
    "text", ["nan", "inf", "-Infinity", "1_000", "0x1A", "٢١", "", "21,4", "21.4 C", "--", "1e99999", "."]
)
def test_text_that_is_no_plain_number_is_refused(text: str) -> None:
    with pytest.raises(PayloadError, match=r"air_temperature is .* expected a"):
        SCALAR(text.encode())


def test_a_decimal_comma_is_answered_with_the_cure() -> None:
    assert only_refusal(PLAIN(b'{"temperature": "21,4", "humidity": 60}')).endswith("use a decimal point")


@pytest.mark.parametrize("text", ["true", "ON", " on ", "1"])
def test_a_switch_may_say_yes_in_words(text: str) -> None:
    assert SWITCH(text.encode()).measurements[0].value == 1.0


def test_a_boolean_is_a_value_for_a_switch_only() -> None:
    decode = decoder_for(Mapping("json", (Field("switch", "/on"), Field("power", "/on"))))
    decoded = decode(b'{"on": true}')
    assert decoded.measurements == [Measurement("switch", 1.0, None)]
    assert only_refusal(decoded) == "power at '/on' is true, expected a number: only a switch is yes or no"


def test_a_missing_field_leaves_the_others_standing() -> None:
    decoded = PLAIN(b'{"temperature": 24.5, "hum": 61}')
    assert decoded.measurements == [Measurement("air_temperature", 24.5, None)]
    assert only_refusal(decoded) == (
        "relative_humidity: '/humidity' leads nowhere: no member 'humidity' beside 'temperature', 'hum'"
    )


@pytest.mark.parametrize("value", ["null", "[]", '{"c": 1}', "[[[[1]]]]"])
def test_a_field_of_another_kind_is_refused_with_its_place(value: str) -> None:
    decoded = PLAIN(f'{{"temperature": {value}, "humidity": 60}}'.encode())
    assert "air_temperature at '/temperature' is " in only_refusal(decoded)
    assert [found.quantity for found in decoded.measurements] == ["relative_humidity"]


@pytest.mark.parametrize(
    "payload",
    [
        pytest.param(b"", id="empty"),
        pytest.param(b"{", id="cut-short"),
        pytest.param(b'{"temperature": NaN}', id="nan"),
        pytest.param(b'{"temperature": -Infinity}', id="infinity"),
        pytest.param(b'{"temperature": 1e400}', id="beyond-a-double"),
        pytest.param(b'{"temperature": "\xff"}', id="not-utf8"),
        pytest.param(b"[" * 5000 + b"]" * 5000, id="too-deep"),
        pytest.param(b" " * (LARGEST_PAYLOAD + 1), id="too-large"),
    ],
)
def test_a_payload_that_cannot_be_read_is_refused_whole(payload: bytes) -> None:
    with pytest.raises(PayloadError, match=r"^payload is "):
        PLAIN(payload)


def test_a_scalar_that_is_no_text_says_where() -> None:
    with pytest.raises(PayloadError, match=r"no UTF-8 text \(byte 2\)"):
        SCALAR(b"21\xff")


def test_a_conversion_that_overflows_is_no_reading() -> None:
    decode = decoder_for(Mapping("json", (Field("relative_humidity", "/h", "/"),)))
    assert "expected a finite number" in only_refusal(decode(b'{"h": 1.7e308}'))


@pytest.mark.parametrize(
    ("said", "at_ms"),
    [
        ('"2026-03-01T07:30:00Z"', 1_772_350_200_000),
        ('"2026-03-01T08:30:00.250+01:00"', 1_772_350_200_250),
        ("1772350200", 1_772_350_200_000),
        ("1772350200.5", 1_772_350_200_500),
        ("1772350200250", 1_772_350_200_250),
        ('"1772350200"', 1_772_350_200_000),
    ],
)
def test_a_device_time_is_told_by_its_form_and_size(said: str, at_ms: int) -> None:
    decoded = TIMED(f'{{"temperature": 24, "humidity": 60, "at": {said}}}'.encode())
    assert decoded.refusals == []
    assert {found.at_ms for found in decoded.measurements} == {at_ms}


@pytest.mark.parametrize(
    ("said", "reason"),
    [
        ('"2026-03-01T07:30:00"', "has no offset"),
        ('"2026-03-01"', "has no offset"),
        ('"noon"', "is not readable"),
        ("true", "expected ISO 8601"),
        ("null", "expected ISO 8601"),
        ("12", "set the device's clock"),
        ("-5", "set the device's clock"),
        ("1772350200250000", "beyond 2100"),
        ('"1e5000"', "beyond 2100"),
        ('"1.2.3"', "expected a number"),
        ('"0001-01-01T00:00:00+23:59"', "set the device's clock"),
    ],
)
def test_a_time_that_cannot_be_placed_costs_only_the_time(said: str, reason: str) -> None:
    decoded = TIMED(f'{{"temperature": 24, "humidity": 60, "at": {said}}}'.encode())
    assert [found.at_ms for found in decoded.measurements] == [None, None]
    assert reason in only_refusal(decoded)
    assert only_refusal(decoded).endswith("the arrival time is used")


def test_a_message_without_its_time_says_so() -> None:
    assert "'/at' leads nowhere" in only_refusal(TIMED(b'{"temperature": 24, "humidity": 60}'))


@pytest.mark.parametrize(
    ("mapping", "reason"),
    [
        (Mapping("jason", (AIR,)), "did you mean 'json'"),
        (Mapping("json", ()), "at least one channel"),
        (Mapping("json", (AIR, AIR)), "mapped twice"),
        (Mapping("json", (Field("air_temperature"),)), "has no pointer"),
        (Mapping("json", (Field("air_temperature", "temperature"),)), "write '/temperature'"),
        (Mapping("json", (AIR,), "at"), "write '/at'"),
        (Mapping("json", (Field("air_temprature", "/t"),)), "did you mean 'air_temperature'"),
        (Mapping("json", (Field("air_temperature", "/t", "cel"),)), "did you mean 'Cel'"),
        (Mapping("scalar", (Field("air_temperature"), Field("power"))), "one number"),
        (Mapping("scalar", (AIR,)), "no pointers"),
    ],
)
def test_a_mapping_that_could_never_work_is_refused_at_once(mapping: Mapping, reason: str) -> None:
    with pytest.raises(MappingError, match=reason):
        decoder_for(mapping)


def read_or_reason(decode: Decoder, payload: bytes) -> Decoded:
    """Decode; a payload refused whole becomes its one sentence."""
    try:
        return decode(payload)
    except PayloadError as refusal:
        return Decoded([], [str(refusal)])


def decoded_or_refused(payload: bytes) -> None:
    """Decode by every decoder; whatever comes out is finite and explained, or a PayloadError with a sentence."""
    for decode in (PLAIN, TIMED, SCALAR, SWITCH):
        decoded = read_or_reason(decode, payload)
        assert decoded.measurements or decoded.refusals
        assert all(math.isfinite(found.value) and found.quantity in QUANTITIES for found in decoded.measurements)
        assert all(10 < len(sentence) < 400 for sentence in decoded.refusals)


@given(st.binary(max_size=200))
def test_any_bytes_are_decoded_or_refused(payload: bytes) -> None:
    decoded_or_refused(payload)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.sampled_from(["temperature", "humidity", "at", "x"]) | st.text(max_size=5), inner)
    ),
    max_leaves=12,
)


@given(JSON)
def test_any_json_is_decoded_or_refused(document: object) -> None:
    decoded_or_refused(json.dumps(document).encode())


NUMBER = st.floats(allow_nan=False, allow_infinity=False)


@given(NUMBER, NUMBER)
def test_what_a_probe_says_is_what_is_measured(temperature: float, humidity: float) -> None:
    decoded = PLAIN(json.dumps({"temperature": temperature, "humidity": humidity}).encode())
    assert [found.value for found in decoded.measurements] == [temperature, humidity]
    assert SCALAR(repr(temperature).encode()).measurements[0].value == temperature


def test_the_formats_of_the_room_file_are_all_there() -> None:
    assert {"json", "scalar"} <= set(FORMATS)

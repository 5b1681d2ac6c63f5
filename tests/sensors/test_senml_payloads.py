"""Readings from SenML packs."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensors.payloads import Decoded, Field, Mapping, MappingError, Measurement, PayloadError, decoder_for

MAPPING = Mapping("senml", (Field("air_temperature", "a3:temp"), Field("relative_humidity", "a3:rh")))
DECODE = decoder_for(MAPPING)
AT = 1_772_350_200


def pack(*records: dict[str, object]) -> bytes:
    return json.dumps([{"bn": "a3:", **records[0]}, *records[1:]]).encode()


def test_records_are_found_by_their_full_name_and_others_left_alone() -> None:
    decoded = DECODE(
        pack({"bt": AT, "n": "temp", "u": "Cel", "v": 24.5}, {"n": "rh", "u": "%RH", "v": 61}, {"n": "x", "v": 1})
    )
    expected = [Measurement("air_temperature", 24.5, AT * 1000), Measurement("relative_humidity", 61.0, AT * 1000)]
    assert decoded == Decoded(expected, [])


def test_a_pack_may_hold_many_times_of_one_quantity() -> None:
    decoded = DECODE(pack({"bt": AT, "n": "temp", "v": 24}, {"n": "temp", "t": -60, "v": 23}, {"n": "rh", "v": 60}))
    times = [found.at_ms for found in decoded.measurements if found.quantity == "air_temperature"]
    assert times == [(AT - 60) * 1000, AT * 1000]


def test_a_record_s_unit_is_converted() -> None:
    decoded = DECODE(pack({"n": "temp", "u": "K", "v": 308.15}, {"n": "rh", "u": "/", "v": 0.5}))
    assert [found.value for found in decoded.measurements] == pytest.approx([35.0, 50.0])


def test_a_record_without_time_is_of_now() -> None:
    decoded = DECODE(pack({"n": "temp", "v": 24}, {"n": "rh", "v": 60}))
    assert [found.at_ms for found in decoded.measurements] == [None, None]


def test_a_relative_time_counts_from_the_arrival() -> None:
    payload = pack({"n": "temp", "t": -5, "v": 24}, {"n": "rh", "v": 60})
    assert DECODE(payload, AT * 1000).measurements[0] == Measurement("air_temperature", 24.0, AT * 1000 - 5000)
    decoded = DECODE(payload)
    assert [found.quantity for found in decoded.measurements] == ["relative_humidity"]
    assert "send absolute times" in decoded.refusals[0]


@pytest.mark.parametrize(
    ("record", "reason"),
    [
        ({"n": "temp", "u": "lx", "v": 24}, "no unit of air_temperature"),
        ({"n": "temp", "vs": "warm"}, "expected a number"),
        ({"n": "temp", "vb": True}, "only a switch is yes or no"),
        ({"n": "temp", "s": 24}, "is null, expected a number"),
        ({"n": "temp", "t": 1e12, "v": 24}, "beyond 2100"),
    ],
)
def test_a_record_that_is_no_reading_is_refused_alone(record: dict[str, object], reason: str) -> None:
    decoded = DECODE(pack(record, {"n": "rh", "v": 60}))
    assert [found.quantity for found in decoded.measurements] == ["relative_humidity"]
    assert reason in decoded.refusals[0]


def test_a_quantity_that_the_pack_leaves_out_is_named() -> None:
    assert DECODE(pack({"n": "temp", "v": 24})).refusals == ["relative_humidity: the pack has no record 'a3:rh'"]


@pytest.mark.parametrize(
    "payload",
    [
        b"{}",
        b"[1]",
        b'[{"n": "a b", "v": 1}]',
        b'[{"v": 1}]',
        b'[{"n": "a", "v": "1"}]',
        b'[{"n": 1, "v": 1}]',
        b"nope",
    ],
)
def test_what_is_no_pack_is_refused_whole(payload: bytes) -> None:
    with pytest.raises(PayloadError):
        DECODE(payload)


@pytest.mark.parametrize(
    ("mapping", "reason"),
    [
        (Mapping("senml", (Field("air_temperature"),)), "no record name"),
        (Mapping("senml", (Field("air_temperature", "a"),), "/t"), "its own times"),
        (Mapping("senml", (Field("air_temperature", "a", "lux"),)), "no unit"),
    ],
)
def test_a_mapping_that_could_never_work_is_refused_at_once(mapping: Mapping, reason: str) -> None:
    with pytest.raises(MappingError, match=reason):
        decoder_for(mapping)


ANY = st.none() | st.booleans() | st.floats(allow_nan=False, allow_infinity=False) | st.integers() | st.text(max_size=5)
LABELS = st.sampled_from(
    ["bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut", "x", "y_"]
)
GOOD = st.fixed_dictionaries(
    {"n": st.sampled_from(["a3:temp", "a3:rh"])},
    optional={"v": st.floats(), "t": st.floats(), "bt": st.floats(), "u": st.sampled_from(["Cel", "K", "%RH", "m"])},
)


@given(st.lists(GOOD | st.dictionaries(LABELS, ANY, max_size=6), max_size=5), st.none() | st.integers(0, 2**62))
def test_any_pack_is_decoded_or_refused(records: list[dict[str, object]], now_ms: int | None) -> None:
    try:
        decoded = DECODE(json.dumps(records).encode(), now_ms)
    except PayloadError as refusal:
        decoded = Decoded([], [str(refusal)])
    assert decoded.measurements or decoded.refusals
    assert all(abs(found.value) < float("inf") for found in decoded.measurements)

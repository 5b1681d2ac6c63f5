"""What messages probably say: proposed to a keeper, never stored unseen."""

import json

import cbor2
import pytest

from sensors.payloads.guessing import guess_quantity, guess_unit, is_plausible
from sensors.payloads.proposing import propose


@pytest.mark.parametrize(
    ("place", "values", "quantity", "unit"),
    [
        ("temperature", [24.5], "air_temperature", None),
        ("temperature", [78.0, 81.0], "air_temperature", "degF"),
        ("tempF", [24.5], "air_temperature", "degF"),
        ("temp_k", [300.1], "air_temperature", "K"),
        ("t", [298.0], "air_temperature", "K"),
        ("soil_temp", [22.0], "substrate_temperature", None),
        ("objectTemperature", [35.0], "surface_temperature", None),
        ("hum", [0.61, 1.0], "relative_humidity", "/"),
        ("RH", [61.0], "relative_humidity", None),
        ("soilMoisture", [40.0], "soil_moisture", None),
        ("battery", [0.93], "battery", "/"),
        ("rssi", [-70.0], "signal", None),
        ("lux", [5400.0], "illuminance", None),
        ("uvi", [2.1], "uv_index", None),
        ("uptime", [99.0], None, None),
    ],
)
def test_a_quantity_is_known_by_its_name_and_its_unit_by_name_or_size(
    place: str, values: list[float], quantity: str | None, unit: str | None
) -> None:
    assert guess_quantity([place], values) == quantity
    if quantity is not None:
        assert guess_unit(quantity, [place], values)[0] == unit


def test_a_unit_that_stands_beside_is_believed() -> None:
    (proposal,) = propose([b'{"temperature": 31.0, "unit": "F"}'], "t")
    assert [(place.quantity, place.unit) for place in proposal.places] == [("air_temperature", "degF")]


def test_a_batterys_volts_are_no_charge_and_a_count_is_no_signal() -> None:
    assert not is_plausible("battery", [2.9, 3.0])
    assert is_plausible("battery", [88.0])
    assert not is_plausible("signal", [4.0])


@pytest.mark.parametrize(
    ("message", "each", "called_at"),
    [
        ({"all": [{"id": "a", "t": 20}, {"id": "b", "t": 21}]}, "/all", "/id"),
        ([{"mac": "a", "t": 20}, {"mac": "b", "t": 21}], "", "/mac"),
        ({"sensors": {"a": {"t": 20}, "b": {"t": 21}}}, "/sensors", "member"),
    ],
)
def test_a_gateways_probes_are_found_with_their_names(message: object, each: str, called_at: str) -> None:
    found = propose([json.dumps(message).encode()], "gw")
    assert [(p.each, p.called, p.called_at, p.places[0].pointer) for p in found] == [
        (each, "a", called_at, "/t"),
        (each, "b", called_at, "/t"),
    ]


def test_probes_that_take_turns_on_one_topic_are_told_apart() -> None:
    found = propose([b'{"id": "a", "t": 22, "at": 1772350200}', b'{"id": "b", "t": 23, "at": 1772350200}'], "gw")
    assert [(p.each, p.called, p.called_at, p.time_pointer) for p in found] == [
        (None, "a", "/id", "/at"),
        (None, "b", "/id", "/at"),
    ]


def test_a_pack_says_its_units_itself_in_json_and_in_cbor() -> None:
    pack = [{"bn": "urn:dev:a:", "n": "x", "u": "Cel", "v": 24}, {"n": "rh", "u": "/", "v": 0.5}]
    labels = {"bn": -2, "n": 0, "u": 1, "v": 2}
    packed = cbor2.dumps([{labels[label]: value for label, value in record.items()} for record in pack])
    for payload in (json.dumps(pack).encode(), packed):
        (proposal,) = propose([payload], "t")
        assert [(p.pointer, p.quantity, p.unit) for p in proposal.places] == [
            ("urn:dev:a:x", "air_temperature", None),
            ("urn:dev:a:rh", "relative_humidity", None),
        ]


@pytest.mark.parametrize("payload", [b"", b"\xff", b"{}", b"[]", b"null", b'"warm"', b"[[[]]]"])
def test_where_no_number_stands_nothing_is_taken(payload: bytes) -> None:
    assert [place for proposal in propose([payload], "t") for place in proposal.places] == []

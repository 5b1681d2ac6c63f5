"""Gateways and own figures in a room file: what is refused, with its line, and what comes back."""

import pytest
from roomfile_builders import ROOM, apply

from sensors.catalogue import Figures, expanded_uncertainty
from service.errors import RoomFileInvalid
from service.roomfile.reading import parse_room_file
from service.store.engine import Store
from service.store.facts import load_facts
from service.store.traceability import element_of

TWO = """
[[probe]]
id = "gw-1"
model = "other"
topic = "gateway/+/readings"
format = "json"
each = "/all"
called = "aa:01"
called_at = "/id"
[[probe.channel]]
quantity = "air_temperature"
pointer = "/t"
accuracy = 0.6

[[probe]]
id = "gw-2"
model = "sht31"
topic = "gateway/+/readings"
format = "json"
each = "/all"
called = "aa:02"
called_at = "/id"
[[probe.channel]]
quantity = "air_temperature"
pointer = "/t"
"""


def test_two_probes_of_a_gateway_are_known_by_their_names(store: Store) -> None:
    apply(store, ROOM + TWO)
    with store.read() as session:
        facts = load_facts(session)
    probes = {probe.key: (probe.each_pointer, probe.called, probe.called_at) for probe in facts.probes.values()}
    assert probes["gw-2"] == ("/all", "aa:02", "/id")
    channel = facts.channel_by_key["gw-1/air_temperature"]
    assert channel.figures == Figures(0.6)
    element = element_of(channel.model, channel.quantity, channel.figures)
    assert expanded_uncertainty(element) == pytest.approx(0.6 * 1.1547, abs=1e-4)
    assert element.source == "the keeper's own figures"


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ('called_at = "/id"', "", "go together"),
        ('called_at = "/id"', 'called_at = "id"', "write '/id'"),
        ('called_at = "/id"', "called_at = 4", "is level 4, but the topic 'gateway/+/readings' has 3"),
        ('called_at = "/id"', "called_at = 1", "level 1 of 'gateway/+/readings' is always 'gateway'"),
        ('called_at = "/id"', "called_at = 0", "the first is 1"),
        ('called_at = "/id"', 'called_at = "bn"', "for format 'senml' only"),
        ('each = "/all"', 'each = "all"', "write '/all'"),
        ('called = "aa:02"', 'called = "aa:01"', "its gateway calls it as the probe in line"),
        ("accuracy = 0.6", "", 'key "accuracy" is missing'),
        ("accuracy = 0.6", "accuracy = 0.6\nrange = [9, 2]", '"range" is no range'),
        ('model = "sht31"\ntopic = "gateway', 'model = "sht30"\ntopic = "gateway', None),
        ('pointer = "/t"\n', 'pointer = "/t"\nresolution = 1\n', '"resolution" is a figure of model "other"'),
    ],
)  # fmt: skip
def test_a_mapping_that_could_never_work_is_refused_with_its_line(before: str, after: str, said: str | None) -> None:
    head, tail = TWO.rsplit(before, 1)
    text = ROOM + head + after + tail
    if said is None:
        parse_room_file(text)
        return
    with pytest.raises(RoomFileInvalid) as refused:
        parse_room_file(text)
    assert said in str(refused.value)
    assert "room.toml:" in str(refused.value)

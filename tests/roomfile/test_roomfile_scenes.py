from datetime import timedelta

from roomfile_builders import NOW, apply

from sensors.simulator.glasshouse import glasshouse
from sensors.simulator.roomfile import room_toml
from service.model import to_ms
from service.store.engine import Store
from service.store.facts import load_facts


def test_the_room_of_the_demonstration_is_a_sound_room_file(store: Store) -> None:
    scene = glasshouse(to_ms(NOW))
    text = room_toml(scene)
    apply(store, text)
    with store.read() as session:
        facts = load_facts(session)
    assert set(facts.by_key) == {enclosure.id for enclosure in scene.enclosures}
    assert {probe.key for probe in facts.probes.values()} == {probe.id for probe in scene.probes}
    assert not apply(store, text, NOW + timedelta(days=1))
    starts = [place.start_ms for channel in facts.channels.values() for place in channel.placements]
    assert max(starts) < to_ms(NOW - timedelta(days=60))

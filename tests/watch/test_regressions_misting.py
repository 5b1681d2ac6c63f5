"""A cycle soon after another one is judged live as the assessment of its day judges it."""

import numpy as np

from service.model import Enclosure, Flag, MistingSchedule
from service.store.alarms import list_alarms
from service.store.engine import Store
from service.store.readings import add_readings
from service.watch.history import record_history
from tests.builders import LONG_AGO, MINUTE, NOON_MS, a_probe, a_site, an_enclosure


def furnish(store: Store) -> Enclosure:
    with store.write() as session:
        a_site(session)
        enclosure = an_enclosure(session)
        cycles = [("12:00", 45), ("12:25", 45)]
        entered = {"from_at": LONG_AGO, "entered_by": "t", "entered_at": LONG_AGO}
        session.add(MistingSchedule(enclosure_id=enclosure.id, cycles=cycles, **entered))
        a_probe(session, "air", ("air_temperature", "relative_humidity"), enclosure, "ambient")
    return enclosure


def missed(store: Store, water: float) -> list[int]:
    """Return the minutes after noon at which cycles are called missed; the first one adds water, the second none."""
    minutes = np.arange(-60, 90)
    humidity = 60 + np.where(minutes > 0, water * np.exp(-np.maximum(minutes, 0) / 90), 0.3 * np.sin(minutes))
    with store.write() as session:
        for channel, values in ((1, 25 + 0.02 * np.sin(minutes)), (2, humidity)):
            pairs = zip(minutes.tolist(), values.round(2).tolist(), strict=True)
            add_readings(session, [(channel, NOON_MS + m * MINUTE, v, int(Flag.DEVICE_CLOCK)) for m, v in pairs])
    record_history(store, NOON_MS - 60 * MINUTE, NOON_MS + 90 * MINUTE)
    with store.read() as session:
        return sorted(int(a.raised_at.timestamp() * 1000 - NOON_MS) // MINUTE for a in list_alarms(session, limit=100))


def test_a_cycle_into_air_that_is_wet_from_the_one_before_is_not_called_missed(store: Store) -> None:
    furnish(store)
    assert missed(store, 25.0) == []


def test_a_cycle_after_one_that_added_nothing_is_called_missed_with_it(store: Store) -> None:
    furnish(store)
    assert missed(store, 0.0) == [25]

"""A cycle soon after another one is judged live as the assessment of its day judges it."""

import numpy as np
import pytest

from service.model import Enclosure, Flag, MistingSchedule, to_ms
from service.store.alarms import list_alarms
from service.store.engine import Store
from service.store.readings import add_readings
from service.watch.history import record_history
from tests.builders import LONG_AGO, MINUTE, NOON_MS, a_probe, a_site, an_enclosure


def furnish(store: Store, second: str = "12:25") -> Enclosure:
    with store.write() as session:
        a_site(session)
        enclosure = an_enclosure(session)
        cycles = [("12:00", 45), (second, 45)]
        entered = {"from_at": LONG_AGO, "entered_by": "t", "entered_at": LONG_AGO}
        session.add(MistingSchedule(enclosure_id=enclosure.id, cycles=cycles, **entered))
        a_probe(session, "air", ("air_temperature", "relative_humidity"), enclosure, "ambient")
    return enclosure


def watered(minutes: np.ndarray, at: int, points: float, lasts: float) -> np.ndarray:
    return np.where(minutes > at, points * np.exp(-np.maximum(minutes - at, 0) / lasts), 0.0)


def missed(store: Store, humidity: np.ndarray, minutes: np.ndarray) -> list[int]:
    """Return the minutes after noon at which cycles are called missed."""
    with store.write() as session:
        for channel, values in ((1, 25 + 0.02 * np.sin(minutes)), (2, humidity + 0.3 * np.sin(minutes))):
            pairs = zip(minutes.tolist(), values.round(2).tolist(), strict=True)
            add_readings(session, [(channel, NOON_MS + m * MINUTE, v, int(Flag.DEVICE_CLOCK)) for m, v in pairs])
    record_history(store, NOON_MS - 60 * MINUTE, NOON_MS + 90 * MINUTE)
    with store.read() as session:
        found = [a for a in list_alarms(session, limit=100) if a.condition == "misting-missed"]
    return sorted((to_ms(a.raised_at) - NOON_MS) // MINUTE for a in found)


SPAN = np.arange(-60, 90)


def test_a_cycle_into_air_that_is_wet_from_the_one_before_is_not_called_missed(store: Store) -> None:
    furnish(store)
    assert missed(store, 60 + watered(SPAN, 0, 25, 90), SPAN) == []


def test_a_cycle_after_one_that_added_nothing_is_called_missed_with_it(store: Store) -> None:
    furnish(store)
    assert missed(store, np.full(SPAN.shape, 60.0), SPAN) == [25]


@pytest.mark.parametrize("every", [1, 5])
def test_a_cycle_into_air_that_still_dries_down_from_an_earlier_one_is_seen(store: Store, every: int) -> None:
    furnish(store, "12:40")
    minutes = np.arange(-60, 90, every)
    both = 60 + watered(minutes, 0, 25, 40) + watered(minutes, 40, 14, 40)
    assert missed(store, both, minutes) == []


@pytest.mark.parametrize("every", [1, 5])
def test_a_dead_pump_while_the_air_dries_down_is_called_missed(store: Store, every: int) -> None:
    furnish(store, "12:40")
    minutes = np.arange(-60, 90, every)
    assert missed(store, 60 + watered(minutes, 0, 25, 40), minutes) == [65]

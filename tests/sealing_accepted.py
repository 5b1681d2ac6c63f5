"""What is stored, held against what the workers that were killed had been told was stored."""

from service.store.block_checks import check_blocks
from service.store.engine import open_store
from service.store.readings import StoredReadings
from tests.builders import stored
from tests.sealing_workers import CHANNELS, batches, value_at

ORDER = 7


def require_accepted(url: str, accepted: int) -> int:
    """Hold what is stored against what was accepted, and return how many readings there are."""
    rounds = list(batches(ORDER))
    sure = {row[:2] for batch in rounds[:accepted] for row in batch}
    # The batch that was being committed may be there or not: nobody was told that it was.
    maybe = sure | {row[:2] for batch in rounds[accepted : accepted + 1] for row in batch}
    store = open_store(url)
    found = [(channel, at, value) for channel in CHANNELS for at, value in pairs(stored(store, channel))]
    with store.read() as session:
        assert check_blocks(session) == []
    store.close()
    keys = [row[:2] for row in found]
    assert len(set(keys)) == len(keys), "doubled"
    assert sure <= set(keys) <= maybe
    assert all(value == value_at(channel, at) for channel, at, value in found)
    return len(found)


def pairs(readings: StoredReadings) -> list[tuple[int, float]]:
    return list(zip(readings.at.tolist(), readings.value.tolist(), strict=True))

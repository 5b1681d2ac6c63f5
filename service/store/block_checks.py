"""Whether sealed days are as they were written: each that is not is named, with what of it is still good."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import sqlalchemy as sa
from sqlmodel import Session

from service.model import Channel, ReadingBlock, from_ms, table_of
from service.store.block_rows import (
    DayArrays,
    checksum_of,
    read_rows,
    sealed_until,
    summary_checksum_of,
    summary_of,
)
from service.store.blocks import DAY_MS, BytesDamagedError, decode_day

_BLOCK, _CHANNEL = table_of(ReadingBlock), table_of(Channel)
_AT_ONCE: Final = 100


@dataclass(frozen=True, slots=True)
class BlockDamage:
    """A sealed day that is not as it was written.

    Attributes
    ----------
    channel : str
        Its key; its number where there is no such channel.
    day : str
        UTC, as 2026-03-01; empty where it concerns all days.
    said : str
        What is wrong, what is still good, and what to do: one sentence.
    """

    channel: str
    day: str
    said: str


def check_blocks(session: Session) -> list[BlockDamage]:
    """Look at every sealed day: its checksums, whether it unpacks, its counts, and rows that say something else.

    Parameters
    ----------
    session : Session
        Of `Store.read`; nothing is changed.

    Returns
    -------
    list of BlockDamage
        In order of channel and day; empty when all are sound.
    """
    names = {row[0]: row[1] for row in session.execute(sa.select(_CHANNEL.c.id, _CHANNEL.c.key))}
    found: list[BlockDamage] = []
    latest = -1
    for row in _blocks(session):
        said = _wrong_with(session, row)
        if said is None:
            latest = max(latest, row["day"])
        else:
            channel = names.get(row["channel_id"], str(row["channel_id"]))
            day = f"{from_ms(row['day'] * DAY_MS):%Y-%m-%d}"
            found.append(BlockDamage(channel, day, f"{channel} on {day} (UTC): {said}"))
    if latest > sealed_until(session):
        said = "counter: sealed stands before the last sealed day, so a late reading could be doubled; restore a backup"
        found.append(BlockDamage("", "", said))
    return found


def _blocks(session: Session) -> Iterator[dict[str, Any]]:
    """Yield the blocks in order of channel and day, a bounded number in memory."""
    last = (-(2**31), 0)
    while True:
        after = sa.tuple_(_BLOCK.c.channel_id, _BLOCK.c.day) > sa.tuple_(*map(sa.literal, last))
        query = sa.select(_BLOCK).where(after).order_by(_BLOCK.c.channel_id, _BLOCK.c.day).limit(_AT_ONCE)
        rows = session.execute(query).mappings().all()
        yield from (dict(row) for row in rows)
        if len(rows) < _AT_ONCE:
            return
        last = (rows[-1]["channel_id"], rows[-1]["day"])


def _wrong_with(session: Session, row: dict[str, Any]) -> str | None:
    """Return what is wrong with a block, or None."""
    channel_id, day, count, body = row["channel_id"], row["day"], row["readings"], row["body"]
    summary_is_good = summary_checksum_of(row) == row["summary_checksum"]
    if body is None:
        return None if summary_is_good else "its summary is damaged, and retention has kept nothing else of it"
    arrays = None
    if checksum_of(channel_id, day, count, body) == row["checksum"]:
        try:
            arrays = DayArrays(*decode_day(body, day, count))
        except BytesDamagedError as exc:
            return f"its bytes are as they were written, but cannot be unpacked ({exc}); report this"
    if arrays is None:
        return (
            f"its readings are damaged and shown as a gap; {_still_good(row, good=summary_is_good)}; restore a backup"
        )
    summary = summary_of(channel_id, day, arrays)
    if not summary_is_good or any(row[name] != value for name, value in summary.items()):
        return f"its summary is damaged; its {count} readings are all good"
    rows = read_rows(session, channel_id, day * DAY_MS, (day + 1) * DAY_MS)
    if len(twice := np.intersect1d(rows.at, arrays.at)):
        return f"{len(twice)} readings are stored twice; the sealed ones count, and all {count} of them are good"
    return None


def _still_good(row: dict[str, Any], *, good: bool) -> str:
    if not good:
        return "its summary is damaged too"
    if not row["fit"]:
        return f"its summary is good: {row['readings']} readings, none of them fit to be judged"
    return f"its summary is good: {row['readings']} readings, {row['low']:g} to {row['high']:g}, mean {row['mean']:g}"

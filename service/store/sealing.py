"""Past days that have gone quiet are sealed: their rows become one block each, a few at a time.

Each transaction moves a bounded number of rows and is whole: a reading is always in a row or in a block, whenever the
process ends. Reading puts both together, and a late reading of a sealed day seals it again (`add_to_blocks`).
"""

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

import sqlalchemy as sa
from sqlmodel import Session

from service.model import ChannelDay, ChannelState, Reading, ReadingBlock, table_of
from service.store.block_rows import load_day, merged_arrays, note_sealed, take_rows, write_block
from service.store.blocks import DAY_MS
from service.store.engine import Store
from service.store.readings import lock_writes, number

QUIET_MS: Final = 6 * 3_600_000
"""How long after its end a day is sealed at the earliest. [ms]"""
ROWS_AT_ONCE: Final = 6_000
"""Most rows of one transaction: ingest waits while it lasts."""
_REST: Final = 1.0
"""Between transactions, so many times as long as the last took, the database is left to others."""
_READING, _BLOCK, _STATE = table_of(Reading), table_of(ReadingBlock), table_of(ChannelState)
_DAY = table_of(ChannelDay)


@dataclass(frozen=True, slots=True)
class Piece:
    """Rows of one channel and UTC day that are sealed together: start_ms <= at < end_ms."""

    channel_id: int
    day: int
    start_ms: int
    end_ms: int
    rows: int


@dataclass(slots=True)
class Sealed:
    """What has been sealed: parts of days, readings, and how long the longest transaction took. [s]."""

    pieces: int = 0
    readings: int = 0
    longest_s: float = 0.0


class Sealer:
    """Seals quiet days of a store; one object remembers from one run to the next what was being written to.

    Parameters
    ----------
    store : Store
    quiet_ms : int
        How long a day must be over. [ms]
    rows_at_once : int
        Most rows of one transaction.
    """

    def __init__(self, store: Store, quiet_ms: int = QUIET_MS, rows_at_once: int = ROWS_AT_ONCE) -> None:
        self._store, self._quiet_ms, self._rows_at_once = store, quiet_ms, rows_at_once
        self._seen_write: int | None = None

    def run(self, now_ms: int, rest: Callable[[float], object] = time.sleep) -> Iterator[Sealed]:
        """Seal what is quiet, and yield what this run has sealed after each transaction.

        A day that was written to late since the run before waits for the next run: more may be coming. The first run
        knows of no run before and seals whatever is over.

        Parameters
        ----------
        now_ms : int
            The time. [ms since 1970, UTC]
        rest : callable
            Waits for some seconds: the database is left to others between two transactions.
        """
        with self._store.read() as session:
            write = number(session, "write")
            channels = list(session.execute(sa.select(_STATE.c.channel_id).order_by(_STATE.c.channel_id)).scalars())
        settled = write if self._seen_write is None else self._seen_write
        sealed, batch = Sealed(), []
        for piece in self._pieces(channels, now_ms, settled):
            if batch and sum(p.rows for p in batch) + piece.rows > self._rows_at_once:
                yield self._seal(batch, sealed, rest)
                batch = []
            batch.append(piece)
        if batch:
            yield self._seal(batch, sealed, rest)
        self._seen_write = write

    def _pieces(self, channels: list[int], now_ms: int, settled: int) -> Iterator[Piece]:
        for channel_id in channels:
            start_ms = 0
            while True:
                # A transaction of its own for each: what is yielded in between changes what is there.
                with self._store.read() as session:
                    piece = next_piece(session, channel_id, start_ms, now_ms - self._quiet_ms, self._rows_at_once)
                    held = piece is not None and not is_settled(session, piece, settled)
                if piece is None:
                    break
                start_ms = piece.end_ms if not held else (piece.day + 1) * DAY_MS
                if not held:
                    yield piece

    def _seal(self, batch: list[Piece], sealed: Sealed, rest: Callable[[float], object]) -> Sealed:
        began = time.perf_counter()
        moved = seal_pieces(self._store, batch)
        took = time.perf_counter() - began
        sealed.pieces += len(batch)
        sealed.readings += moved
        sealed.longest_s = max(sealed.longest_s, took)
        rest(_REST * took)
        return sealed


def next_piece(session: Session, channel_id: int, start_ms: int, over_ms: int, most: int) -> Piece | None:
    """Return the first rows of a channel from an instant on, of a day that was over before another instant.

    Days whose block is damaged, or of which only the summary is kept, are passed over: their rows stay rows.
    """
    first = sa.select(sa.func.min(_READING.c.at_ms)).where(_READING.c.channel_id == channel_id)
    while True:
        found = session.execute(first.where(_READING.c.at_ms >= start_ms)).scalar_one()
        if found is None or (found // DAY_MS + 1) * DAY_MS > over_ms:
            return None
        day = found // DAY_MS
        if can_be_sealed(session, channel_id, day):
            break
        start_ms = (day + 1) * DAY_MS
    of_day = (_READING.c.channel_id == channel_id, _READING.c.at_ms >= found, _READING.c.at_ms < (day + 1) * DAY_MS)
    times = sa.select(_READING.c.at_ms).where(*of_day).order_by(_READING.c.at_ms).limit(most).subquery()
    count, last = session.execute(sa.select(sa.func.count(), sa.func.max(times.c.at_ms))).one()
    return Piece(channel_id, day, found, last + 1, count)


def can_be_sealed(session: Session, channel_id: int, day: int) -> bool:
    """Whether a day has no block yet, or one that readings can be added to."""
    held = sa.select(_BLOCK.c.day).where(_BLOCK.c.channel_id == channel_id, _BLOCK.c.day == day)
    return session.execute(held).first() is None or load_day(session, channel_id, day) is not None


def is_settled(session: Session, piece: Piece, write: int) -> bool:
    """Whether nothing was written to a day after that write."""
    late = sa.select(_DAY.c.write).where(_DAY.c.channel_id == piece.channel_id, _DAY.c.day == piece.day)
    newest = sa.select(_STATE.c.write).where(
        _STATE.c.channel_id == piece.channel_id, _STATE.c.at_ms < (piece.day + 1) * DAY_MS
    )
    return all((session.execute(query).scalar() or 0) <= write for query in (late, newest))


def seal_pieces(store: Store, pieces: list[Piece]) -> int:
    """Seal pieces in one transaction, and return how many readings were moved from rows into blocks.

    Raises
    ------
    StoreUnusable
        When the database cannot be written: everything is as it was.
    """
    with store.write() as session:
        lock_writes(session)
        return sum(_seal_piece(session, piece) for piece in pieces)


def _seal_piece(session: Session, piece: Piece) -> int:
    if not can_be_sealed(session, piece.channel_id, piece.day):
        return 0
    rows = take_rows(session, piece.channel_id, piece.start_ms, piece.end_ms)
    if not len(rows.at):
        return 0  # another process was faster
    before = load_day(session, piece.channel_id, piece.day)
    write_block(session, piece.channel_id, piece.day, rows if before is None else merged_arrays([before, rows])[0])
    note_sealed(session, piece.day)
    return len(rows.at)

"""Readings into PostgreSQL by the thousand: COPY into a temporary staging table, then one insert from there."""

from collections.abc import Sequence
from typing import Any, Final, TypeAlias

import numpy as np
from sqlalchemy.engine import Connection

from service.store.partitions import make_for

Row: TypeAlias = tuple[int, int, float, int]
StateRow: TypeAlias = tuple[int, int, float, int, int, int]
STAGING: Final = """
CREATE TEMPORARY TABLE incoming
  (channel_id integer, at_ms bigint, value double precision, flags smallint) ON COMMIT DELETE ROWS
"""
"""Of each connection that stores readings, made when it is opened."""
_COPY: Final = "COPY incoming FROM STDIN (FORMAT BINARY)"
_EMPTY: Final = "DELETE FROM incoming"
_USED: Final = "staged"
_INSERT: Final = """
INSERT INTO reading SELECT channel_id, at_ms, value, flags FROM incoming ON CONFLICT DO NOTHING
"""
_STATES: Final = """
unnest(%s::integer[], %s::bigint[], %s::double precision[], %s::smallint[], %s::bigint[], %s::bigint[])
  AS n (channel_id, at_ms, value, flags, write, oldest)
"""
_ADVANCE: Final = f"""
UPDATE channel_state s SET at_ms = n.at_ms, value = n.value, flags = n.flags, write = n.write
FROM {_STATES} WHERE s.channel_id = n.channel_id AND n.oldest > s.at_ms
"""  # noqa: S608 - a part of our own
_BEGIN: Final = f"""
INSERT INTO channel_state (channel_id, at_ms, value, flags, write)
SELECT n.channel_id, n.at_ms, n.value, n.flags, n.write FROM {_STATES}
ON CONFLICT DO NOTHING
"""  # noqa: S608 - a part of our own
_TUPLE: Final = np.dtype([("channel_id", ">i4"), ("at_ms", ">i8"), ("value", ">f8"), ("flags", ">i2")])
_FIELDS: Final = tuple((name, _TUPLE[name]) for name in ("channel_id", "at_ms", "value", "flags"))
_WIRE: Final = np.dtype(
    [("fields", ">i2")] + [part for name, kind in _FIELDS for part in ((f"{name}_bytes", ">i4"), (name, kind))]
)
"""A row as COPY takes it in binary: the number of fields, then each with its length before it."""
_HEADER: Final = b"PGCOPY\n\xff\r\n\x00" + bytes(8)
_TRAILER: Final = b"\xff\xff"


def copy_readings(connection: Connection, rows: Sequence[Row]) -> int:
    """Store readings, in the caller's transaction, and return how many were new.

    Parameters
    ----------
    connection : Connection
        To PostgreSQL, of `Store.write`.
    rows : sequence of (channel_id, at_ms, value, flags)
        In any order; one that is stored already is left as it was.
    """
    make_for(connection, [row[1] for row in rows])
    return _copy(connection, np.fromiter(rows, dtype=_TUPLE, count=len(rows)))


def copy_arrays(connection: Connection, channel_id: int, at: Any, value: Any, flags: Any) -> int:  # noqa: ANN401 - array-likes
    """Store readings of one channel that are arrays already; otherwise as `copy_readings`."""
    table = np.empty(len(at), dtype=_TUPLE)
    table["channel_id"], table["at_ms"], table["value"], table["flags"] = channel_id, at, value, flags
    make_for(connection, np.asarray(at).tolist())
    return _copy(connection, table)


def _copy(connection: Connection, table: np.ndarray) -> int:
    driver: Any = connection.connection.driver_connection
    transaction = id(connection.get_transaction())
    with driver.cursor() as cursor:
        # It is empty already, unless the same transaction has stored another batch.
        if connection.info.get(_USED) == transaction:
            cursor.execute(_EMPTY)
        connection.info[_USED] = transaction
        with cursor.copy(_COPY) as copy:
            copy.write(_wire(table))
        cursor.execute(_INSERT)
        return cursor.rowcount


def _wire(table: np.ndarray) -> bytes:
    """Return the rows as COPY takes them in binary."""
    wire = np.empty(len(table), dtype=_WIRE)
    wire["fields"] = len(_FIELDS)
    for name, kind in _FIELDS:
        wire[f"{name}_bytes"] = kind.itemsize
        wire[name] = table[name]
    return _HEADER + wire.tobytes() + _TRAILER


def advance_states(connection: Connection, states: Sequence[StateRow]) -> int:
    """Note the newest reading of each channel whose oldest of this batch is newer than all before; return how many.

    Parameters
    ----------
    connection : Connection
        To PostgreSQL, in a transaction that holds the counter of writes: no other changes the states meanwhile.
    states : sequence of (channel_id, at_ms, value, flags, write, oldest)
        One of each channel.
    """
    # Written out here: the driver looks at each number by itself, which takes longer than all the rest.
    columns = [f"{{{','.join(map(format, column))}}}" for column in zip(*states, strict=True)]
    driver: Any = connection.connection.driver_connection
    with driver.cursor() as cursor:
        # Nearly always all of them are there, and an update costs less than an insert that meets a row.
        cursor.execute(_ADVANCE, columns)
        advanced = cursor.rowcount
        if advanced < len(states):
            cursor.execute(_BEGIN, columns)
            advanced += cursor.rowcount
        return advanced

"""On PostgreSQL, readings lie in monthly partitions, made ahead, and on demand for imports of old ones."""

from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Final, TypeAlias
from weakref import WeakKeyDictionary

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Engine

from service.model import from_ms, to_ms

Month: TypeAlias = tuple[int, int]
"""Year and month."""
FIRST: Final[Month] = (2000, 1)
"""Earlier readings share one partition, and so do those from `END` on: the migration made both."""
END: Final[Month] = (2100, 1)
AHEAD: Final = 3
"""How many months are made ready, the present one included."""
_DAY_MS: Final = 86_400_000
_MONTHS: Final = 12
_LOCK: Final = 7_402_511_906
"""Number of the advisory lock under which partitions are made: it is ours alone within this database."""
_made: WeakKeyDictionary[Engine, set[int]] = WeakKeyDictionary()
"""UTC days, counted since 1970, whose partition an engine has seen to be there."""


def month_of(at_ms: int) -> Month:
    """Return the month that a time lies in, by UTC."""
    at = from_ms(at_ms)
    return at.year, at.month


def following(month: Month, count: int = 1) -> Month:
    """Return the month that comes `count` months later."""
    years, months = divmod(month[1] - 1 + count, _MONTHS)
    return month[0] + years, months + 1


def start_of(month: Month) -> int:
    """Return when a month begins. [ms since 1970, UTC]."""
    return to_ms(datetime(*month, 1, tzinfo=UTC))


def make_ahead(engine: Engine, now_ms: int) -> list[str]:
    """Make the partitions of this month and the next ones, and return the names of those that were missing."""
    present = month_of(now_ms)
    return _make(engine, [following(present, count) for count in range(AHEAD)])


def make_for(connection: Connection, times: Iterable[int]) -> None:
    """See to it that the partitions of these readings are there before they are inserted.

    They are made in a transaction of their own, which needs no lock that an insert holds: others go on meanwhile.

    Parameters
    ----------
    connection : Connection
        In the transaction that will insert.
    times : iterable of int
        [ms since 1970, UTC]
    """
    known = _made.setdefault(connection.engine, set())
    days = {at // _DAY_MS for at in times} - known
    if not days:
        return
    first, end = start_of(FIRST) // _DAY_MS, start_of(END) // _DAY_MS
    # What lies outside the months needs no partition of its own.
    months = sorted({month_of(day * _DAY_MS) for day in days if first <= day < end})
    for name in _make(connection.engine, months) if months else ():
        # Taking a lock makes this transaction look again at which partitions there are.
        connection.exec_driver_sql(f"LOCK TABLE {name} IN ROW EXCLUSIVE MODE")
    known |= days


def _make(engine: Engine, months: Iterable[Month]) -> list[str]:
    """Make what is missing, and return its names."""
    wanted = {_name(month): month for month in months}
    with engine.begin() as connection:
        missing = _missing(connection, wanted)
        if missing:
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_LOCK})")
            missing = _missing(connection, wanted)
        for name in missing:
            start, end = start_of(wanted[name]), start_of(following(wanted[name]))
            # Made beside and then attached: to create it as a partition would lock out every reader and writer.
            connection.exec_driver_sql(f"CREATE TABLE {name} (LIKE reading INCLUDING ALL)")
            connection.exec_driver_sql(
                f"ALTER TABLE reading ATTACH PARTITION {name} FOR VALUES FROM ({start}) TO ({end})"
            )
    return missing


def _missing(connection: Connection, wanted: Iterable[str]) -> list[str]:
    there = set(sa.inspect(connection).get_table_names())
    return [name for name in wanted if name not in there]


def _name(month: Month) -> str:
    return f"reading_{month[0]:04d}_{month[1]:02d}"

"""What is kept beside each sealed day: years of a channel in a few thousand numbers."""

from collections.abc import Iterator
from typing import Any, Final, TypeAlias

import numpy as np
import numpy.typing as npt
from sqlmodel import Session

from service.store.block_rows import FRACTIONS, NUMBERS, checksum_of_columns, driver_cursor

SUMMARY: Final = np.dtype(
    [*((name, np.int64) for name in NUMBERS), *((name, np.float64) for name in FRACTIONS), ("whole", np.bool_)]
)
Summaries: TypeAlias = npt.NDArray[np.void]


def day_summaries(session: Session, channel_id: int, first_day: int, end_day: int) -> Summaries:
    """Return the summaries of a channel's sealed days with first_day <= day < end_day, in order.

    Parameters
    ----------
    session : Session
    channel_id : int
    first_day, end_day : int
        Days since 1970, UTC.

    Returns
    -------
    structured ndarray, shape (n,)
        Of the fields of `service.model.ReadingBlock`, by the same names; values are NaN and times 0 where no reading
        is fit to be judged. `whole` says whether the readings are there too: retention may have kept the summary
        alone. A summary that is damaged is left out, like a day that is not sealed.
    """
    with driver_cursor(session) as (cursor, mark):
        cursor.execute(
            f"SELECT {', '.join(NUMBERS + FRACTIONS)}, body IS NOT NULL, summary_checksum FROM reading_block "  # noqa: S608 - names and marks are ours
            f"WHERE channel_id = {mark} AND day >= {mark} AND day < {mark} ORDER BY day",
            (channel_id, first_day, end_day),
        )
        return np.fromiter(_sound(cursor), dtype=SUMMARY)


def _sound(rows: Any) -> Iterator[tuple[Any, ...]]:  # noqa: ANN401 - a driver's cursor
    """Yield the rows that are as they were written, without their checksum."""
    for *columns, whole, checksum in rows:
        if checksum_of_columns(tuple(columns)) == checksum:
            yield (*_filled(columns), whole)


def _filled(columns: list[Any]) -> list[Any]:
    if None not in columns:
        return columns
    numbers, fractions = columns[: len(NUMBERS)], columns[len(NUMBERS) :]
    return [0 if n is None else n for n in numbers] + [np.nan if f is None else f for f in fractions]

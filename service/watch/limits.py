"""Readings held against the limits that the enclosure's targets set, piece by piece of its programme (pure)."""

import numpy as np
import numpy.typing as npt

from service.alarms.delays import Judged
from service.climate.day_cycle import in_day_span, in_night_span
from service.store.programme import Programme
from service.watch.conditions import LimitCondition


def limit_of(condition: LimitCondition, programme: Programme, at_ms: int) -> float | None:
    """Return the limit at an instant, None where no target sets one. [the quantity's unit]."""
    target = programme.targets_at(at_ms).get(condition.check)
    if target is None:
        return None
    end = target.high if condition.upward else target.low
    return end + condition.offset if np.isfinite(end) else None


def judge(
    condition: LimitCondition, programme: Programme, at: npt.NDArray[np.int64], value: npt.NDArray[np.float64]
) -> Judged:
    """Hold readings against a condition's limit.

    Parameters
    ----------
    condition : LimitCondition
    programme : Programme
        Of the enclosure.
    at : ndarray of int64, shape (n,)
        Strictly increasing, n >= 1. [ms since 1970, UTC]
    value : ndarray of float64, shape (n,)
        Known values. [the quantity's unit]

    Returns
    -------
    Judged
        Where no limit is in force, nothing is exceeded and everything is clear.
    """
    exceeded, cleared = np.zeros(len(at), dtype=np.bool_), np.ones(len(at), dtype=np.bool_)
    for start, end in programme.pieces(int(at[0]), int(at[-1]) + 1):
        limit = limit_of(condition, programme, start)
        if limit is None:
            continue
        low, high = np.searchsorted(at, (start, end))
        piece = slice(int(low), int(high))
        beyond = value[piece] - limit if condition.upward else limit - value[piece]
        in_force = _in_span(condition, programme, start, at[piece])
        exceeded[piece] = in_force & (beyond > 0)
        cleared[piece] = ~in_force | (beyond <= -condition.deadband)
    return Judged(at, value, exceeded, cleared, condition.upward)


def _in_span(
    condition: LimitCondition, programme: Programme, start_ms: int, at: npt.NDArray[np.int64]
) -> npt.NDArray[np.bool_]:
    if condition.span == "any":
        return np.ones(len(at), dtype=np.bool_)
    within = in_day_span if condition.span == "day" else in_night_span
    return within(at, programme.photoperiods_around(start_ms))

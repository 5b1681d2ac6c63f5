"""When a humidity element is soaked and reads high: carried on from reading to reading, or found in a whole series."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
import numpy.typing as npt

from service.climate.ranges import HOUR_MS, Instants, Spans
from service.climate.series import Series

SOAK_ABOVE: Final = 80.0
"""A humidity element above this for `SOAK_HOURS` reads high (datasheets of polymer elements) [%RH]."""
SOAK_HOURS: Final = 60.0
DRYING_HOURS: Final = 12.0
"""Time at or below `SOAK_ABOVE` after which it counts as dried (common practice, no source) [h]."""
_EVER: Final = 2**62
_Run: TypeAlias = tuple[int, int, bool]
"""Start and end of readings that are all wet or all dry, and which. [ms, UTC]"""


@dataclass(frozen=True, slots=True)
class Soak:
    """What is remembered of an element.

    Attributes
    ----------
    wet : bool
        Whether its last known reading stood above `SOAK_ABOVE`.
    since_ms : int or None
        Since when they all did, or did not; None before the first. [ms, UTC]
    last_ms : int or None
        The last known reading. [ms, UTC]
    soaked_ms : int or None
        Since when it is soaked; None while it is not. [ms, UTC]
    """

    wet: bool = False
    since_ms: int | None = None
    last_ms: int | None = None
    soaked_ms: int | None = None


DRY: Final = Soak()


def soak_over(
    soak: Soak,
    series: Series,
    above: float = SOAK_ABOVE,
    hours: float = SOAK_HOURS,
    drying_hours: float = DRYING_HOURS,
) -> tuple[Soak, Spans]:
    """Carry an element over further readings, and say when it was soaked.

    Parameters
    ----------
    soak : Soak
        What is remembered so far; `DRY` at first.
    series : Series
        Relative humidity; readings up to `soak.last_ms` are passed over. [%RH]
    above, hours : float
        Soaked once it has stood above this for so long. Only a known reading at or below it breaks the time: a gap does
        not, since the element stays where it is. [%RH, h]
    drying_hours : float
        Soaked until it has stood at or below for so long (common practice, no source). [h]

    Returns
    -------
    Soak
    ndarray of int64, shape (m, 2)
        Since when and until when it was soaked; a time that goes on has no end that a reading could reach. [ms, UTC]

    References
    ----------
    .. [1] Datasheets of polymer humidity elements: up to +3 %RH after 60 h above 80 %RH.
    """
    new = ~np.isnan(series.value) & (series.at > (-1 if soak.last_ms is None else soak.last_ms))
    at, wet = series.at[new], series.value[new] > above
    runs = _runs(soak, at, wet)
    soaked, found = _soaked(runs, soak.soaked_ms, hours, drying_hours)
    since, is_wet = (runs[-1][0], runs[-1][2]) if runs else (soak.since_ms, soak.wet)
    last = int(at[-1]) if at.size else soak.last_ms
    return Soak(is_wet, since, last, soaked), found


def _soaked(runs: Iterable[_Run], soaked_ms: int | None, hours: float, drying_hours: float) -> tuple[int | None, Spans]:
    """Return since when an element is soaked after so many runs, and when it was; one that goes on has no end."""
    soaked, found = soaked_ms, list[tuple[int, int]]()
    for start, end, is_wet in runs:
        if is_wet and soaked is None and end - start >= hours * HOUR_MS:
            soaked = start + int(hours * HOUR_MS)
        elif not is_wet and soaked is not None and end - start >= drying_hours * HOUR_MS:
            found.append((soaked, start + int(drying_hours * HOUR_MS)))
            soaked = None
    if soaked is not None:
        found.append((soaked, _EVER))
    return soaked, np.asarray(found, dtype=np.int64).reshape(-1, 2)


def _runs(soak: Soak, at: Instants, wet: npt.NDArray[np.bool_]) -> list[_Run]:
    """Return start, end and wetness of each run of readings; the one that goes on from before has its old start."""
    if not at.size:
        return []
    firsts = [0, *(np.flatnonzero(wet[1:] != wet[:-1]) + 1).tolist()]
    starts, wetness = at[firsts].tolist(), wet[firsts].tolist()
    if soak.since_ms is not None:
        if wetness[0] == soak.wet:
            starts[0] = soak.since_ms
        else:
            starts, wetness = [soak.since_ms, *starts], [soak.wet, *wetness]
    return list(zip(starts, [*starts[1:], int(at[-1])], wetness, strict=True))


@dataclass(frozen=True, eq=False)
class WetRuns:
    """A humidity series cut where it becomes wet, and where dry: any part of it is judged without its readings.

    Attributes
    ----------
    at : ndarray of int64, shape (n,)
        Its known readings. [ms, UTC]
    first : ndarray of int64, shape (m,)
        The index of the first reading of each run.
    wet : ndarray of bool, shape (m,)
        Whether a run is one above `SOAK_ABOVE`.
    """

    at: Instants
    first: npt.NDArray[np.int64]
    wet: npt.NDArray[np.bool_]

    def soaked_within(
        self,
        start_ms: int,
        end_ms: int,
        cadence_ms: int,
        hours: float = SOAK_HOURS,
        drying_hours: float = DRYING_HOURS,
    ) -> Spans:
        """Return when the element was soaked, shape (m, 2), by its readings of [start, end) alone [ms, UTC].

        The last of them stands for a cadence; see `soak_over`.
        """
        low, high = (int(edge) for edge in self.at.searchsorted((start_ms, end_ms)))
        if low == high:
            return np.empty((0, 2), dtype=np.int64)
        last_ms = int(self.at[high - 1]) + cadence_ms
        begun, until = (int(edge) for edge in self.first.searchsorted((low, high - 1), "right"))
        starts = [int(self.at[low]), *self.at[self.first[begun:until]].tolist()]
        runs = zip(starts, [*starts[1:], last_ms], self.wet[begun - 1 : until].tolist(), strict=True)
        spans = np.minimum(_soaked(runs, None, hours, drying_hours)[1], last_ms)
        return spans[spans[:, 0] < spans[:, 1]]


def wet_runs(series: Series, above: float = SOAK_ABOVE) -> WetRuns:
    """Return where a humidity series becomes wet, and where dry [%RH]."""
    known = ~np.isnan(series.value)
    at, wet = series.at[known], series.value[known] > above
    first = np.flatnonzero(np.diff(wet, prepend=~wet[:1]))
    return WetRuns(at, first, wet[first])


def soaked_spans(
    series: Series, above: float = SOAK_ABOVE, hours: float = SOAK_HOURS, drying_hours: float = DRYING_HOURS
) -> Spans:
    """Return when a humidity element is soaked and reads high, shape (m, 2); see `soak_over` [ms, UTC].

    The last reading stands for a cadence.
    """
    if not series.at.size:
        return np.empty((0, 2), dtype=np.int64)
    whole = int(series.at[0]), int(series.at[-1]) + 1
    return wet_runs(series, above).soaked_within(*whole, series.cadence_ms, hours, drying_hours)


def is_soaked_at(spans: Spans, at_ms: int) -> bool:
    """Say whether an instant lies in one of the times that an element was soaked [ms, UTC]."""
    return bool(np.any((spans[:, 0] <= at_ms) & (at_ms < spans[:, 1])))

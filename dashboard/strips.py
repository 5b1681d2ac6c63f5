"""Today's readings of the channels that the strips show, in ten-minute buckets, kept up to date from the store.

A bucket keeps its first, lowest, highest and last value, so no spike is lost and none is smoothed. The day is read
once; then only channels that a later write touched are read again, from where they stood.
"""

import threading
from collections.abc import Collection, Hashable
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final

import numpy as np
from sqlmodel import Session

from dashboard.day import Axis
from service.climate.series import hold_ms
from service.model import Flag
from service.store.facts import ChannelFact
from service.store.history import corrected
from service.store.readings import StoredReadings, newest_readings, read_readings

BUCKET_MS: Final = 600_000
_REREAD_MS: Final = 3 * BUCKET_MS
"""A write may bring readings somewhat older than the newest: so much is read again, the rest at the next full read."""
_UNFIT: Final = int(Flag.unfit())
_PLAIN_CADENCE_MS: Final = 60_000
_MOST_MANNERS: Final = 4
Bucket = tuple[int, int, float, float, float, float]
"""First and last time [ms, UTC], and the first, lowest, highest and last value."""


@dataclass(frozen=True)
class DayTrace:
    """One channel's day; never changed, only replaced, so that whoever holds it may go on reading.

    Attributes
    ----------
    cadence_ms : int
        Declared or usual spacing. [ms]
    buckets : tuple of Bucket
        In order of time; a silence longer than a reading stands always lies between two of them.
    texts : dict
        For whoever draws the day: the text of each of the first buckets, by the manner of drawing. What is drawn once
        is handed on with the buckets that did not change.
    """

    cadence_ms: int
    buckets: tuple[Bucket, ...]
    texts: dict[Hashable, list[str]] = field(default_factory=dict, compare=False, repr=False)

    @cached_property
    def runs(self) -> tuple[tuple[Bucket, ...], ...]:
        """The buckets, broken wherever nothing is known for longer than a reading stands."""
        hold = hold_ms(self.cadence_ms)
        runs: list[list[Bucket]] = []
        last = -hold
        for bucket in self.buckets:
            if runs and bucket[0] - last <= hold:
                runs[-1].append(bucket)
            else:
                runs.append([bucket])
            last = bucket[1]
        return tuple(tuple(run) for run in runs)

    def gaps(self, start_ms: int, until_ms: int) -> list[tuple[int, int]]:
        """Return the spans of [start, until) in which nothing is known [ms, UTC]."""
        hold = hold_ms(self.cadence_ms)
        found: list[tuple[int, int]] = []
        known_until = start_ms
        for run in self.runs:
            if run[0][0] - known_until > hold:
                found.append((known_until, run[0][0]))
            known_until = run[-1][1]
        if until_ms - known_until > hold:
            found.append((known_until, until_ms))
        return found

    @cached_property
    def extremes(self) -> tuple[float, float] | None:
        """The lowest and the highest value of the day, None without any."""
        if not self.buckets:
            return None
        return min(bucket[3] for bucket in self.buckets), max(bucket[4] for bucket in self.buckets)


def bucketed(readings: StoredReadings, start_ms: int, cadence_ms: int) -> tuple[Bucket, ...]:
    """Return readings in buckets; unfit ones (approximate, impossible) are left out, and so become gaps.

    Parameters
    ----------
    readings : StoredReadings
    start_ms : int
        Where the first bucket begins. [ms, UTC]
    cadence_ms : int
        Says how long a reading stands: a longer silence parts a bucket. [ms]
    """
    fit = (readings.flags & _UNFIT) == 0
    at, value = readings.at[fit], readings.value[fit]
    if not len(at):
        return ()
    number = (at - start_ms) // BUCKET_MS
    parted = (number[1:] != number[:-1]) | (np.diff(at) > hold_ms(cadence_ms))
    first = np.flatnonzero(np.concatenate(([True], parted)))
    last = np.concatenate((first[1:], [len(at)])) - 1
    low, high = np.minimum.reduceat(value, first), np.maximum.reduceat(value, first)
    columns = (at[first], at[last], value[first], low, high, value[last])
    return tuple(zip(*(column.tolist() for column in columns), strict=True))


class StripCache:
    """The day traces of the channels that strips show. Safe to use from several threads.

    Parameters
    ----------
    reread_after_ms : int
        After so long all is read anew, so that readings which came late, or were imported, are drawn too. [ms]
    """

    def __init__(self, reread_after_ms: int = 900_000) -> None:
        self._lock = threading.Lock()
        self._reread_after_ms = reread_after_ms
        self._of: tuple[Axis, int] | None = None
        self._write = -1
        self._traces: dict[int, DayTrace] = {}
        self._stale_at_ms: dict[int, int] = {}
        self._behind: set[int] = set()

    def traces(
        self, session: Session, axis: Axis, facts_version: int, channels: Collection[ChannelFact], now_ms: int
    ) -> dict[int, DayTrace]:
        """Return the day's trace of each channel, brought up to date.

        Parameters
        ----------
        session : Session
            Of `Store.read`.
        axis : Axis
            The local day; another one than before empties the cache.
        facts_version : int
            Another one than before (a calibration, say) empties the cache.
        channels : collection of ChannelFact
        now_ms : int
            [ms, UTC]
        """
        with self._lock:
            if self._of != (axis, facts_version):
                self._of, self._write = (axis, facts_version), -1
                self._traces, self._stale_at_ms = {}, {}
            touched = newest_readings(session, self._write)
            self._write = max((state.write for state in touched), default=self._write)
            self._behind.update(state.channel_id for state in touched)
            for state in touched:
                if state.flags & Flag.CLOCK_SET_BACK:
                    self._stale_at_ms[state.channel_id] = 0
            for channel in channels:
                if channel.id not in self._traces or now_ms >= self._stale_at_ms[channel.id]:
                    self._read_day(session, axis, channel)
                    self._stale_at_ms[channel.id] = now_ms + self._lasts(channel.id)
                elif channel.id in self._behind:
                    self._read_on(session, axis, channel)
                self._behind.discard(channel.id)
            return {channel.id: self._traces[channel.id] for channel in channels}

    def _lasts(self, channel_id: int) -> int:
        """Return how long the channel's day is good for: no page should wait for all of them at once."""
        return self._reread_after_ms + channel_id * 7_919 % 97 * self._reread_after_ms // 97

    def _read_day(self, session: Session, axis: Axis, channel: ChannelFact) -> None:
        cadence = channel.declared_cadence_ms or _PLAIN_CADENCE_MS
        readings = corrected(channel, read_readings(session, channel.id, axis.start_ms, axis.end_ms))
        self._traces[channel.id] = DayTrace(cadence, bucketed(readings, axis.start_ms, cadence))

    def _read_on(self, session: Session, axis: Axis, channel: ChannelFact) -> None:
        trace = self._traces[channel.id]
        newest = trace.buckets[-1][0] if trace.buckets else axis.start_ms
        from_ms = max(axis.start_ms, newest - (newest - axis.start_ms) % BUCKET_MS - _REREAD_MS)
        readings = corrected(channel, read_readings(session, channel.id, from_ms, axis.end_ms))
        kept = tuple(bucket for bucket in trace.buckets if bucket[0] < from_ms)
        recent = list(trace.texts.items())[-_MOST_MANNERS:]
        texts = {manner: drawn[: len(kept)] for manner, drawn in recent}
        buckets = kept + bucketed(readings, from_ms, trace.cadence_ms)
        self._traces[channel.id] = DayTrace(trace.cadence_ms, buckets, texts)

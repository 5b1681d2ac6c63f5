"""A figure: what ours does, what bare parts do, and whether the target is met."""

import statistics
from collections.abc import Callable
from dataclasses import dataclass, field

Tell = Callable[[str], None]
"""Told how far a measurement has come."""


class BenchError(Exception):
    """A figure could not be measured; the sentence says why."""


@dataclass(frozen=True, slots=True)
class Pairs:
    """Measurements of ours and of the bare parts, taken in turn, so that both saw the same machine.

    Attributes
    ----------
    ours, bare : tuple of float, shape (pairs,)
        [the figure's unit]
    """

    ours: tuple[float, ...]
    bare: tuple[float, ...]

    @property
    def ratios(self) -> list[float]:
        """Ours over bare, pair by pair."""
        return [ours / bare for ours, bare in zip(self.ours, self.bare, strict=True)]

    @property
    def ratio(self) -> float:
        """The median of the pairs' ratios."""
        return statistics.median(self.ratios)


@dataclass(frozen=True, slots=True)
class Target:
    """What is asked of a figure, in words, and whether pairs of measurements meet it."""

    words: str
    is_met: Callable[[Pairs], bool]


@dataclass(frozen=True, slots=True)
class Figure:
    """One line of the table.

    Attributes
    ----------
    what : str
        What was measured.
    unit : str
    pairs : Pairs
    target : Target or None
        None for a figure that is only told.
    note : str
        What else the run showed.
    digits : int
        Decimals that are shown.
    """

    what: str
    unit: str
    pairs: Pairs
    target: Target | None = None
    note: str = ""
    digits: int = 0

    @property
    def is_met(self) -> bool | None:
        """Whether the target is met; None without one."""
        return None if self.target is None else self.target.is_met(self.pairs)


@dataclass(frozen=True, slots=True)
class Subject:
    """Figures that are measured together.

    Attributes
    ----------
    name : str
        What it is asked for by.
    about : str
        How ours and the bare limit are measured, for the document.
    measure : callable
        Takes how many pairs to measure, and `Tell`.
    pairs : int
        How many pairs are usual.
    """

    name: str
    about: str
    measure: Callable[[int, Tell], list[Figure]] = field(repr=False)
    pairs: int = 5


def in_turn(ours: Callable[[], float], bare: Callable[[], float], pairs: int, tell: Tell) -> Pairs:
    """Measure ours, bare, ours, bare …, after one pair that is not counted when there are many."""
    if pairs > 5:  # a quick one: caches are warm from then on
        ours()
        bare()
    measured = []
    for pair in range(pairs):
        tell(f"pair {pair + 1} of {pairs}")
        measured.append((ours(), bare()))
    return Pairs(*(tuple(column) for column in zip(*measured, strict=True)))

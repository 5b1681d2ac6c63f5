"""Spans of time in which facts hold."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypeVar

from service.model import DatedFact, to_ms
from service.store.readings import END_OF_TIME


@dataclass(frozen=True, slots=True)
class Since:
    """A span of time [start_ms, end_ms) in which a fact holds; an open end is `END_OF_TIME`."""

    start_ms: int
    end_ms: int

    def holds_at(self, at_ms: int) -> bool:
        """Whether the fact holds at that instant."""
        return self.start_ms <= at_ms < self.end_ms

    def meets(self, start_ms: int, end_ms: int) -> bool:
        """Whether the fact holds at any time of that span."""
        return self.start_ms < end_ms and start_ms < self.end_ms


_Since = TypeVar("_Since", bound=Since)


def in_force(facts: Iterable[_Since], at_ms: int) -> _Since | None:
    """Return the fact that holds at an instant; of several the one that began last."""
    return max((fact for fact in facts if fact.holds_at(at_ms)), key=lambda fact: fact.start_ms, default=None)


def span_of(fact: DatedFact) -> tuple[int, int]:
    """Return when a row holds; an open end is `END_OF_TIME`. [ms, UTC]."""
    return to_ms(fact.from_at), END_OF_TIME if fact.until_at is None else to_ms(fact.until_at)

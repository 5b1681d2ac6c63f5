"""Spans of time that must not meet."""

from collections.abc import Callable, Sequence
from datetime import datetime
from itertools import combinations
from typing import TypeVar

from service.roomfile.nodes import Node
from service.roomfile.spec import BEGINNING

Span = tuple[datetime | None, datetime | None]
_Entry = TypeVar("_Entry")


def meet(one: Span, other: Span) -> bool:
    """Say whether two spans [from, until) have an instant in common; no `from` is the beginning, no `until` no end."""
    return _before_end(one[0], other[1]) and _before_end(other[0], one[1])


def _before_end(start: datetime | None, end: datetime | None) -> bool:
    return end is None or (start or BEGINNING) < end


def report_meeting(
    nodes: Sequence[Node], entries: Sequence[_Entry], span_of: Callable[[_Entry], Span], text: str
) -> None:
    """Note at the later table each pair whose spans meet; `text` is followed by the line of the earlier one."""
    for (earlier, one), (later, other) in combinations(zip(nodes, entries, strict=True), 2):
        if meet(span_of(one), span_of(other)):
            later.problem(f"{text} line {later.problems.line_of(earlier.path)}; part them with from and until")

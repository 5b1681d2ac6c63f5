"""What was to be seen of a condition, what was seen, and what was said without cause."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np

_TOLD = ("missed", "false", "near", "lying")


def moment(at_ms: int) -> str:
    return f"{datetime.fromtimestamp(at_ms / 1000, UTC):%Y-%m-%d %H:%M}"


@dataclass(frozen=True, slots=True)
class Alarm:
    """An alarm of the watch; `returned_ms` is far away while it stands. [ms UTC]."""

    condition: str
    priority: str
    place: str
    enclosure: str
    zone: str
    probe: str
    began_ms: int
    raised_ms: int
    returned_ms: int

    def stands_within(self, start_ms: int, end_ms: int) -> bool:
        return self.raised_ms <= end_ms and self.returned_ms >= start_ms


@dataclass(slots=True)
class Tally:
    """One condition over many enclosures.

    Attributes
    ----------
    priority : str
    visible, by_fault : int
        Episodes that the physics lets be seen; and how many of them while an injected fault stood.
    caught : int
    raised : int
        Alarms.
    delays : list of float
        From when the true value passed its limit, or the fault began, to the alarm. [min]
    missed, false, near, lying : list of str
        Told one by one: not caught; nothing in the truth; the true value short of its limit by no more than the
        probe's own error; said by a probe that a fault makes lie.
    """

    priority: str = ""
    visible: int = 0
    by_fault: int = 0
    caught: int = 0
    raised: int = 0
    delays: list[float] = field(default_factory=list)
    missed: list[str] = field(default_factory=list)
    false: list[str] = field(default_factory=list)
    near: list[str] = field(default_factory=list)
    lying: list[str] = field(default_factory=list)

    def expect(self, alarms: Iterable[Alarm], span: tuple[int, int], since_ms: int, told: str, of_fault: bool) -> None:
        """Look for an alarm within a span for something that began at a time."""
        self.visible += 1
        self.by_fault += of_fault
        found = min((a for a in alarms if a.stands_within(*span)), key=lambda a: a.raised_ms, default=None)
        if found is None:
            self.missed.append(f"{told} {moment(span[0])} to {moment(span[1])}")
            return
        self.caught += 1
        self.delays.append(max(0, found.raised_ms - since_ms) / 60_000)

    def delay(self, percent: float) -> float | None:
        return float(np.percentile(self.delays, percent)) if self.delays else None

    def add(self, other: "Tally") -> None:
        self.priority = self.priority or other.priority
        for name in ("visible", "by_fault", "caught", "raised"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        for name in ("delays", *_TOLD):
            getattr(self, name).extend(getattr(other, name))


@dataclass(slots=True)
class Score:
    """Everything that was counted over some enclosure-months."""

    months: float = 0.0
    readings: int = 0
    conditions: dict[str, Tally] = field(default_factory=dict)
    misting: Counter = field(default_factory=Counter)
    plain: Counter = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    faults: Counter = field(default_factory=Counter)

    def of(self, condition: str) -> Tally:
        return self.conditions.setdefault(condition, Tally())

    def add(self, other: "Score") -> None:
        self.months += other.months
        self.readings += other.readings
        self.misting += other.misting
        self.plain += other.plain
        self.faults += other.faults
        self.wrong += other.wrong
        for name, tally in other.conditions.items():
            self.of(name).add(tally)

    def labelled(self, label: str) -> "Score":
        """Return it with a label before everything that is told one by one."""
        told = [self.wrong, *(getattr(t, n) for t in self.conditions.values() for n in _TOLD)]
        for lines in told:
            lines[:] = [f"{label} {line}" for line in lines]
        return self

    @property
    def holds(self) -> bool:
        """Whether all that is asked is so: nothing missed, verdicts 99 % right, one false alarm a month at most.

        An alarm that the probe's own error explains counts as false here.
        """
        right, wrong = self.verdicts("healthy")
        few = len(self.false_urgent) + len(self.near_urgent) <= self.months
        return not self.missed and right >= 0.99 * (right + wrong) and few

    @property
    def missed(self) -> list[str]:
        return [f"{name}: {told}" for name, tally in self.conditions.items() for told in tally.missed]

    @property
    def false_urgent(self) -> list[str]:
        """False alarms of medium and high priority."""
        return [f"{name}: {told}" for name, tally in self._urgent() for told in tally.false]

    @property
    def near_urgent(self) -> list[str]:
        """Those of medium and high priority that a probe's own error explains."""
        return [f"{name}: {told}" for name, tally in self._urgent() for told in tally.near]

    def _urgent(self) -> list[tuple[str, Tally]]:
        return [(name, tally) for name, tally in self.conditions.items() if tally.priority in {"medium", "high"}]

    def verdicts(self, whose: str) -> tuple[int, int]:
        """Return how many misting verdicts were right and wrong; `whose` is "healthy" or "lying" probes."""
        right, wrong = (
            sum(n for (w, _, _, good), n in self.misting.items() if w == whose and good is g) for g in (True, False)
        )
        return right, wrong

"""Another limit, tried on the stored readings: how many alarms there would have been, and what would have been missed.

The watch itself judges each limit (`service.watch.replay`), as it would have done live.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

from sqlmodel import Session

from service.climate.targets import CHECK_UNITS_AND_SHARES, Target
from service.errors import BadUse
from service.store.facts import EnclosureFact, OverrideFact, RoomFacts
from service.store.programme import Programme
from service.store.readings import END_OF_TIME
from service.store.traceability import errors_within
from service.watch.conditions import (
    CONDITIONS,
    HEADING_OVER,
    HumidityCondition,
    LimitCondition,
)
from service.watch.replay import Derived, derive_of_air, derive_of_channels

STEPS: Final = 4
"""So many further limits are tried beside the present one."""
_STEP: Final = {"°C": 0.5, "%RH": 2.0}
_LEAST, _MOST = -50.0, 150.0
_QUANTITY: Final = "relative_humidity"


@dataclass(frozen=True, slots=True)
class Rule:
    """Where a condition gets its limit from.

    Attributes
    ----------
    check : str
        Of the profile's target.
    end : str
        Which end of it.
    offset : float
        The limit is that end and this. [unit]
    zones, quantities : tuple of str
        Of the channels that it looks at.
    of_air : bool
        Judged on the air's last hours; else reading by reading.
    """

    check: str
    end: Literal["low", "high"]
    offset: float
    zones: tuple[str, ...]
    quantities: tuple[str, ...]
    of_air: bool = False


@dataclass(frozen=True, slots=True)
class Tried:
    """What one limit would have done.

    Attributes
    ----------
    limit : float
        [unit]
    target : float
        The end of the target that gives it: what a profile or an override says. [unit]
    alarms : int
    high : int
        Alarms of high priority among all that hang on the same target.
    missed : int
        Real events in which no alarm would have stood.
    """

    limit: float
    target: float
    alarms: int
    high: int
    missed: int


@dataclass(frozen=True, slots=True)
class Trial:
    """Limits tried on one condition of one enclosure.

    Attributes
    ----------
    condition : str
    enclosure : EnclosureFact
    rule : Rule
    target : Target
        In force at the end of the span.
    unit : str
        "°C" or "%RH".
    uncertainty : float
        Of the channels that it looks at, k = 2. [unit]
    start_ms, end_ms : int
        [ms since 1970, UTC]
    real : tuple of Derived
        Real events: what the watch would have raised had the limit stood further out by the uncertainty, that is
        when the value was beyond the limit for certain, for longer than the on-delay.
    tried : tuple of Tried
        The present limit first.
    """

    condition: str
    enclosure: EnclosureFact
    rule: Rule
    target: Target
    unit: str
    uncertainty: float
    start_ms: int
    end_ms: int
    real: tuple[Derived, ...]
    tried: tuple[Tried, ...]

    @property
    def limit(self) -> float:
        """The present limit. [unit]."""
        return self.tried[0].limit


def rule_of(condition: str) -> Rule | None:
    """Return where a condition gets its limit from, None where it has none to try."""
    known = CONDITIONS.get(condition)
    if isinstance(known, LimitCondition):
        end = "high" if known.upward else "low"
        return Rule(known.check, end, known.offset, known.zones, known.quantities)
    if known is HEADING_OVER:
        return Rule("hot-spot-peak", "high", 0.0, HEADING_OVER.zones, HEADING_OVER.quantities)
    if isinstance(known, HumidityCondition):
        return Rule("humidity-alarm", "high" if known.upward else "low", 0.0, (), (_QUANTITY,), of_air=True)
    return None


def try_limits(
    session: Session,
    facts: RoomFacts,
    enclosure: EnclosureFact,
    condition: str,
    start_ms: int,
    end_ms: int,
    asked: float | None = None,
) -> Trial:
    """Try limits on the readings of a span: the present one, further ones, and one that is asked for.

    Each is taken as if it had been in force through the whole span, the present one too: seasons and overrides of that
    target are left aside.

    Parameters
    ----------
    start_ms, end_ms : int
        [start_ms, end_ms). [ms since 1970, UTC]
    asked : float, optional
        A limit. [unit]

    Raises
    ------
    BadUse
        The condition has no limit to try, nothing sets it for that enclosure, or the asked one is no sensible value.
    """
    rule = rule_of(condition)
    if rule is None:
        known = ", ".join(sorted(key for key in CONDITIONS if rule_of(key) is not None))
        raise BadUse(f"condition: {condition[:80]!r} has no limit to try; those that have one: {known}")
    target = Programme(facts, enclosure).targets_at(end_ms - 1).get(rule.check)
    end = math.nan if target is None else getattr(target, rule.end)
    if target is None or not math.isfinite(end):
        raise BadUse(f"{enclosure.key}: no target sets a limit for {condition}")
    if asked is not None and not _LEAST <= asked <= _MOST:
        raise BadUse(f"limit: expected {_LEAST:g} to {_MOST:g}, got {asked:g}")
    bench = _Bench(session, facts, enclosure, condition, rule, target, start_ms, end_ms)
    limit = end + rule.offset
    uncertainty = bench.uncertainty()
    real = bench.under(limit + bench.outward * uncertainty)[0]
    wanted = [limit, *(_further(limit, bench, step) for step in range(1, STEPS + 1))]
    wanted += [asked] if asked is not None and asked not in wanted else []
    tried = tuple(bench.tried(value, real) for value in wanted)
    return Trial(
        condition, enclosure, rule, target, CHECK_UNITS_AND_SHARES[rule.check][0], uncertainty, start_ms, end_ms,
        tuple(real), tried,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Bench:
    """Runs the watch under another limit."""

    session: Session
    facts: RoomFacts
    enclosure: EnclosureFact
    condition: str
    rule: Rule
    target: Target
    start_ms: int
    end_ms: int

    @property
    def outward(self) -> int:
        return 1 if self.rule.end == "high" else -1

    def uncertainty(self) -> float:
        """Return the widest uncertainty of the channels that are looked at. [unit]."""
        channels = {
            placement.channel_id
            for placement in self.enclosure.placements
            if placement.meets(self.start_ms, self.end_ms)
            and (not self.rule.zones or placement.zone in self.rule.zones)
        }
        looked_at = [self.facts.channels[key] for key in channels]
        fitting = [channel for channel in looked_at if channel.quantity in self.rule.quantities]
        return max((errors_within(channel, self.start_ms, self.end_ms).uncertainty for channel in fitting), default=0.0)

    def under(self, limit: float) -> tuple[list[Derived], int]:
        """Return the condition's alarms under a limit, and how many of high priority came of the same target."""
        facts = _with_target(self.facts, self.enclosure, self.rule.check, self._moved(limit))
        derive = derive_of_air if self.rule.of_air else derive_of_channels
        alarms = derive(self.session, facts, self.start_ms, self.end_ms, self.enclosure.id)
        of_target = [alarm for alarm in alarms if (rule := rule_of(alarm.condition)) and rule.check == self.rule.check]
        mine = [alarm for alarm in alarms if alarm.condition == self.condition]
        return mine, sum(alarm.priority == "high" for alarm in of_target)

    def tried(self, limit: float, real: Sequence[Derived]) -> Tried:
        alarms, high = self.under(limit)
        missed = sum(not any(_overlap(event, alarm) for alarm in alarms) for event in real)
        return Tried(limit, limit - self.rule.offset, len(alarms), high, missed)

    def _moved(self, limit: float) -> Target:
        value = limit - self.rule.offset
        return replace(self.target, high=value) if self.rule.end == "high" else replace(self.target, low=value)


def _further(limit: float, bench: _Bench, step: int) -> float:
    """Return a limit further out, on a round figure. [unit]."""
    size = _STEP[CHECK_UNITS_AND_SHARES[bench.rule.check][0]]
    return limit + bench.outward * step * size


def _overlap(one: Derived, other: Derived) -> bool:
    """Whether two alarms stood at one time."""
    ends = (END_OF_TIME if alarm.returned_ms is None else alarm.returned_ms for alarm in (one, other))
    return max(one.raised_ms, other.raised_ms) <= min(ends)


def _with_target(facts: RoomFacts, enclosure: EnclosureFact, check: str, target: Target) -> RoomFacts:
    """Return the facts as if a target had always been in force in an enclosure."""
    low, high = (end if math.isfinite(end) else None for end in (target.low, target.high))
    always = OverrideFact(0, END_OF_TIME, check, low, high, target.share, "a trial")
    others = tuple(fact for fact in enclosure.overrides if fact.check != check)
    changed = replace(enclosure, overrides=(*others, always))
    enclosures = {key: changed if key == enclosure.id else one for key, one in facts.enclosures.items()}
    return replace(facts, enclosures=enclosures, by_key={one.key: one for one in enclosures.values()})

"""The conditions that become alarms: their limits, delays, priorities, and what to do.

Numbers are defaults of the trade: common practice, no source. A limit comes from the enclosure's targets.
"""

from dataclasses import dataclass
from typing import Final, Literal

from service.alarms.delays import Delays

Priority = Literal["high", "medium", "low"]
_MINUTE_MS = 60_000
_TEMPERATURES = ("air_temperature", "surface_temperature")
_AT_ONCE: Final = Delays(0, 0)
HEAT_CAUTION: Final = (
    "Wardian is no safety device: a heat source needs its own thermostat and an independent high-limit cut-out."
)
ILL_CAUTION: Final = "An animal that seems unwell needs a veterinarian."


@dataclass(frozen=True, slots=True)
class Condition:
    """What a person reads of a condition, and how urgent it is."""

    key: str
    priority: Priority
    title: str
    next_step: str
    caution: str | None = None


@dataclass(frozen=True, slots=True)
class LimitCondition(Condition):
    """A channel beyond a limit that a target sets.

    Attributes
    ----------
    zones, quantities : tuple of str
        Where and what.
    check : str
        The check whose target gives the limit.
    upward : bool
        Beyond means above the target's high end; else below its low end.
    offset : float
        Added to that end. [the quantity's unit]
    deadband : float
        How far back the value must come. [the quantity's unit]
    delays : Delays
    span : str
        "any" time, the "day" span or the "night" span.
    """

    zones: tuple[str, ...] = ()
    quantities: tuple[str, ...] = _TEMPERATURES
    check: str = ""
    upward: bool = True
    offset: float = 0.0
    deadband: float = 0.5
    delays: Delays = _AT_ONCE
    span: Literal["any", "day", "night"] = "any"


LIMIT_CONDITIONS: Final = (
    LimitCondition(
        "basking-overheat", "high", "Basking spot too hot",
        "Check the lamp's height and the thermostat's probe; make sure that the animal can get away from the heat.",
        HEAT_CAUTION,
        zones=("basking",), check="hot-spot-peak", deadband=1.0, delays=Delays(60_000, 60_000),
    ),
    LimitCondition(
        "basking-cold", "medium", "Basking spot too cold",
        "Check that the lamp burns and that its thermostat and timer are on.",
        HEAT_CAUTION,
        zones=("basking",), check="hot-spot", upward=False, offset=-2.0, deadband=0.5,
        delays=Delays(30 * _MINUTE_MS, _MINUTE_MS), span="day",
    ),
    LimitCondition(
        "retreat-hot", "high", "Cool end too hot",
        "Check the ventilation and the room's temperature; the animal has nowhere to cool down.",
        HEAT_CAUTION,
        zones=("cool-end",), check="cool-retreat", delays=Delays(15 * _MINUTE_MS, _MINUTE_MS),
    ),
    LimitCondition(
        "night-cold", "high", "Night too cold",
        "Check the night heating and whether a door or vent stands open.",
        HEAT_CAUTION,
        zones=("ambient",), check="night-floor", upward=False, delays=Delays(15 * _MINUTE_MS, _MINUTE_MS), span="night",
    ),
    LimitCondition(
        "night-hot", "medium", "Night too warm",
        "Check whether a heater still runs and how warm the room is.",
        HEAT_CAUTION,
        zones=("ambient",), check="night-ceiling", delays=Delays(15 * _MINUTE_MS, _MINUTE_MS), span="night",
    ),
    LimitCondition(
        "heat-at-night", "high", "Basking spot hot in the dark",
        "Check the lamp's timer and relay: heat is on though the lights should be off.",
        HEAT_CAUTION,
        zones=("basking",), check="night-ceiling", offset=5.0, deadband=1.0,
        delays=Delays(20 * _MINUTE_MS, _MINUTE_MS), span="night",
    ),
)  # fmt: skip

PROBE_SILENT: Final = Condition(
    "probe-silent", "medium", "Probe silent",
    "Check the probe's power, its wireless link and its gateway. Until it speaks, this place is not watched.",
)  # fmt: skip

CONDITIONS: Final[dict[str, Condition]] = {condition.key: condition for condition in (*LIMIT_CONDITIONS, PROBE_SILENT)}


def silence_ms(cadence_ms: int) -> int:
    """Return after how long without a reading a probe counts as silent. Common practice, no source. [ms]."""
    return max(3 * cadence_ms, 10 * _MINUTE_MS)

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
_ONE_READING: Final = Delays(0, 5 * _MINUTE_MS)
HEAT_CAUTION: Final = (
    "Wardian is no safety device: a heat source needs its own thermostat and an independent high-limit cut-out."
)
ILL_CAUTION: Final = "An animal that seems unwell needs a veterinarian."
MAINS_CAUTION: Final = (
    "Mains electricity near misting needs residual-current protection, and an electrician under your local code."
)


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


@dataclass(frozen=True, slots=True)
class HeadingCondition(Condition):
    """A basking spot above its band whose trend meets the ceiling soon."""

    zones: tuple[str, ...] = ("basking",)
    quantities: tuple[str, ...] = _TEMPERATURES
    upward: bool = True
    delays: Delays = _ONE_READING


@dataclass(frozen=True, slots=True)
class LightCondition(Condition):
    """Measured light that disagrees with the schedule.

    Attributes
    ----------
    when_lit : bool
        The schedule says lit, and it is dark; else the other way round.
    """

    zones: tuple[str, ...] = ("basking", "warm-end", "cool-end", "canopy", "ambient")
    quantities: tuple[str, ...] = ("illuminance", "power")
    when_lit: bool = True
    delays: Delays = Delays(20 * _MINUTE_MS, 0)  # noqa: RUF009 - frozen

    @property
    def upward(self) -> bool:
        """Light where none should be is beyond upward."""
        return not self.when_lit


@dataclass(frozen=True, slots=True)
class HumidityCondition(Condition):
    """Humidity beyond the alarm limits of `humidity-alarm`, spikes left out.

    Attributes
    ----------
    upward : bool
    on_ms : int
        For how much covered time. [ms]
    deadband : float
        [%RH]
    """

    upward: bool = True
    on_ms: int = 60 * _MINUTE_MS
    deadband: float = 3.0


ChannelCondition = LimitCondition | HeadingCondition | LightCondition

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

HEADING_OVER: Final = HeadingCondition(
    "basking-heading-over", "high", "Basking spot heading over its limit",
    "Look now: it is above its band and rising. Check the lamp's height and the thermostat's probe.",
    HEAT_CAUTION,
)  # fmt: skip
LIGHT_CONDITIONS: Final = (
    LightCondition(
        "lights-late", "medium", "Lights are off though they should be on",
        "Check the timer, the fuse and the lamp; a lamp cools down before it is touched.", MAINS_CAUTION,
    ),
    LightCondition(
        "lights-stuck-on", "medium", "Lights are on though they should be off",
        "Check the timer and its relay: the animal has no night.", MAINS_CAUTION, when_lit=False,
    ),
)  # fmt: skip
CHANNEL_CONDITIONS: Final[tuple[ChannelCondition, ...]] = (*LIMIT_CONDITIONS, HEADING_OVER, *LIGHT_CONDITIONS)

MISTING_MISSED: Final = Condition(
    "misting-missed", "medium", "A misting cycle put no water into the air",
    "Check the reservoir, the pump and the nozzles; mist by hand until it runs.", MAINS_CAUTION,
)  # fmt: skip
MISTING_WEAKENING: Final = Condition(
    "misting-weakening", "low", "Misting is weakening",
    "Clean the nozzles and the filter, and look at the reservoir and the pump.", MAINS_CAUTION,
)  # fmt: skip
TOO_DRY: Final = HumidityCondition(
    "too-dry", "medium", "Too dry", "Check the misting and the water, and whether a vent or door stands open.",
    MAINS_CAUTION, upward=False, on_ms=60 * _MINUTE_MS,
)  # fmt: skip
TOO_WET: Final = HumidityCondition(
    "too-wet", "medium", "Too wet for too long", "Check whether the misting runs on, and give more air.",
    MAINS_CAUTION, upward=True, on_ms=180 * _MINUTE_MS,
)  # fmt: skip
PROBE_STUCK: Final = Condition(
    "probe-stuck", "low", "Probe stuck at one value", "Restart the probe; if it sticks again, replace it."
)
PROBE_SATURATED: Final = Condition(
    "probe-saturated", "low", "Humidity element wet", "Dry the probe and move it out of the spray."
)
PROBE_IMPOSSIBLE: Final = Condition(
    "probe-impossible", "low", "Probe sends impossible values", "Check the probe's wiring and its power supply."
)
PROBE_DISAGREES: Final = Condition(
    "probe-disagrees", "low", "Two probes disagree", "Hold both beside a reference and calibrate or replace one."
)
CALIBRATION_DUE: Final = Condition(
    "calibration-due", "low", "Calibration due", "Check the probe against a reference and note what it reads."
)
BATTERY_LOW: Final = Condition("battery-low", "low", "Battery low", "Change or charge the probe's battery.")

PROBE_SILENT: Final = Condition(
    "probe-silent", "medium", "Probe silent",
    "Check the probe's power, its wireless link and its gateway. Until it speaks, this place is not watched.",
)  # fmt: skip

ROOM_BLACKOUT: Final = Condition(
    "room-blackout", "high", "Most of the room fell silent at once",
    "Check the room's power, the network and the gateway; go and look at the animals, since nothing is watched now.",
    HEAT_CAUTION,
)  # fmt: skip

GATEWAY_CUT: Final = Condition(
    "gateway-cut", "high", "Probes of one gateway or rack fell silent at once",
    "Check the gateway's power and network, and the rack's socket; look at the animals there: they are unwatched.",
    HEAT_CAUTION,
)  # fmt: skip

CARE_OVERDUE: Final = Condition(
    "care-overdue", "low", "Care overdue",
    "Do it, or replace what has served its time, and note that it is done.", MAINS_CAUTION,
)  # fmt: skip
OUT_FOR_LONG: Final = Condition(
    "out-of-service-long", "low", "Out of service for long",
    "Put it back as soon as all is closed and on, or give it a later end: until then nothing is raised there.",
)  # fmt: skip
OUT_OVER: Final = Condition(
    "out-of-service-over", "high", "Back in service, and not as it should be",
    "Go and look: close the doors, switch lamps and heat on, put the probes back. Take it out again if work goes on.",
    HEAT_CAUTION,
)  # fmt: skip

WATCH_BROKER: Final = Condition(
    "watch-broker", "high", "The broker is away",
    "Check that the broker runs and that the network is up: until then no reading arrives. Look after the animals.",
    HEAT_CAUTION,
)  # fmt: skip
WATCH_INGEST: Final = Condition(
    "watch-ingest", "high", "Readings are not stored",
    "Look at the disk and the database; readings wait at the broker. Restart the service when it does not recover.",
    HEAT_CAUTION,
)  # fmt: skip
WATCH_BEHIND: Final = Condition(
    "watch-behind", "high", "The watch stands still",
    "Restart the service, and report its log: until then no alarm of an enclosure is raised. Look after the animals.",
    HEAT_CAUTION,
)  # fmt: skip
WATCH_DISK: Final = Condition(
    "watch-disk", "high", "Disk nearly full", "Make room on the disk: when it is full, readings are no longer stored.",
)  # fmt: skip
WATCH_DELIVERY: Final = Condition(
    "watch-delivery", "high", "Messages do not get through",
    "Mend the contact's route on the Telling page, and send a test message from there.",
)  # fmt: skip
WATCH_HEARTBEAT: Final = Condition(
    "watch-heartbeat", "medium", "The outside watcher does not answer",
    "Check WARDIAN_HEARTBEAT and the machine that it leads to: nobody outside knows whether this one lives.",
)  # fmt: skip
WATCH_CLOCK: Final = Condition(
    "watch-clock", "high", "The clock was set",
    "Check the clock's time source (NTP): readings of that time may carry a wrong time.",
)  # fmt: skip
SELF_CONDITIONS: Final = (
    WATCH_BROKER, WATCH_INGEST, WATCH_BEHIND, WATCH_DISK, WATCH_DELIVERY, WATCH_HEARTBEAT, WATCH_CLOCK,
)  # fmt: skip
"""What stops the watching itself; `service.notify.self_watch` raises them."""

CONDITIONS: Final[dict[str, Condition]] = {
    condition.key: condition
    for condition in (
        *CHANNEL_CONDITIONS,
        PROBE_SILENT,
        ROOM_BLACKOUT,
        GATEWAY_CUT,
        MISTING_MISSED,
        MISTING_WEAKENING,
        TOO_DRY,
        TOO_WET,
        PROBE_STUCK,
        PROBE_SATURATED,
        PROBE_IMPOSSIBLE,
        PROBE_DISAGREES,
        CALIBRATION_DUE,
        BATTERY_LOW,
        CARE_OVERDUE,
        OUT_FOR_LONG,
        OUT_OVER,
        *SELF_CONDITIONS,
    )
}
"""Every condition by its key."""
NOT_OF_READINGS: Final = frozenset(one.key for one in (CARE_OVERDUE, OUT_FOR_LONG, OUT_OVER, *SELF_CONDITIONS))
"""Those that no reading tells: replay cannot derive them."""

"""What a simulated room holds: enclosures, equipment, probes and the faults to come. Data only."""

from dataclasses import dataclass
from typing import Literal

BoxKind = Literal["glass", "mesh"]
Format = Literal["json", "scalar"]
EnclosureFault = Literal[
    "stuck-thermostat",
    "welded-relay",
    "dead-lamp",
    "dead-pump",
    "clogging-nozzle",
    "lights-stuck-on",
    "lights-late",
    "water-leak",
]
ProbeFault = Literal["stuck-probe", "wet-probe", "silent-probe", "drifting-probe", "glitching-probe"]
FaultKind = EnclosureFault | ProbeFault | Literal["gateway-cut", "power-cut"]


@dataclass(frozen=True, slots=True)
class Box:
    """An enclosure's body.

    Attributes
    ----------
    kind : str
        `glass` or `mesh`: mesh has one solid side and lets air through the others.
    width, depth, height : float
        Inside. [m]
    air_changes : float
        Ventilation with room air: 1 to 6 for glass, 30 to 60 for mesh. [1/h]
    leaf_area : float
        Leaves, bark and decor that misting wets. [m²]
    substrate_depth : float
        [m]
    substrate_openness : float
        How freely the substrate's surface gives off water, 0 (dry crust) to 1 (wet moss).
    substrate_filled : float
        Water in the substrate at the start, as a share of what it holds.
    """

    kind: BoxKind
    width: float
    depth: float
    height: float
    air_changes: float
    leaf_area: float
    substrate_depth: float = 0.05
    substrate_openness: float = 0.2
    substrate_filled: float = 0.7

    @property
    def volume(self) -> float:
        """Air inside. [m³]."""
        return self.width * self.depth * self.height

    @property
    def floor_area(self) -> float:
        """[m²]."""
        return self.width * self.depth


@dataclass(frozen=True, slots=True)
class Equipment:
    """What warms, lights and wets an enclosure; zero watts or flow means that there is none.

    Attributes
    ----------
    lamp_watts, lamp_set : float
        The basking lamp, on while the lights are, and its thermostat's setting at the basking surface. [W], [°C]
    heater_watts, heater_day, heater_night : float
        A panel or mat with a thermostat in the warm-end air. [W], [°C], [°C]
    light_watts, lux, uv_index : float
        The light strip, and what it gives below. [W], [lx], [1]
    pump_flow : float
        All nozzles together. [g/s]
    hysteresis : float
        Half the width between a thermostat's switching points. [°C]
    """

    lamp_watts: float = 0.0
    lamp_set: float = 35.0
    heater_watts: float = 0.0
    heater_day: float = 28.0
    heater_night: float = 24.0
    light_watts: float = 15.0
    lux: float = 9000.0
    uv_index: float = 0.0
    pump_flow: float = 1.5
    hysteresis: float = 0.4


@dataclass(frozen=True, slots=True)
class MistingTime:
    """A scheduled misting: local wall-clock `HH:MM`, and how long the pump runs. [s]."""

    at: str
    seconds: float


@dataclass(frozen=True, slots=True)
class Enclosure:
    """One enclosure of the room.

    Attributes
    ----------
    id, name, profile : str
        Its key, what the keeper calls it, and its species profile.
    rack : str
    level, slot : int
        Where it stands.
    box : Box
    equipment : Equipment
    lights_on, lights_off : str
        Local wall-clock `HH:MM`; off before on crosses midnight.
    misting : tuple of MistingTime
    """

    id: str
    name: str
    profile: str
    rack: str
    level: int
    slot: int
    box: Box
    equipment: Equipment
    lights_on: str
    lights_off: str
    misting: tuple[MistingTime, ...] = ()


@dataclass(frozen=True, slots=True)
class Channel:
    """One quantity of a probe, where it hangs, and how its messages name it."""

    quantity: str
    enclosure: str
    zone: str
    pointer: str | None = None
    unit: str | None = None


@dataclass(frozen=True, slots=True)
class Probe:
    """A device that measures and sends.

    Attributes
    ----------
    id, model, topic : str
        Its key, its catalogue key, where it publishes.
    channels : tuple of Channel
    format : str
        `json` or `scalar`.
    every : float
        Cadence. [s]
    time_pointer : str or None
        Where it puts its own time, when it has a clock.
    time_style : str
        `iso`, `epoch-s` or `epoch-ms`.
    jitter : float
        A message is late by a random 0 to this. [s]
    drop_rate : float
        Share of messages that never arrive.
    gateway : str
        What relays it.
    """

    id: str
    model: str
    topic: str
    channels: tuple[Channel, ...]
    format: Format = "json"
    every: float = 60.0
    time_pointer: str | None = None
    time_style: Literal["iso", "epoch-s", "epoch-ms"] = "iso"
    jitter: float = 1.0
    drop_rate: float = 0.0
    gateway: str = "gateway-1"


@dataclass(frozen=True, slots=True)
class Fault:
    """Something that goes wrong from a time on until it is mended.

    Attributes
    ----------
    kind : str
        `stuck-thermostat` (the lamp, or else the heater, at full power whatever the warmth, timer still working) ·
        `welded-relay` (the same, by night too) · `dead-lamp` · `dead-pump` · `clogging-nozzle` · `lights-stuck-on` ·
        `lights-late` · `water-leak` (a valve that does not close, a bowl that runs over) · `stuck-probe` ·
        `wet-probe` · `silent-probe` · `drifting-probe` · `glitching-probe` (now and then a value that its element
        cannot measure) · `gateway-cut` · `power-cut`.
    where : str
        An enclosure, a probe, a gateway, or the room, by its id.
    start_ms, end_ms : int
        UTC. [ms]
    severity : float
        `clogging-nozzle`: share of the flow lost by the end, straight down; `lights-late`: hours late;
        `drifting-probe`: units of the quantity a day; `water-leak`: grams a minute; `glitching-probe`: share of its
        messages; `stuck-thermostat` and `welded-relay`: share of full power.
        Others do not use it.
    """

    kind: FaultKind
    where: str
    start_ms: int
    end_ms: int
    severity: float = 1.0


@dataclass(frozen=True, slots=True)
class HandMisting:
    """A keeper with a spray bottle, outside any schedule: when, and how much water. [ms UTC], [g]."""

    enclosure: str
    at_ms: int
    grams: float


@dataclass(frozen=True, slots=True)
class Stay:
    """An animal in an enclosure, from a time on, until a time or still. [ms UTC]."""

    enclosure: str
    start_ms: int
    end_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Animal:
    """An invented animal, and where it has been kept."""

    name: str
    species: str
    stays: tuple[Stay, ...]


@dataclass(frozen=True, slots=True)
class Fitting:
    """A piece of equipment that wears out: what, where, since when, and after how many months it is due. [ms UTC]."""

    enclosure: str
    kind: str
    installed_ms: int
    replace_after_months: float


@dataclass(frozen=True, slots=True)
class RoomClimate:
    """The room around the enclosures and the weather around the room.

    Attributes
    ----------
    latitude, longitude : float
        [°], north and east positive.
    yearly_mean, yearly_swing, day_swing : float
        Outside: mean, half the difference of the seasons, warming by full sun. [°C]
    heating_day, heating_night : float
        Settings of the room's heating, day from 07:00 to 21:00 local. [°C]
    heating_power, solar_gain, enclosure_gain : float
        Warming by the heating at full, by full sun, by all the lamps. [K/h]
    loss_hours : float
        Time constant to the outside, vents shut. [h]
    vent_above : float
        Vents open above it. [°C]
    cooling_above, cooling_power : float
        Setting and strength of an air conditioner; zero power where there is none. [°C], [K/h]
    air_changes : float
        [1/h]
    moisture_gain : float
        Water given off by plants and wet floors. [g/m³ in an hour]
    highest_humidity : float
        What a dehumidifier lets stand. [%RH]
    """

    latitude: float = 38.7
    longitude: float = -9.1
    yearly_mean: float = 16.5
    yearly_swing: float = 5.5
    day_swing: float = 11.0
    heating_day: float = 22.0
    heating_night: float = 20.0
    heating_power: float = 3.5
    solar_gain: float = 1.2
    enclosure_gain: float = 0.5
    loss_hours: float = 5.0
    vent_above: float = 24.5
    cooling_above: float = 22.3
    cooling_power: float = 5.0
    air_changes: float = 0.8
    moisture_gain: float = 1.2
    highest_humidity: float = 55.0


@dataclass(frozen=True, slots=True)
class Scene:
    """A whole room, ready to be simulated.

    Attributes
    ----------
    name, room, timezone : str
        The site's name, the room's id, an IANA time zone.
    climate : RoomClimate
    enclosures : tuple of Enclosure
    probes : tuple of Probe
    faults : tuple of Fault
    hand_mistings : tuple of HandMisting
    animals : tuple of Animal
    fittings : tuple of Fitting
        Neither changes the physics: they are for the room file.
    """

    name: str
    room: str
    timezone: str
    climate: RoomClimate
    enclosures: tuple[Enclosure, ...]
    probes: tuple[Probe, ...] = ()
    faults: tuple[Fault, ...] = ()
    hand_mistings: tuple[HandMisting, ...] = ()
    animals: tuple[Animal, ...] = ()
    fittings: tuple[Fitting, ...] = ()

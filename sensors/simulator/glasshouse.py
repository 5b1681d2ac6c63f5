"""An invented breeding room in a glasshouse: 24 enclosures, eight species, a month of troubles and some of now."""

from dataclasses import dataclass, replace
from datetime import datetime
from zoneinfo import ZoneInfo

from sensors.simulator.keepings import KEEPINGS, Keeping
from sensors.simulator.scene import (
    Animal,
    Channel,
    Enclosure,
    Fault,
    FaultKind,
    Fitting,
    HandMisting,
    Probe,
    RoomClimate,
    Scene,
    Stay,
)
from sensors.simulator.schedules import wall_minute

_MINUTE_MS = 60_000
_HOUR_MS = 60 * _MINUTE_MS
_DAY_MS = 24 * _HOUR_MS

_FROGS, _CRESTED = KEEPINGS["dendrobates-tinctorius"], KEEPINGS["correlophus-ciliatus"]
_DAY_GECKOS, _TREE = KEEPINGS["phelsuma-grandis"], KEEPINGS["morelia-viridis"]
_CORN, _LEOPARD = KEEPINGS["pantherophis-guttatus"], KEEPINGS["eublepharis-macularius"]
_DRAGONS, _ROYAL = KEEPINGS["pogona-vitticeps"], KEEPINGS["python-regius"]
# Some rooms run reversed light for animals of the night, so that they are awake when the keeper is.
_ROYAL_REVERSED = replace(_ROYAL, lights_on="19:00", lights_off="07:00")

_RACKS: dict[str, tuple[tuple[Keeping, ...], ...]] = {
    "A": (
        (_FROGS, _FROGS, _FROGS),
        (_FROGS, _CRESTED, _CRESTED),
        (_CRESTED, _DAY_GECKOS, _DAY_GECKOS),
    ),
    "B": (
        (_TREE, _TREE, _DAY_GECKOS),
        (_CRESTED, _CORN, _CORN),
        (_CORN, _LEOPARD, _LEOPARD),
    ),
    "C": (
        (_DRAGONS, _DRAGONS, _DRAGONS),
        (_ROYAL, _ROYAL, _ROYAL_REVERSED),
    ),
}
_UVB_FROM = 2.0  # Index from which the lamp is there for UVB.
_TOP_MODELS = ("sht31", "sht40", "am2302", "bme280")


def _enclosures() -> tuple[Enclosure, ...]:
    numbers: dict[str, int] = {}
    made: list[Enclosure] = []
    for rack, levels in _RACKS.items():
        for level, keepings in enumerate(levels, start=1):
            for slot, keeping in enumerate(keepings, start=1):
                number = numbers[keeping.title] = numbers.get(keeping.title, 0) + 1
                made.append(keeping.enclosure(number, rack, level, slot))
    return tuple(made)


def _short(enclosure: Enclosure) -> str:
    return f"{enclosure.rack.lower()}{enclosure.level}-{enclosure.slot}"


def _probe(enclosure: Enclosure, part: str, model: str, *channels: Channel) -> Probe:
    key = f"{_short(enclosure)}-{part}"
    return Probe(key, model, f"probes/{key}", channels, gateway=f"gateway-{enclosure.rack.lower()}", drop_rate=0.002)


def _top(enclosure: Enclosure, number: int) -> Probe:
    """Return the humidity and temperature probe: half of them have a clock, one model speaks Fahrenheit."""
    model = _TOP_MODELS[number % len(_TOP_MODELS)]
    unit = "degF" if model == "am2302" else None
    nested = "/climate" if model == "sht40" else ""
    channels = (
        Channel("air_temperature", enclosure.id, "ambient", f"{nested}/temperature", unit),
        Channel("relative_humidity", enclosure.id, "ambient", f"{nested}/humidity"),
    )
    return replace(_probe(enclosure, "top", model, *channels), time_pointer="/at" if number % 2 else None)


def _spot(enclosure: Enclosure, number: int) -> Probe:
    """Return the thermometer on the basking surface, or the light meter where nobody basks."""
    if enclosure.equipment.lamp_watts == 0:
        light = Channel("illuminance", enclosure.id, "canopy", "/lux")
        return _probe(enclosure, "light", "generic-light", light)
    spot = Channel("surface_temperature", enclosure.id, "basking", "/celsius")
    probe = _probe(enclosure, "spot", "ds18b20", spot)
    return replace(probe, time_pointer="/sent", time_style="epoch-s") if number % 3 == 0 else probe


def _cool(enclosure: Enclosure, number: int) -> Probe:
    model = "ntc-10k-3950" if number % 5 == 0 else "ds18b20"
    probe = _probe(enclosure, "cool", model, Channel("air_temperature", enclosure.id, "cool-end"))
    return replace(probe, format="scalar")


def _extras(enclosures: dict[str, Enclosure]) -> tuple[Probe, ...]:
    """Return what only some enclosures have: a pump's contact, and a metering plug on the light strip."""
    pumps = tuple(
        replace(
            _probe(enclosures[key], "pump", "generic-switch", Channel("switch", key, "ambient", "/on")), every=600.0
        )
        for key in ("rack-a-1-1", "rack-a-3-2", "rack-b-1-1")
    )
    plugs = tuple(
        _probe(enclosures[key], "plug", "generic-power", Channel("power", key, "canopy", "/watts"))
        for key in ("rack-c-1-1", "rack-b-2-2")
    )
    return (*pumps, *plugs)


def _probes(enclosures: tuple[Enclosure, ...]) -> tuple[Probe, ...]:
    usual = [
        probe
        for number, enclosure in enumerate(enclosures)
        for probe in (_top(enclosure, number), _spot(enclosure, number), _cool(enclosure, number))
    ]
    return (*usual, *_extras({enclosure.id: enclosure for enclosure in enclosures}))


@dataclass(frozen=True, slots=True)
class _Clock:
    """Moments counted back from now, at local wall-clock times."""

    now_ms: int
    zone: ZoneInfo

    def ago(self, days: float, clock: str) -> int:
        """Return `clock` on the local day that many days before now. [ms]."""
        day = datetime.fromtimestamp(self.now_ms / 1000.0 - days * 86_400, self.zone)
        hours, minutes = divmod(wall_minute(clock), 60)
        return int(day.replace(hour=hours, minute=minutes, second=0, microsecond=0).timestamp() * 1000)

    def minute(self) -> int:
        """Return the local minute of the day that is now."""
        now = datetime.fromtimestamp(self.now_ms / 1000.0, self.zone)
        return now.hour * 60 + now.minute


_PAST: tuple[tuple[FaultKind, str, float, str, float, float], ...] = (
    # kind, where, days ago, at, hours, severity
    ("power-cut", "glasshouse", 27, "15:10", 1.5, 1.0),
    ("dead-lamp", "rack-b-2-3", 25, "10:20", 47.0, 1.0),
    ("clogging-nozzle", "rack-a-2-2", 24, "06:00", 24 * 14.0, 0.9),
    ("dead-pump", "rack-a-3-2", 19, "07:00", 74.0, 1.0),
    ("stuck-thermostat", "rack-c-1-2", 16, "11:00", 5.0, 1.0),
    ("wet-probe", "a1-3-top", 13, "08:31", 110.0, 1.0),
    ("silent-probe", "b3-2-cool", 11, "02:40", 9.0, 1.0),
    ("gateway-cut", "gateway-b", 9, "13:05", 0.8, 1.0),
    ("lights-stuck-on", "rack-c-2-1", 8, "18:00", 15.0, 1.0),
    ("lights-late", "rack-a-3-3", 6, "05:00", 12.0, 2.5),
    ("stuck-probe", "b3-1-spot", 5, "12:15", 26.0, 1.0),
    ("drifting-probe", "a2-3-top/relative_humidity", 20, "12:00", 24 * 40.0, 0.35),
    # What still stands: a nozzle that has been clogging for two weeks.
    ("clogging-nozzle", "rack-a-1-2", 14, "06:00", 24 * 15.5, 1.0),
)


def _lit(enclosure: Enclosure, minute: int) -> bool:
    length = (wall_minute(enclosure.lights_off) - wall_minute(enclosure.lights_on)) % 1440
    return (minute - wall_minute(enclosure.lights_on)) % 1440 < length


def _present(clock: _Clock, enclosures: tuple[Enclosure, ...]) -> tuple[Fault, ...]:
    """Return the troubles of now: a probe silent for hours, and a spot that began to overheat minutes ago.

    The spot is one whose lamp is lit, and stays lit for the next two hours, whatever the hour of the day.
    """
    until = clock.now_ms + 3 * _DAY_MS
    wanted = ("rack-c-1-1", "rack-c-2-3")
    ahead = (clock.minute() + 120) % 1440
    candidates = [enclosure for enclosure in enclosures if enclosure.id in wanted]
    lit = [enclosure for enclosure in candidates if _lit(enclosure, clock.minute()) and _lit(enclosure, ahead)]
    # At dusk and dawn neither lamp stays lit: then the relay is welded, which no timer mends.
    kind: FaultKind = "stuck-thermostat" if lit else "welded-relay"
    spot = (lit or candidates)[0]
    return (
        Fault(kind, spot.id, clock.now_ms - 6 * _MINUTE_MS, until),
        Fault("silent-probe", "b2-1-cool", clock.now_ms - 3 * _HOUR_MS, until),
    )


_NAMES = (
    "Amber", "Basil", "Clover", "Dahlia", "Elder", "Fennel", "Ginger", "Hazel", "Iris", "Jasper", "Kale", "Laurel",
    "Maple", "Nettle", "Olive", "Pepper", "Quince", "Rowan", "Sage", "Thyme", "Umber", "Violet", "Willow", "Yarrow",
)  # fmt: skip


def _animals(clock: _Clock, enclosures: tuple[Enclosure, ...]) -> tuple[Animal, ...]:
    """Return one animal for each enclosure; two corn snakes changed places twelve days ago."""
    came, moved = clock.ago(200, "10:00"), clock.ago(12, "17:30")
    swapped = {"rack-b-2-2": "rack-b-2-3", "rack-b-2-3": "rack-b-2-2"}
    animals: list[Animal] = []
    for name, enclosure in zip(_NAMES, enclosures, strict=True):
        species = enclosure.profile.replace("-", " ").capitalize()
        other = swapped.get(enclosure.id)
        stays = (Stay(enclosure.id, came),)
        if other is not None:
            stays = (Stay(other, came, moved), Stay(enclosure.id, moved))
        animals.append(Animal(name, species, stays))
    return tuple(animals)


def _fittings(clock: _Clock, enclosures: tuple[Enclosure, ...]) -> tuple[Fitting, ...]:
    """Return the lamps that age unseen: UVB is changed every eight months, and one is overdue."""
    return tuple(
        Fitting(enclosure.id, "uvb-lamp", clock.ago(40 + 38 * (number % 7), "11:00"), 8.0)
        for number, enclosure in enumerate(enclosures)
        if enclosure.equipment.uv_index >= _UVB_FROM
    )


def glasshouse(now_ms: int, timezone: str = "Europe/Lisbon") -> Scene:
    """Return the room as it stands at a moment, with the troubles of the month before and of the minutes after.

    Parameters
    ----------
    now_ms : int
        Where history ends and live probes begin. [ms UTC]
    timezone : str
        IANA.

    Returns
    -------
    Scene
    """
    clock = _Clock(now_ms, ZoneInfo(timezone))
    # The two spots that overheat live have lamps with more reserve, so that it takes minutes and not half an hour.
    enclosures = tuple(
        replace(enclosure, equipment=replace(enclosure.equipment, lamp_watts=100.0))
        if enclosure.id in {"rack-c-1-1", "rack-c-2-3"}
        else enclosure
        for enclosure in _enclosures()
    )
    past = tuple(
        Fault(kind, where, clock.ago(days, at), clock.ago(days, at) + int(hours * _HOUR_MS), severity)
        for kind, where, days, at, hours, severity in _PAST
    )
    return Scene(
        name="Glasshouse",
        room="glasshouse",
        timezone=timezone,
        climate=RoomClimate(),
        enclosures=enclosures,
        probes=_probes(enclosures),
        faults=past + _present(clock, enclosures),
        animals=_animals(clock, enclosures),
        fittings=_fittings(clock, enclosures),
        hand_mistings=(
            HandMisting("rack-c-2-2", clock.ago(10, "14:20"), 30.0),
            HandMisting("rack-b-3-2", clock.ago(4, "18:05"), 20.0),
            HandMisting("rack-a-3-2", clock.ago(18, "12:45"), 45.0),
        ),
    )

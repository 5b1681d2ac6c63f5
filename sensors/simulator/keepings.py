"""How eight species are kept in the invented rooms: boxes, equipment and hours, sized as a keeper would.

Settings aim at the middle of published husbandry figures; they serve a simulation and are no advice.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from sensors.simulator.network import lamp_for
from sensors.simulator.scene import Box, Enclosure, Equipment, MistingTime

_RESERVE = 7.0  # A lamp is chosen so that it reaches more than it is set to, on the room's coldest day. [°C]


@dataclass(frozen=True, slots=True)
class Keeping:
    """One way to keep a species.

    Attributes
    ----------
    profile, title : str
        The species profile, and the plain name of its animals.
    box : Box
    equipment : Equipment
    basking : bool
        Whether there is a basking lamp; its size follows from the box.
    lights_on, lights_off : str
        Local wall-clock.
    misting : tuple of MistingTime
    """

    profile: str
    title: str
    box: Box
    equipment: Equipment
    basking: bool
    lights_on: str = "07:30"
    lights_off: str = "19:30"
    misting: tuple[MistingTime, ...] = ()

    def enclosure(self, number: int, rack: str, level: int, slot: int) -> Enclosure:
        """Return an enclosure kept so, at a place, with its lamp chosen."""
        equipment = self.equipment
        if self.basking:
            reach = equipment.lamp_set + _RESERVE
            equipment = replace(equipment, lamp_watts=lamp_for(self.box, reach, equipment.light_watts))
        return Enclosure(
            id=f"rack-{rack.lower()}-{level}-{slot}",
            name=f"{self.title} {number}",
            profile=self.profile,
            rack=rack,
            level=level,
            slot=slot,
            box=self.box,
            equipment=equipment,
            lights_on=self.lights_on,
            lights_off=self.lights_off,
            misting=self.misting,
        )


def _twice(first: str, second: str, seconds: float = 45.0) -> tuple[MistingTime, ...]:
    return MistingTime(first, seconds), MistingTime(second, seconds)


_TROPIC_GLASS = Box("glass", 0.45, 0.45, 0.60, 3.0, 0.18, substrate_openness=0.27)
_TALL_GLASS = Box("glass", 0.60, 0.45, 0.60, 5.0, 0.27, substrate_openness=0.26)
_DENSE_GLASS = Box("glass", 0.45, 0.45, 0.60, 2.5, 0.14, substrate_openness=0.13)
_TALL_MESH = Box("mesh", 0.60, 0.45, 0.90, 40.0, 0.45, substrate_openness=0.15)
_LOW_GLASS = Box("glass", 0.90, 0.45, 0.45, 2.0, 0.10, substrate_openness=0.03, substrate_filled=0.3)
_MOIST_LOW_GLASS = replace(_LOW_GLASS, air_changes=1.4, substrate_openness=0.04, substrate_filled=0.5)
_WIDE_GLASS = Box("glass", 1.20, 0.60, 0.60, 4.0, 0.10, substrate_openness=0.02, substrate_filled=0.1)
_SNAKE_GLASS = Box("glass", 1.20, 0.60, 0.50, 1.2, 0.15, substrate_openness=0.08)
_TREE_GLASS = Box("glass", 0.90, 0.60, 0.80, 2.0, 0.30, substrate_openness=0.13)

_ALL = (
    Keeping(
        "dendrobates-tinctorius", "Dart frogs", _TROPIC_GLASS,
        Equipment(light_watts=25.0, lux=9000.0, pump_flow=1.0), basking=False,
        misting=(*_twice("08:30", "15:30"), MistingTime("22:00", 45.0)),
    ),
    Keeping(
        "correlophus-ciliatus", "Crested geckos", _DENSE_GLASS,
        Equipment(light_watts=22.0, lux=6000.0, uv_index=1.0, pump_flow=0.7), basking=False,
        misting=_twice("08:30", "20:00"),
    ),
    Keeping(
        "phelsuma-grandis", "Day geckos", _TALL_GLASS,
        Equipment(lamp_set=33.0, light_watts=30.0, lux=14_000.0, uv_index=2.0), basking=True,
        misting=_twice("08:30", "15:30"),
    ),
    Keeping(
        "morelia-viridis", "Tree pythons", _TREE_GLASS,
        Equipment(lamp_set=31.0, heater_watts=80.0, heater_day=28.5, heater_night=25.0, light_watts=25.0,
                  uv_index=1.0, pump_flow=2.0), basking=True,
        misting=_twice("09:00", "18:00"),
    ),
    Keeping(
        "pantherophis-guttatus", "Corn snakes", _MOIST_LOW_GLASS,
        Equipment(lamp_set=32.0, heater_watts=15.0, heater_day=24.0, heater_night=20.5, light_watts=15.0, lux=5000.0,
                  uv_index=1.0), basking=True,
        misting=(MistingTime("08:00", 15.0),),
    ),
    Keeping(
        "eublepharis-macularius", "Leopard geckos", _LOW_GLASS,
        Equipment(lamp_set=32.0, heater_watts=25.0, heater_day=28.0, heater_night=21.5, light_watts=15.0,
                  lux=4000.0, uv_index=1.0), basking=True,
    ),
    Keeping(
        "pogona-vitticeps", "Bearded dragons", _WIDE_GLASS,
        Equipment(lamp_set=38.0, light_watts=30.0, lux=22_000.0, uv_index=4.0), basking=True,
    ),
    Keeping(
        "python-regius", "Royal pythons", _SNAKE_GLASS,
        Equipment(lamp_set=33.0, heater_watts=100.0, heater_day=29.8, heater_night=24.7, light_watts=15.0,
                  lux=3000.0, uv_index=1.0, pump_flow=2.0), basking=True,
        misting=(MistingTime("09:00", 30.0),),
    ),
)  # fmt: skip

KEEPINGS: Mapping[str, Keeping] = MappingProxyType({keeping.profile: keeping for keeping in _ALL})
"""One way for each species, by its profile."""

MESH_DAY_GECKOS = replace(
    KEEPINGS["phelsuma-grandis"], box=_TALL_MESH, misting=(*_twice("08:30", "15:30"), *_twice("11:30", "18:00"))
)
"""The same species behind mesh, which loses humidity fast and so needs twice the misting."""

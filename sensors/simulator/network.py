"""The heat balance of an enclosure: six lumps of heat joined by conductances, stepped exactly.

Lumps: basking surface, warm-end air, cool-end air, walls, substrate, lamp body. Between two steps the heat put in is
constant, so the linear balance has an exact solution (matrix exponential) that is stable at any step and conserves
energy. Coefficients are of the size found in heat-transfer tables for still room air (5 to 10 W/(m²·K) for convection
and radiation together) and common practice, no source, for the rest.
"""

from dataclasses import dataclass

import numpy as np

from sensors.simulator.moist_air import Floats
from sensors.simulator.scene import Box, Enclosure

SURFACE, WARM_AIR, COOL_AIR, WALLS, SUBSTRATE, LAMP_BODY = range(6)
LUMPS = 6

AIR_HEAT = 1206.0  # Density times specific heat at 20 °C. [J/(m³·K)]
_DECOR_HEAT = 8000.0  # Branches, roots and leaves that follow the air. [J/(m³·K)]
_SLAB_HEAT = 950.0  # A flat stone or branch of about 1 kg under the lamp. [J/K]
_SLAB_AREA = 0.06  # Both sides. [m²]
_SUBSTRATE_HEAT = 1.4e6  # Moist soil. [J/(m³·K)]
_LAMP_HEAT = 100.0  # [J/K]
_LAMP_TO_AIR = 0.3  # [W/K]
_WALL_HEAT = {"glass": 10_500.0, "mesh": 4_000.0}  # 5 mm glass; plastic sheet. [J/(m²·K)]
_SOLID_SHARE = {"glass": 1.0, "mesh": 0.3}  # Share of the sides that is no mesh.
_MIXING_TIME = 75.0  # Air of one end is replaced from the other. [s]
_AIR_TO_WALL = 6.0  # [W/(m²·K)]
_WALL_TO_ROOM = 7.0  # Neighbours on the rack keep a part of it warm. [W/(m²·K)]
_SLAB_TO_AIR = 12.0  # Radiation to all sides included. [W/(m²·K)]
_SUBSTRATE_TO_AIR = 6.0  # [W/(m²·K)]
_FLOOR_TO_ROOM = 1.5  # [W/(m²·K)]

# Where each watt goes, by lump; what is missing from 1 leaves through the top unseen.
LAMP_SPLIT = np.array([0.17, 0.0, 0.0, 0.12, 0.08, 0.35])
HEATER_SPLIT = np.array([0.01, 0.45, 0.14, 0.05, 0.25, 0.0])
LIGHT_SPLIT = np.array([0.03, 0.20, 0.20, 0.05, 0.20, 0.0])


@dataclass(frozen=True, slots=True)
class Network:
    """The balance of all enclosures, ready to step.

    Attributes
    ----------
    capacity : ndarray, shape (enclosures, lumps)
        [J/K]
    conductance : ndarray, shape (enclosures, lumps, lumps)
        Symmetric, zero diagonal. [W/K]
    to_room : ndarray, shape (enclosures, lumps)
        [W/K]
    """

    capacity: Floats
    conductance: Floats
    to_room: Floats

    def laplacian(self) -> Floats:
        """Return what a temperature vector is multiplied with to give the heat that leaves each lump. [W/K]."""
        leaving = self.conductance.sum(axis=2) + self.to_room
        return leaving[:, :, None] * np.eye(LUMPS) - self.conductance

    def step_matrices(self, seconds: float) -> tuple[Floats, Floats]:
        """Return the exact step: `T' = keep @ T + gain @ q`, q constant heat into each lump. [W].

        Parameters
        ----------
        seconds : float
            Length of the step. [s]

        Returns
        -------
        keep, gain : ndarray, shape (enclosures, lumps, lumps)
            [1], [K/W]
        """
        root = np.sqrt(self.capacity)
        symmetric = self.laplacian() / (root[:, :, None] * root[:, None, :])
        rates, modes = np.linalg.eigh(symmetric)
        decay = np.exp(-rates * seconds)
        turned = np.swapaxes(modes, 1, 2)
        keep = (modes * decay[:, None, :]) @ turned * root[:, None, :] / root[:, :, None]
        gain = (modes * ((1.0 - decay) / rates)[:, None, :]) @ turned / (root[:, None, :] * root[:, :, None])
        return keep, gain

    def steady(self, heat: Floats, room: float) -> Floats:
        """Return the temperatures at which all rests.

        Parameters
        ----------
        heat : ndarray, shape (enclosures, lumps)
            Into each lump. [W]
        room : float
            [°C]

        Returns
        -------
        ndarray, shape (enclosures, lumps)
            [°C]
        """
        rest = np.linalg.solve(self.laplacian(), (heat + self.to_room * room)[:, :, None])
        return np.asarray(rest[:, :, 0], dtype=np.float64)


def wall_area(box: Box) -> float:
    """Return the solid area of sides and top. [m²]."""
    sides = 2.0 * (box.width + box.depth) * box.height + box.floor_area
    return sides * _SOLID_SHARE[box.kind]


def _capacities(box: Box) -> Floats:
    half_air = 0.5 * box.volume * (AIR_HEAT + _DECOR_HEAT)
    walls = _WALL_HEAT[box.kind] * wall_area(box)
    substrate = _SUBSTRATE_HEAT * box.floor_area * box.substrate_depth
    return np.array([_SLAB_HEAT, half_air, half_air, walls, substrate, _LAMP_HEAT])


def _conductances(box: Box) -> Floats:
    joined = np.zeros((LUMPS, LUMPS))
    walls = wall_area(box)
    joined[WARM_AIR, COOL_AIR] = 0.5 * box.volume * AIR_HEAT / _MIXING_TIME
    joined[WARM_AIR, WALLS] = joined[COOL_AIR, WALLS] = 0.5 * _AIR_TO_WALL * walls
    joined[WARM_AIR, SUBSTRATE] = joined[COOL_AIR, SUBSTRATE] = 0.5 * _SUBSTRATE_TO_AIR * box.floor_area
    joined[SURFACE, WARM_AIR] = _SLAB_TO_AIR * _SLAB_AREA
    joined[LAMP_BODY, WARM_AIR] = _LAMP_TO_AIR
    return joined + joined.T


def _to_room(box: Box) -> Floats:
    losses = np.zeros(LUMPS)
    ventilation = box.air_changes * box.volume / 3600.0 * AIR_HEAT
    losses[WARM_AIR] = losses[COOL_AIR] = 0.5 * ventilation
    losses[WALLS] = _WALL_TO_ROOM * wall_area(box)
    losses[SUBSTRATE] = _FLOOR_TO_ROOM * box.floor_area
    return losses


def network_of(boxes: list[Box]) -> Network:
    """Return the heat balance of these bodies, in their order."""
    return Network(
        np.array([_capacities(box) for box in boxes]),
        np.array([_conductances(box) for box in boxes]),
        np.array([_to_room(box) for box in boxes]),
    )


def lamp_for(box: Box, basking: float, light_watts: float, room: float = 20.0) -> float:
    """Return the lamp that a keeper would choose for a basking spot.

    Parameters
    ----------
    box : Box
    basking : float
        What the surface must be able to reach. [°C]
    light_watts : float
        The light strip helps. [W]
    room : float
        The coldest day of the room. [°C]

    Returns
    -------
    float
        The smallest common size that reaches it. [W]

    Raises
    ------
    ValueError
        If none of up to 250 W does.
    """
    network = network_of([box])
    cold, warmed = (
        float(network.steady((LIGHT_SPLIT * light_watts + LAMP_SPLIT * watts)[None], room)[0, SURFACE])
        for watts in (0.0, 1.0)
    )
    needed = (basking - cold) / (warmed - cold)
    for size in (25.0, 35.0, 50.0, 75.0, 100.0, 125.0, 150.0, 200.0, 250.0):
        if size >= needed:
            return size
    raise ValueError(
        f"a basking spot of {basking} °C needs {needed:.0f} W here, expected at most 250 W: use a smaller box"
    )


def network_for(enclosures: tuple[Enclosure, ...]) -> Network:
    """Return the heat balance of these enclosures, in their order."""
    return network_of([enclosure.box for enclosure in enclosures])

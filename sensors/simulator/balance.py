"""The state of all enclosures and its step: heat and water, many enclosures at once, few array operations.

Water is a density in well-mixed air, and a mass in four places: drops in the air, a film on leaves, a film on the
walls, and the substrate. It leaves a place by evaporation and comes back by condensation, driven by the difference of
the saturated density at that place's temperature and the air's; the air exchanges with the room. The air's new
density is found implicitly, so that the step is stable and water is conserved to rounding.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from sensors.simulator.moist_air import (
    KELVIN,
    LATENT_HEAT,
    LOG_SCALE,
    MAGNUS_C,
    MAGNUS_FALL,
    Floats,
    saturation_density,
)
from sensors.simulator.network import (
    COOL_AIR,
    HEATER_SPLIT,
    LAMP_SPLIT,
    LUMPS,
    SUBSTRATE,
    SURFACE,
    WALLS,
    WARM_AIR,
    network_for,
    wall_area,
)
from sensors.simulator.scene import Enclosure

# Rows of the state; the first twelve are what the next temperatures are computed from.
TEMPERATURES = slice(0, LUMPS)
LAMP, HEATER = LUMPS, LUMPS + 1
EVAPORATION = slice(LUMPS + 2, LUMPS + 6)
VAPOUR = LUMPS + 6
WATER = slice(LUMPS + 7, LUMPS + 11)
DRAINED = LUMPS + 11
ROWS = LUMPS + 12
DROPS, LEAVES, PANES, SOIL = range(4)
PLACES = 4

# Transfer coefficient from heat transfer over density and specific heat (Lewis), 5 W/(m²·K) and more. [m/s]
_TRANSFER = {"glass": 0.004, "mesh": 0.006}
_LEAF_FILM = 0.04  # What leaves hold before they drip. [kg/m²]
_PANE_FILM = 0.030  # What walls hold before they run. [kg/m²]
_SOIL_HOLDS = 300.0  # [kg/m³]
_DROP_TRANSFER = 1.0  # Of drops of about 50 µm. [m³/(s·kg)]
_DROP_SETTLING = 30.0  # [s]
SPRAY_SHARES = np.array([0.04, 0.18, 0.06, 0.72])
"""Where sprayed water goes at first: drops, leaves, panes, substrate; most nozzles are coarse."""
_SETTLING_SHARES = np.array([0.5, 0.2, 0.3])


@dataclass(frozen=True, slots=True)
class WaterParts:
    """Sizes of the water balance, by place and enclosure.

    Attributes
    ----------
    transfer : ndarray, shape (places, enclosures)
        Air that passes a fully wet place. [m³/s]
    holds : ndarray, shape (places, enclosures)
        Water that makes it fully wet; more runs off. [kg]
    volume, exchange : ndarray, shape (enclosures,)
        [m³], [m³/s]
    """

    transfer: Floats
    holds: Floats
    volume: Floats
    exchange: Floats


def water_parts(enclosures: tuple[Enclosure, ...]) -> WaterParts:
    """Return the sizes of the water balance of these enclosures."""
    transfer, holds = np.empty((PLACES, len(enclosures))), np.empty((PLACES, len(enclosures)))
    for column, enclosure in enumerate(enclosures):
        box = enclosure.box
        speed, walls = _TRANSFER[box.kind], wall_area(box)
        soil = box.floor_area * box.substrate_depth * _SOIL_HOLDS
        holds[:, column] = 1.0, _LEAF_FILM * box.leaf_area, _PANE_FILM * walls, soil
        transfer[:, column] = (
            _DROP_TRANSFER,
            speed * box.leaf_area,
            speed * walls,
            speed * box.floor_area * box.substrate_openness,
        )
    volume = np.array([enclosure.box.volume for enclosure in enclosures])
    changes = np.array([enclosure.box.air_changes for enclosure in enclosures])
    return WaterParts(transfer, holds, volume, volume * changes / 3600.0)


@dataclass(frozen=True, slots=True)
class Forcing:
    """What drives a span of steps, known before it is stepped.

    Attributes
    ----------
    heat : ndarray, shape (steps, lumps, enclosures)
        From the light strip and the room, as the change that it makes. [°C]
    power : ndarray, shape (steps, 2, enclosures)
        What lamp and heater draw when their thermostat closes. [W]
    closes_below, opens_above : ndarray, shape (steps, 2, enclosures)
        The thermostats' switching points. [°C]
    sprayed : ndarray, shape (steps, places, enclosures)
        [kg]
    room_vapour : ndarray, shape (steps, 1)
        [kg/m³]
    """

    heat: Floats
    power: Floats
    closes_below: Floats
    opens_above: Floats
    sprayed: Floats
    room_vapour: Floats


def start_state(enclosures: tuple[Enclosure, ...], room: float, vapour: float) -> Floats:
    """Return a state at rest at the room's temperature [°C] and vapour [kg/m³], shape (rows, enclosures)."""
    state = np.zeros((ROWS, len(enclosures)))
    state[TEMPERATURES] = room
    state[VAPOUR] = min(vapour, 0.95 * float(saturation_density(np.array(room))))
    filled = np.array([enclosure.box.substrate_filled for enclosure in enclosures])
    state[WATER][SOIL] = water_parts(enclosures).holds[SOIL] * filled
    return state


def heat_matrix(enclosures: tuple[Enclosure, ...], seconds: float) -> tuple[Floats, Floats]:
    """Return how the next temperatures follow from the state's first rows, and from heat put into each lump.

    Returns
    -------
    step : ndarray, shape (enclosures, lumps, lumps + 2 + places)
        For temperatures, lamp and heater power, evaporation.
    gain : ndarray, shape (enclosures, lumps, lumps)
        [K/W]
    """
    keep, gain = network_for(enclosures).step_matrices(seconds)
    taken = np.zeros((LUMPS, PLACES))
    taken[WARM_AIR, DROPS] = 1.0
    taken[WARM_AIR, LEAVES] = taken[COOL_AIR, LEAVES] = 0.5
    taken[WALLS, PANES] = 1.0
    taken[SUBSTRATE, SOIL] = 1.0
    lamp, heater = (gain @ split for split in (LAMP_SPLIT, HEATER_SPLIT))
    latent = gain @ (-LATENT_HEAT * taken)
    return np.concatenate([keep, lamp[:, :, None], heater[:, :, None], latent], axis=2), gain


Step = Callable[[int], None]


def _heat_step(state: Floats, matrix: Floats, forcing: Forcing) -> Step:
    """Return the thermal step: thermostats first, then all lumps at once."""
    sensed, power = state[SURFACE : WARM_AIR + 1], state[LAMP : HEATER + 1]
    temperatures, drivers = state[TEMPERATURES], state[: LUMPS + 2 + PLACES]
    columns = np.ascontiguousarray(np.moveaxis(matrix, 0, 2))
    products = np.empty_like(columns)
    closed = power > 0
    below, above = np.empty_like(closed), np.empty_like(closed)
    less, both, either, multiply, add = np.less, np.logical_and, np.logical_or, np.multiply, np.add
    total = np.add.reduce
    closes, opens, available, heat = forcing.closes_below, forcing.opens_above, forcing.power, forcing.heat

    def step(index: int) -> None:
        less(sensed, closes[index], below)
        less(sensed, opens[index], above)
        both(closed, above, above)
        either(below, above, closed)
        multiply(closed, available[index], power)
        multiply(columns, drivers, products)
        total(products, 1, None, out=temperatures)
        add(temperatures, heat[index], temperatures)

    return step


def _saturation(places: Floats, saturated: Floats) -> Callable[[], None]:
    """Return the update of the saturated density at each place, as `saturation_density` without new arrays."""
    kelvin = np.empty_like(saturated)
    add, divide, exp = np.add, np.divide, np.exp

    def saturate() -> None:
        add(places, MAGNUS_C, saturated)
        divide(MAGNUS_FALL, saturated, saturated)
        add(saturated, LOG_SCALE, saturated)
        exp(saturated, saturated)
        add(places, KELVIN, kelvin)
        divide(saturated, kelvin, saturated)

    return saturate


def _evaporation_step(state: Floats, parts: WaterParts, seconds: float, forcing: Forcing) -> Step:
    """Return the step of the air's vapour and of what each place gives off or takes."""
    places, vapour, water, flux = state[WARM_AIR : SUBSTRATE + 1], state[VAPOUR], state[WATER], state[EVAPORATION]
    saturated, wet = np.empty_like(water), np.empty_like(water)
    saturate = _saturation(places, saturated)
    sums = np.empty((2, *water.shape))
    given, offered = sums[:1].reshape(water.shape), sums[1:].reshape(water.shape)
    condensing = np.zeros(water.shape, dtype=np.bool_)
    wet_solid, condensing_solid = wet[LEAVES:], condensing[LEAVES:]
    per_full = 1.0 / parts.holds
    per_second = parts.volume / seconds
    fixed = per_second + parts.exchange
    totals = np.empty((2, vapour.size))
    room = forcing.room_vapour * parts.exchange
    add, divide, multiply, minimum = np.add, np.divide, np.multiply, np.minimum
    maximum, less, subtract, total = np.maximum, np.less, np.subtract, np.add.reduce
    transfer, passing = parts.transfer, totals[0]
    incoming = totals[1]
    held = np.empty_like(vapour)

    def step(index: int) -> None:
        saturate()
        multiply(water, per_full, wet)
        minimum(wet, 1.0, out=wet)
        less(saturated, vapour, condensing)
        maximum(wet_solid, condensing_solid, out=wet_solid)  # a surface below the dew point takes water when dry too
        multiply(transfer, wet, given)
        multiply(given, saturated, offered)
        total(sums, 1, None, out=totals)
        multiply(vapour, per_second, held)
        add(held, room[index], held)
        add(incoming, held, incoming)
        add(passing, fixed, passing)
        divide(incoming, passing, vapour)
        subtract(saturated, vapour, flux)
        multiply(flux, given, flux)
        multiply(water, 1.0 / seconds, wet)
        minimum(flux, wet, out=flux)  # a place gives off no more than it holds
        total(flux, 0, None, out=passing)
        add(held, passing, held)
        divide(held, fixed, vapour)

    return step


def _run_off_step(state: Floats, parts: WaterParts, seconds: float, forcing: Forcing) -> Step:
    """Return the step of liquid water: what evaporated, what was sprayed, what settles, drips and drains."""
    water, flux, drained = state[WATER], state[EVAPORATION], state[DRAINED]
    over, change = np.empty_like(water), np.empty_like(water)
    keeps = parts.holds.copy()
    keeps[DROPS] = 0.0
    rate = np.ones((PLACES, 1))
    rate[DROPS] = min(1.0, seconds / _DROP_SETTLING)
    settled = np.empty_like(water[LEAVES:])
    caught, soil = water[LEAVES:], water[SOIL]
    shares = _SETTLING_SHARES[:, None]
    sprayed = forcing.sprayed
    multiply, subtract, add, maximum = np.multiply, np.subtract, np.add, np.maximum
    falling, dripping, running, draining = over[DROPS:LEAVES], over[LEAVES], over[PANES], over[SOIL]

    def step(index: int) -> None:
        multiply(flux, seconds, change)
        subtract(water, change, water)
        add(water, sprayed[index], water)
        subtract(water, keeps, over)
        maximum(over, 0.0, out=over)
        multiply(over, rate, over)
        subtract(water, over, water)
        multiply(shares, falling, settled)
        add(caught, settled, caught)
        add(soil, dripping, soil)
        add(soil, running, soil)
        drained[:] = draining

    return step


def run_balance(state: Floats, matrix: Floats, parts: WaterParts, seconds: float, forcing: Forcing) -> Floats:
    """Step the state through a forcing.

    Parameters
    ----------
    state : ndarray, shape (rows, enclosures)
        Changed in place.
    matrix : ndarray
        As `heat_matrix` returns.
    parts : WaterParts
    seconds : float
        Length of a step. [s]
    forcing : Forcing

    Returns
    -------
    ndarray, shape (steps, rows, enclosures)
        The state at the end of each step; powers, evaporation and drained water are those of the step.
    """
    steps = forcing.power.shape[0]
    record = np.empty((steps, *state.shape))
    heat = _heat_step(state, matrix, forcing)
    evaporate = _evaporation_step(state, parts, seconds, forcing)
    run_off = _run_off_step(state, parts, seconds, forcing)
    for index in range(steps):
        heat(index)
        evaporate(index)
        run_off(index)
        record[index] = state
    return record

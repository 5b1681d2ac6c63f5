"""Dew point against tables and libraries from outside, where they too mean liquid water."""

import numpy as np
import psychrolib
import pytest
from climate_tables import rows
from metpy.calc import dewpoint_from_relative_humidity
from metpy.units import units

from service.climate.psychrometrics import dew_point, relative_humidity_of, vapour_pressure

GRID = rows("moist_air_grid.csv")


def psychrolib_dew_point(temperature: float, humidity: float) -> float:
    psychrolib.SetUnitSystem(psychrolib.SI)
    return psychrolib.GetTDewPointFromRelHum(temperature, humidity / 100)


def states(temperatures: np.ndarray, humidities: np.ndarray) -> list[tuple[float, float, float]]:
    """Return (temperature, humidity, PsychroLib's dew point) where that is 1 °C or above: lower it turns to ice."""
    found = [(float(t), float(h), psychrolib_dew_point(float(t), float(h))) for t in temperatures for h in humidities]
    return [state for state in found if state[2] >= 1]


@pytest.mark.parametrize(
    ("temperatures", "humidities", "tolerance"),
    [
        pytest.param(np.arange(10, 45.1, 2.5), np.arange(20, 101, 5), 0.04, id="10 to 45 °C, from 20 %RH"),
        pytest.param(np.arange(5, 59.1, 3), np.arange(10, 101, 5), 0.10, id="5 to 59 °C, from 10 %RH"),
    ],
)
def test_dew_point_agrees_with_psychrolib_live(
    temperatures: np.ndarray, humidities: np.ndarray, tolerance: float
) -> None:
    # Source: PsychroLib, ASHRAE 2017. Tolerances: what the two saturation formulas leave between them.
    t, h, expected = (np.array(part) for part in zip(*states(temperatures, humidities), strict=True))
    assert len(expected) > 100
    assert dew_point(t, h) == pytest.approx(expected, abs=tolerance)


def test_dew_point_agrees_with_metpy_live() -> None:
    # Source: MetPy: saturation after Ambaum 2020, inverted by Bolton 1980; not self-consistent (0.14 °C at 45 °C).
    t, h = np.meshgrid(np.arange(10.0, 41.0, 5), np.arange(30.0, 101.0, 10))
    expected = dewpoint_from_relative_humidity(units.Quantity(t, "degC"), units.Quantity(h / 100, "")).to("degC")
    assert dew_point(t, h) == pytest.approx(expected.magnitude, abs=0.15)


@pytest.mark.parametrize("row", GRID, ids=lambda row: f"{row['t_c']} °C {row['rh_pct']} %RH")
def test_dew_point_agrees_with_the_saved_grid(row: dict[str, str]) -> None:
    # Source: PsychroLib (ASHRAE 2017), CoolProp (RP-1485) and the WMO-No. 8 form, as computed in the saved grid.
    found = float(dew_point(float(row["t_c"]), float(row["rh_pct"])))
    assert found == pytest.approx(float(row["dew_point_psychrolib_c"]), abs=0.04)
    assert found == pytest.approx(float(row["dew_point_coolprop_c"]), abs=0.04)
    assert found == pytest.approx(float(row["dew_point_wmo_c"]), abs=0.0006)


def test_dew_point_of_the_published_example() -> None:
    # Source: the docstring of PsychroLib's GetTDewPointFromRelHum: 25 °C, 80 % gives 21.309 °C.
    assert dew_point(25, 80) == pytest.approx(21.309, abs=0.04)


@pytest.mark.parametrize(
    "row", rows("constant_vapour_pressure.csv"), ids=lambda row: f"{row['t1_c']} to {row['t2_c']} °C"
)
def test_humidity_along_constant_vapour_pressure_agrees_with_the_saved_table(row: dict[str, str]) -> None:
    # Source: ASHRAE 2017 equation 6 by PsychroLib. The formulas differ by 0.04 points at most; two decimals are saved.
    vapour = vapour_pressure(float(row["t1_c"]), float(row["rh1_pct"]))
    assert relative_humidity_of(float(row["t2_c"]), vapour) == pytest.approx(float(row["rh2_psychrolib_pct"]), abs=0.05)

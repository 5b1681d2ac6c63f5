"""Absolute humidity, vapour pressure and its deficit against tables and libraries from outside."""

import numpy as np
import psychrolib
import pytest
from climate_tables import given, rows

from service.climate.psychrometrics import (
    absolute_humidity,
    saturation_pressure,
    vapour_pressure,
    vapour_pressure_deficit,
)

GRID = rows("moist_air_grid.csv")
WORKED = rows("moist_air_worked_examples.csv")


@pytest.mark.parametrize("row", GRID, ids=lambda row: f"{row['t_c']} °C {row['rh_pct']} %RH")
def test_water_in_the_air_agrees_with_the_saved_grid(row: dict[str, str]) -> None:
    # Source: PsychroLib (ASHRAE 2017) and CoolProp (real moist air, RP-1485), as computed in the saved grid.
    # Tolerances: 0.35 % is the formula's; real air holds about 0.5 % more (the enhancement factor), and 0.1 % to spare.
    t, h = float(row["t_c"]), float(row["rh_pct"])
    assert vapour_pressure(t, h) == pytest.approx(float(row["e_psychrolib_pa"]), rel=0.0035)
    assert vapour_pressure_deficit(t, h) / 1000 == pytest.approx(float(row["vpd_psychrolib_kpa"]), rel=0.0035, abs=5e-5)
    assert absolute_humidity(t, h) == pytest.approx(float(row["abs_humidity_psychrolib_g_m3"]), rel=0.0035)
    assert absolute_humidity(t, h) == pytest.approx(float(row["abs_humidity_coolprop_g_m3"]), rel=0.009)


def test_absolute_humidity_agrees_with_psychrolib_live() -> None:
    # Source: PsychroLib: vapour pressure by ASHRAE 2017, mass by the ideal gas law with the CODATA gas constant
    # (8.314462618 J/(mol K)) and 18.01528 g/mol, which give 461.52 J/(kg K).
    psychrolib.SetUnitSystem(psychrolib.SI)
    t, h = (part.ravel() for part in np.meshgrid(np.arange(5.0, 51.0, 5), np.arange(10.0, 101.0, 10)))
    pressure = [psychrolib.GetVapPresFromRelHum(float(a), float(b) / 100) for a, b in zip(t, h, strict=True)]
    expected = np.array(pressure) * 18.01528 / (8.314462618 * (t + 273.15))
    assert absolute_humidity(t, h) == pytest.approx(expected, rel=0.0035)


SATURATED = [row for row in WORKED if row["quantity"] == "saturation absolute humidity"]


@pytest.mark.parametrize("row", SATURATED, ids=lambda row: row["given"])
def test_saturated_air_holds_what_public_tables_say(row: dict[str, str]) -> None:
    # Source: a table of two public reference pages, one decimal. Tolerance: its rounding and the formula's 0.35 %.
    expected = float(row["value"])
    assert absolute_humidity(given(row["given"])["t"], 100) == pytest.approx(expected, abs=0.05 + 0.0035 * expected)


def test_vapour_pressure_deficit_agrees_with_the_fao_example() -> None:
    # Source: FAO-56 example 18: es 1.997 kPa, ea 1.409 kPa, deficit 0.589 kPa, given to 0.001 kPa.
    (row,) = [row for row in WORKED if row["quantity"] == "vapour-pressure deficit"]
    of = given(row["given"])
    mean_saturation = (saturation_pressure(of["Tmax"]) + saturation_pressure(of["Tmin"])) / 2
    vapour = (vapour_pressure(of["Tmin"], of["RHmax"]) + vapour_pressure(of["Tmax"], of["RHmin"])) / 2
    assert (mean_saturation - vapour) / 1000 == pytest.approx(float(row["value"]), abs=0.001 + 0.0035 * 0.589)

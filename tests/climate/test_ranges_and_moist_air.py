import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.climate.psychrometrics import (
    absolute_humidity,
    dew_point,
    relative_humidity_of,
    saturation_pressure,
    vapour_pressure,
    vapour_pressure_deficit,
)
from service.climate.ranges import OutOfRangeError, require_within

temperatures = st.floats(-45, 60)
humidities = st.floats(1, 100)


def test_the_first_value_out_of_range_is_named_with_its_place() -> None:
    with pytest.raises(OutOfRangeError) as refused:
        require_within("relative_humidity", [50, np.nan, 99, 104, 120], 0, 100, "%RH")
    assert str(refused.value) == "relative_humidity[3] is 104 %RH, expected 0 to 100"


def test_a_value_out_of_range_in_two_dimensions_is_named_by_row_and_column() -> None:
    with pytest.raises(OutOfRangeError, match=r"^t\[1, 0\] is 61 °C, expected -45 to 60$"):
        require_within("t", [[20, 21], [61, 22]], -45, 60, "°C")


def test_a_single_value_out_of_range_is_named_without_a_place() -> None:
    with pytest.raises(OutOfRangeError, match=r"^air_temperature is 60.1 °C"):
        saturation_pressure(60.1)


@pytest.mark.parametrize("infinite", [np.inf, -np.inf])
def test_infinite_values_are_refused(infinite: float) -> None:
    with pytest.raises(OutOfRangeError):
        vapour_pressure(20, infinite)


def test_the_ends_of_a_range_are_allowed() -> None:
    assert np.all(np.isfinite(saturation_pressure([-45, 60])))
    assert vapour_pressure(20, [0, 100])[0] == 0


@pytest.mark.parametrize(
    "quantity", [vapour_pressure, dew_point, vapour_pressure_deficit, absolute_humidity], ids=lambda f: f.__name__
)
def test_unknown_values_stay_unknown_and_shapes_are_kept(quantity: object) -> None:
    result = quantity(np.array([[20.0, np.nan], [30.0, 10.0]]), np.array([[50.0, 50.0], [np.nan, 90.0]]))
    assert result.shape == (2, 2)
    assert result.dtype == np.float64
    assert np.isnan(result).tolist() == [[False, True], [True, False]]


@given(temperatures, humidities)
def test_air_at_its_dew_point_holds_the_same_vapour(temperature: float, humidity: float) -> None:
    point = dew_point(temperature, humidity)
    if not np.isnan(point):
        assert saturation_pressure(point) == pytest.approx(vapour_pressure(temperature, humidity), rel=1e-9)
        assert point <= temperature + 1e-9


@given(temperatures, st.floats(0, 100))
def test_the_deficit_and_the_vapour_make_up_saturation(temperature: float, humidity: float) -> None:
    whole = vapour_pressure(temperature, humidity) + vapour_pressure_deficit(temperature, humidity)
    assert whole == pytest.approx(saturation_pressure(temperature), rel=1e-12)


@given(temperatures, st.floats(0, 100))
def test_relative_humidity_and_vapour_pressure_are_inverse(temperature: float, humidity: float) -> None:
    assert relative_humidity_of(temperature, vapour_pressure(temperature, humidity)) == pytest.approx(humidity)


def test_dry_air_has_no_dew_point() -> None:
    assert np.isnan(dew_point(20, 0))
    assert np.isnan(dew_point(-44, 1))

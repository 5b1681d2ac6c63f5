"""Dew point against an open weather file's own column.

Source: typical meteorological year TMY2 12839 (Miami, Florida), US National Renewable Energy Laboratory, as shipped
inside pvlib. Temperature and dew point are in tenths of a degree, humidity in whole percent.
"""

from pathlib import Path

import numpy as np
import pvlib
import pytest
from pvlib.iotools import read_tmy2

from service.climate.psychrometrics import dew_point

FILE = Path(pvlib.__file__).parent / "data" / "12839.tm2"


@pytest.fixture(scope="module")
def weather() -> dict[str, np.ndarray]:
    table, _ = read_tmy2(FILE)
    columns = {name: table[name].to_numpy(dtype=float) for name in ("DryBulb", "RHum", "DewPoint")}
    temperature, dew = columns["DryBulb"] / 10, columns["DewPoint"] / 10
    # Below 0 °C such files disagree on whether their column means water or ice.
    kept = (temperature >= 0) & (dew >= 0)
    return {"temperature": temperature[kept], "humidity": columns["RHum"][kept], "dew": dew[kept]}


def test_dew_point_agrees_with_the_files_column(weather: dict[str, np.ndarray]) -> None:
    # Tolerances: other libraries part from this column by 0.058 to 0.064 °C at the median, 0.16 at the 95th percentile
    # and 0.20 to 0.22 at the 99th, most of it the rounding of humidity.
    off = np.abs(dew_point(weather["temperature"], weather["humidity"]) - weather["dew"])
    assert len(off) == 8724
    assert np.median(off) < 0.07
    assert np.percentile(off, 95) < 0.17
    assert np.percentile(off, 99) < 0.22
    assert off.max() < 0.36


def test_nearly_every_hour_lies_within_what_its_rounding_allows(weather: dict[str, np.ndarray]) -> None:
    temperature, humidity = weather["temperature"], weather["humidity"]
    low = dew_point(temperature - 0.05, humidity - 0.5) - 0.05
    high = dew_point(temperature + 0.05, np.minimum(humidity + 0.5, 100)) + 0.05
    assert np.mean((weather["dew"] >= low) & (weather["dew"] <= high)) > 0.985

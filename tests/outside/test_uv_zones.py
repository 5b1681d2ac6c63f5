import csv
import math
from pathlib import Path

import pytest

from service.climate.uv_zones import SOURCE, ZONES, zone_of_mean, zones_by_most

with (Path(__file__).parent / "data" / "uv_zones.csv").open(encoding="utf-8", newline="") as file:
    PUBLISHED = list(csv.DictReader(file))


def test_the_zones_are_those_that_were_published() -> None:
    ours = [(z.number, z.behaviour, *z.mean, *z.most) for z in ZONES]
    columns = ("mean_uvi_low", "mean_uvi_high", "max_uvi_low", "max_uvi_high")
    assert ours == [(int(r["zone"]), r["behaviour"], *(float(r[c]) for c in columns)) for r in PUBLISHED]
    assert {row["source"] for row in PUBLISHED} == {SOURCE}


@pytest.mark.parametrize(
    ("uv_index", "zone"), [(0.0, 1), (0.7, 1), (0.71, 2), (1.0, 2), (2.6, 3), (3.5, 4), (3.6, None), (math.nan, None)]
)
def test_a_mean_belongs_to_one_zone_or_lies_above_all(uv_index: float, zone: int | None) -> None:
    found = zone_of_mean(uv_index)
    assert (found and found.number) == zone


def test_maxima_overlap_and_a_negative_index_is_refused() -> None:
    assert [zone.number for zone in zones_by_most(1.2)] == [1, 2]
    assert [zone.number for zone in zones_by_most(5.0)] == [3, 4]
    assert zones_by_most(12.0) == ()
    with pytest.raises(ValueError, match="expected 0 or more"):
        zone_of_mean(-0.1)

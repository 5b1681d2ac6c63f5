"""The humidity over saturated salts against the table of OIML R 121 and Greenspan's own polynomials."""

import re

import numpy as np
import pytest
from climate_tables import rows

from service.climate.ranges import OutOfRangeError
from service.climate.reference_points import SALTS, salt_check, salt_humidity
from service.climate.uncertainty import expanded_from_limit

# A range of reported values stands where the table gives no uncertainty; those rows are no reference.
TABLE = [row for row in rows("salt_fixed_points.csv") if re.fullmatch(r"\d+(\.\d+)?", row["uncertainty_pct_rh"])]
POLYNOMIALS = {row["salt"]: row for row in rows("salt_polynomials.csv")}
ROUNDING = expanded_from_limit(0.05)


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row['salt']} at {row['t_c']}")
def test_each_row_of_the_table_is_given_with_its_uncertainty(row: dict[str, str]) -> None:
    found = salt_humidity(row["salt"], float(row["t_c"]))
    assert found.value == pytest.approx(float(row["rh_pct"]))
    # The table's own, widened for its last digit.
    assert found.uncertainty == pytest.approx(np.hypot(float(row["uncertainty_pct_rh"]), ROUNDING))


@pytest.mark.parametrize("salt", [salt for salt in SALTS if salt in POLYNOMIALS])
def test_between_the_rows_the_line_stays_within_the_uncertainty_of_the_polynomial(salt: str) -> None:
    coefficients = [float(part) for part in POLYNOMIALS[salt]["a0; a1; a2; a3"].split(";")]
    for temperature in np.linspace(SALTS[salt].lowest, SALTS[salt].highest, 101):
        known = salt_humidity(salt, float(temperature))
        fitted = float(np.polynomial.Polynomial(coefficients)(temperature))
        assert known.value == pytest.approx(fitted, abs=known.uncertainty)


def test_every_salt_with_an_uncertainty_is_known_and_no_other() -> None:
    assert set(SALTS) == {row["salt"] for row in TABLE}


@pytest.mark.parametrize("salt", SALTS)
def test_nothing_is_said_beyond_a_salts_table(salt: str) -> None:
    for outside in (SALTS[salt].lowest - 0.1, SALTS[salt].highest + 0.1):
        with pytest.raises(OutOfRangeError, match=f"the table of {re.escape(salt)} goes from"):
            salt_humidity(salt, outside)


def test_a_probe_a_little_warmer_than_the_salt_is_allowed_for() -> None:
    alone, checked = salt_humidity("NaCl", 25.0), salt_check("NaCl", 25.0, 0.0)
    # Along constant vapour pressure humidity changes about 3 points a degree at 50 %RH: 6 % of itself.
    apart = np.sqrt(checked.uncertainty**2 - alone.uncertainty**2)
    assert apart == pytest.approx(expanded_from_limit(0.2 * 0.06 * 75.3), rel=0.03)
    assert checked.value == alone.value

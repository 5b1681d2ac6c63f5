"""The examples of RFC 8428 and its rules, carried with their sources in data/senml_examples.csv."""

import csv
import json
from pathlib import Path

import pytest

from sensors.payloads import PayloadError
from sensors.payloads.senml_pack import RELATIVE_BELOW, SUPPORTED_VERSION, Record, resolve

with (Path(__file__).parent / "data" / "senml_examples.csv").open(encoding="utf-8", newline="") as file:
    ROWS = list(csv.DictReader(file))
RESOLVED = [row for row in ROWS if row["resolved_json"].startswith("[")]
REFUSED = [row for row in ROWS if row["resolved_json"].startswith("error")]


def as_json(record: Record) -> dict[str, object]:
    """Write a record as section 4.6 does; the table writes a relative time of zero as "now"."""
    written: dict[str, object] = {"n": record.name, "t": record.time if record.time >= RELATIVE_BELOW else "now"}
    if record.unit is not None:
        written["u"] = record.unit
    if record.kind is not None:
        written[record.kind] = record.value
    if record.version != SUPPORTED_VERSION:
        written["bver"] = record.version
    return written


@pytest.mark.parametrize("row", RESOLVED, ids=lambda row: row["case"])
def test_packs_resolve_as_the_standard_says(row: dict[str, str]) -> None:
    expected = json.loads(row["resolved_json"])
    found = [as_json(record) for record in resolve(json.loads(row["pack_json"]))]
    assert len(found) == len(expected)
    for one, other in zip(found, expected, strict=True):
        assert one == pytest.approx(other, abs=1e-6)


@pytest.mark.parametrize("row", REFUSED, ids=lambda row: row["case"])
def test_packs_that_the_standard_forbids_are_refused(row: dict[str, str]) -> None:
    with pytest.raises(PayloadError, match=r"^record 1 "):
        resolve(json.loads(row["pack_json"]))


def test_the_limit_of_relative_times_is_the_standard_s() -> None:
    (row,) = [row for row in ROWS if row["case"] == "relative time limit"]
    assert str(int(RELATIVE_BELOW)) in row["pack_json"]


def test_every_row_of_the_table_is_used() -> None:
    assert len(RESOLVED) + len(REFUSED) + 1 == len(ROWS) == 11

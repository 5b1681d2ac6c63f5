"""The examples of RFC 6901, carried with their sources in data/json_pointer.csv."""

import csv
import json
from pathlib import Path

import pytest

from sensors.payloads import PointerError, compile_pointer

with (Path(__file__).parent / "data" / "json_pointer.csv").open(encoding="utf-8", newline="") as file:
    ROWS = list(csv.DictReader(file))
# The first row is the pointer to the whole document, so its result is the document of section 5.
DOCUMENT = json.loads(ROWS[0]["result_json"])
READ = [row for row in ROWS if not row["result_json"].startswith(("error", "member"))]
REFUSED = [row for row in ROWS if row["result_json"].startswith("error")]


@pytest.mark.parametrize("row", READ, ids=lambda row: repr(row["pointer"]))
def test_examples_of_section_5_lead_to_their_values(row: dict[str, str]) -> None:
    assert compile_pointer(row["pointer"]).resolve(DOCUMENT) == json.loads(row["result_json"])


@pytest.mark.parametrize("row", REFUSED, ids=lambda row: repr(row["pointer"]))
def test_examples_that_lead_nowhere_are_refused(row: dict[str, str]) -> None:
    with pytest.raises(PointerError):
        compile_pointer(row["pointer"]).resolve(DOCUMENT)


def test_tilde_one_is_decoded_before_tilde_zero() -> None:
    assert {row["pointer"] for row in ROWS} >= {"/m~01n"}
    assert compile_pointer("/m~01n").resolve({"m~1n": "right", "m/n": "wrong"}) == "right"


def test_every_row_of_the_table_is_used() -> None:
    assert len(READ) + len(REFUSED) + 1 == len(ROWS) == 18

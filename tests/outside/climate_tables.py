"""Reads the saved reference tables; every row keeps its source and status."""

import csv
import re
from pathlib import Path

FOLDER = Path(__file__).parent / "data"


def rows(name: str) -> list[dict[str, str]]:
    with (FOLDER / name).open(encoding="utf-8", newline="") as file:
        found = list(csv.DictReader(file))
    assert all(row["source"] and row["status"] for row in found)
    return found


def given(text: str) -> dict[str, float]:
    """Return the figures of a text such as "t=25 C; RH=80 %"."""
    return {name: float(value) for name, value in re.findall(r"(\w+)=(-?[\d.]+)", text)}

"""A sealed month, exported and read by general-purpose tools, is what the probes sent, value by value.

pandas, DuckDB and Arrow know nothing of this program: they read times and numbers of the CSV by their own rules.
"""

from collections import defaultdict
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from pyarrow import compute as pc
from pyarrow import csv

from sensors.simulator import SimulatedRoom, random_scene, room_toml
from sensors.simulator.sampling import by_channel
from service.ingest.csv_files import export_csv
from service.model import to_ms
from service.roomfile.applying import apply_room_file
from service.roomfile.reading import parse_room_file
from service.store.blocks import DAY_MS
from service.store.engine import Store
from service.store.facts import load_facts
from service.store.readings import END_OF_TIME, add_readings
from service.store.sealing import QUIET_MS, Sealer

START = datetime(2026, 3, 15, tzinfo=UTC)
START_MS, DAYS, ENCLOSURES = to_ms(START), 31, 1
Sent = dict[tuple[str, str], tuple[np.ndarray, np.ndarray]]


def store_month(store: Store) -> Sent:
    """Store what the probes of an invented room send in a month, and return it; the site's clocks change within."""
    scene = random_scene(np.random.default_rng(11), START_MS, ENCLOSURES, float(DAYS))
    apply_room_file(store, parse_room_file(room_toml(scene)), by="a test", now=START)
    with store.read() as session:
        channels = load_facts(session).channel_by_key
    parts: dict[tuple[str, str], list[tuple[np.ndarray, np.ndarray]]] = defaultdict(list)
    for _truth, sent in SimulatedRoom(scene, seed=11).history(START_MS, START_MS + DAYS * DAY_MS):
        rows = []
        for of in by_channel(sent):
            parts[of.probe, of.quantity].append((of.at_ms, of.value))
            number = channels[f"{of.probe}/{of.quantity}"].id
            rows += [(number, at, value, 1) for at, value in zip(of.at_ms.tolist(), of.value.tolist(), strict=True)]
        with store.write() as session:
            add_readings(session, rows)
    return {
        key: (np.concatenate([at for at, _ in days]), np.concatenate([value for _, value in days]))
        for key, days in parts.items()
    }


@pytest.mark.timeout(300)
def test_a_sealed_month_read_by_other_tools_is_what_was_sent(store: Store, tmp_path: Path) -> None:
    sent = store_month(store)
    assert list(Sealer(store).run(START_MS + (DAYS + 1) * DAY_MS + QUIET_MS, lambda _: None))
    with store.read() as session:
        assert session.connection().exec_driver_sql("SELECT count(*) FROM reading").scalar_one() == 0
    path = tmp_path / "month.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        assert export_csv(store, file, 0, END_OF_TIME) == sum(len(at) for at, _ in sent.values())
    for read in (by_pandas, by_duckdb, by_arrow):
        found = read(path)
        assert found.keys() == {key for key, (at, _) in sent.items() if len(at)}
        for key, (times, values) in found.items():
            at, value = sent[key]
            assert times.tolist() == at.tolist(), read.__name__
            assert values.tobytes() == value.astype(np.float64).tobytes(), read.__name__


def by_pandas(path: Path) -> Sent:
    table = pd.read_csv(path)
    table["at_ms"] = pd.to_datetime(table["time"], format="ISO8601", utc=True).dt.as_unit("ms").astype(np.int64)
    return {
        (str(probe), str(quantity)): (part["at_ms"].to_numpy(), part["value"].to_numpy(np.float64))
        for (probe, quantity), part in table.groupby(["probe", "quantity"])
    }


def by_duckdb(path: Path) -> Sent:
    columns = "{'time': 'TIMESTAMPTZ', 'probe': 'VARCHAR', 'quantity': 'VARCHAR', 'value': 'DOUBLE'}"
    query = (
        "SELECT probe, quantity, list(epoch_ms(time) ORDER BY time), list(value ORDER BY time) "  # noqa: S608 - our own names
        f"FROM read_csv(?, header = true, columns = {columns}) GROUP BY ALL"
    )
    with duckdb.connect() as connection:
        rows = connection.execute(query, [str(path)]).fetchall()
    return {(probe, quantity): (np.array(at), np.array(value)) for probe, quantity, at, value in rows}


def by_arrow(path: Path) -> Sent:
    kinds = csv.ConvertOptions(column_types={"time": pa.timestamp("ms", tz="UTC"), "value": pa.float64()})
    table = csv.read_csv(path, convert_options=kinds)
    found: Sent = {}
    names = table.group_by(["probe", "quantity"]).aggregate([]).to_pylist()
    for key in [(str(name["probe"]), str(name["quantity"])) for name in names]:
        part = table.filter((pc.field("probe") == key[0]) & (pc.field("quantity") == key[1]))
        found[key] = (part["time"].cast(pa.int64()).to_numpy(), part["value"].to_numpy())
    return found

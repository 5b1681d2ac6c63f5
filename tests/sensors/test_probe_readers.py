"""Probes of this computer, read from a made tree of the kernel's files and heard by a real broker."""

import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result
from kernel_tree import KernelTree, slave_text
from sqlmodel import select
from typer.testing import CliRunner

from sensors.readers.iio import read_iio
from sensors.readers.kernel_files import Sensed, UnreadError
from sensors.readers.one_wire import crc8, parsed_slave, read_one_wire
from sensors.readers.publishing import BrokerLink, Publisher
from sensors.readers.run import EARLIEST, Reader, messages_of, run, sweep
from sensors.readers.spool import Outgoing, Spool
from service.cli import app
from service.errors import BadUse
from service.ingest.broker_address import address_of
from service.ingest.embedded_broker import free_port
from service.model import Channel
from service.store.engine import Store
from tests.builders import a_probe, a_site, listening, stored, wait_until
from tests.empty_store import sqlite_store
from tests.mosquitto import Mosquitto

ONE, TWO = "28-0316a2799f1e", "28-0316a2799f2f"


@pytest.fixture
def tree(tmp_path: Path) -> KernelTree:
    return KernelTree(tmp_path / "sys")


def only(found: Iterator[Sensed]) -> Sensed:
    (one,) = found
    return one


# 1-wire


def test_the_check_byte_is_that_of_the_kernels_own_example() -> None:
    # From memory: the lines that the kernel's driver is usually shown with.
    for line in ("72 01 4b 46 7f ff 0e 10 57", "a2 01 4b 46 7f ff 0e 10 d8"):
        data = bytes.fromhex(line)
        assert crc8(data[:8]) == data[8]


@pytest.mark.parametrize(
    ("raw", "celsius"),
    # DS18B20 datasheet, table 1, but for 85 °C: that is its value after power-on.
    [(0x07D0, 125), (0x0191, 25.0625), (0x00A2, 10.125), (0x0008, 0.5), (0x0000, 0), (-8, -0.5), (-880, -55)],
)
def test_codes_of_the_datasheet_are_read(raw: int, celsius: float, tree: KernelTree) -> None:
    tree.thermometer(ONE, raw)
    # The kernel's own text has thousandths, cut off.
    assert only(read_one_wire(tree.root)) == Sensed(f"w1-{ONE}", {"temperature": pytest.approx(celsius, abs=0.001)})


DEAD = " ".join(["00"] * 9)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (slave_text(0x0550), "it shows 85 °C, its value after power-on"),
        (slave_text(400, spoilt=True), "the check byte is wrong"),
        (slave_text(400).replace("90 01", "91 01"), "the check byte is wrong"),
        (f"{DEAD} : crc=00 YES\n{DEAD} t=0\n", "the data line is shorted"),
        (slave_text(2400), "it shows 150 °C, expected -55 to 125"),
        ("", "not of its form"),
        (slave_text(400).splitlines()[0], "not of its form"),
        (slave_text(400).replace("t=", "t=x"), "not of its form"),
    ],
)
def test_what_is_no_measurement_is_told_and_never_a_number(text: str, said: str) -> None:
    with pytest.raises(UnreadError, match=said):
        parsed_slave(text)


def test_the_temperature_file_serves_where_the_driver_gives_no_other(tree: KernelTree) -> None:
    folder = tree.thermometer(ONE, 400)
    (folder / "w1_slave").unlink()
    for text, celsius in (("23187\n", 23.187), ("-500\n", -0.5)):
        (folder / "temperature").write_text(text)
        assert only(read_one_wire(tree.root)).values == {"temperature": celsius}
    for text in ("85000", "", "warm", "23.187", "999999999"):
        (folder / "temperature").write_text(text)
        assert only(read_one_wire(tree.root)).values == {}


def test_what_cannot_be_read_is_named_and_the_others_are_read(tree: KernelTree) -> None:
    tree.thermometer(ONE, 400, spoilt=True)
    tree.thermometer(TWO, 416)
    tree.thermometer("28-0316a2799f3a", 400).joinpath("w1_slave").unlink()
    tree.thermometer("26-0316a2799f3b", 400)  # another family: no thermometer
    (tree.root / "bus/w1/devices/w1_bus_master1").mkdir()
    found = list(read_one_wire(tree.root))
    assert [(one.device, one.values, len(one.why_not)) for one in found] == [
        (f"w1-{ONE}", {}, 1),
        (f"w1-{TWO}", {"temperature": 26.0}, 0),
        ("w1-28-0316a2799f3a", {}, 1),
    ]
    assert "temperature cannot be read (No such file or directory)" in found[2].why_not[0]


def test_a_computer_without_such_a_bus_has_no_probe(tmp_path: Path) -> None:
    assert sweep(tmp_path / "nothing") == []


# Industrial I/O


def test_ready_and_raw_values_come_in_degrees_and_percent(tree: KernelTree) -> None:
    tree.element(0, "1-0044", "sht3x", in_temp_input=24187, in_humidityrelative_input=61230)
    # SHT3x datasheet, 4.13: T = -45 + 175·S/65535, RH = 100·S/65535; the kernel's scale is in thousandths.
    raw = {
        "in_temp_raw": 26000, "in_temp_scale": 175_000 / 65535, "in_temp_offset": -45 * 65535 / 175,
        "in_humidityrelative_raw": 40000, "in_humidityrelative_scale": 100_000 / 65535,
    }  # fmt: skip
    tree.element(1, "1-0045", "SHT 3x", **raw)
    tree.element(2, "1-0023", "bh1750", in_illuminance_raw=1200, in_illuminance_scale="0.833333")
    tree.element(3, "1-0070", "accel", in_accel_x_raw=3)
    ready, raw_one, light = read_iio(tree.root)
    assert ready == Sensed("iio-sht3x-1-0044", {"humidity": 61.23, "temperature": 24.187})
    assert raw_one.device == "iio-sht-3x-1-0045"
    assert raw_one.values["temperature"] == pytest.approx(-45 + 175 * 26000 / 65535, abs=1e-3)
    assert raw_one.values["humidity"] == pytest.approx(100 * 40000 / 65535, abs=1e-3)
    assert light.values == {"illuminance": pytest.approx(1000, rel=1e-5)}


def test_an_element_keeps_its_name_when_the_order_of_plugging_changes(tree: KernelTree, tmp_path: Path) -> None:
    tree.element(0, "1-0044", "sht3x", in_temp_input=20000)
    other = KernelTree(tmp_path / "after")
    other.element(5, "1-0044", "sht3x", in_temp_input=20000)
    assert only(read_iio(tree.root)).device == only(read_iio(other.root)).device


@pytest.mark.parametrize("said", ["", "wet", "nan", "inf", "400000", "\N{DEGREE SIGN}"])
def test_half_of_an_element_that_fails_does_not_hide_the_other_half(said: str, tree: KernelTree) -> None:
    tree.element(0, "1-0044", "sht3x", in_temp_input=24000, in_humidityrelative_input=said)
    found = only(read_iio(tree.root))
    assert found.values == {"temperature": 24.0}
    assert found.why_not[0].startswith("humidity: ")


# Messages and what waits


def test_a_message_has_its_time_unless_the_clock_was_never_set() -> None:
    found = [Sensed("w1-x", {"temperature": 24.0}), Sensed("w1-y", {}, ("gone",))]
    reader = Reader(names={"w1-x": "a3-top"})
    at = datetime(2026, 3, 10, 14, 0, 0, 250_000, tzinfo=UTC)
    (message,) = messages_of(found, reader, at)
    assert message.topic == "probes/a3-top"
    assert json.loads(message.payload) == {"at": "2026-03-10T14:00:00.250Z", "temperature": 24.0}
    (unset,) = messages_of(found, reader, EARLIEST - timedelta(days=1))
    assert json.loads(unset.payload) == {"temperature": 24.0}


def test_what_waits_survives_the_end_of_the_reader_in_order_and_gives_way_from_the_oldest(tmp_path: Path) -> None:
    spool = Spool(tmp_path / "spool", most=4)
    assert not (tmp_path / "spool").exists()
    for number in range(6):
        spool.put([Outgoing("t", str(number))])
    spool.keep()
    assert (len(spool), spool.on_disk, spool.dropped) == (4, 4, 2)
    waiting = sorted((tmp_path / "spool").iterdir())
    waiting[1].write_text("{half of a mess", encoding="utf-8")
    again = Spool(tmp_path / "spool")
    again.put([Outgoing("t", "new")])
    seen = []
    while (batch := again.first()) is not None:
        seen.append(batch.messages[0].payload)
        again.done(batch)
    assert seen == ["2", "4", "5", "new"]
    assert again.damaged() == [waiting[1].name]
    assert again.damaged() == []
    assert list((tmp_path / "spool").iterdir()) == []


# Over a real broker


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory, program: Callable[[str], str]) -> Iterator[Mosquitto]:
    mosquitto = Mosquitto(program("mosquitto"), tmp_path_factory.mktemp("broker") / "mosquitto", free_port())
    mosquitto.start()
    yield mosquitto
    mosquitto.stop()


@pytest.fixture
def room(tmp_path: Path) -> Iterator[Store]:
    """A room that knows two of the probes, each by its topic."""
    store = sqlite_store(tmp_path / "wardian.db")
    with store.write() as session:
        a_site(session)
        for number in (ONE, TWO):
            a_probe(session, f"w1-{number}", model="ds18b20", topic=f"probes/w1-{number}", time_pointer="/at")
    with store.write() as session:
        for channel in session.exec(select(Channel)):
            channel.pointer = "/temperature"
    yield store
    store.close()


@contextmanager
def reading(tree: KernelTree, link: BrokerLink, spool: Spool) -> Iterator[list[dict[str, Any]]]:
    """Read the tree ten times a second while the block runs; yields what is told."""
    told: list[dict[str, Any]] = []
    stop = threading.Event()
    publisher = Publisher(link, spool, lambda said: told.append({"event": "broker", "said": said}))
    publisher.start()
    reader = Reader(tree.root, every_s=0.1)

    def tell(event: str, **facts: object) -> None:
        told.append({"event": event, **facts})

    thread = threading.Thread(target=run, args=(reader, publisher, spool, stop, tell))
    thread.start()
    try:
        yield told
    finally:
        stop.set()
        thread.join(10)
        publisher.stop()


def events(told: list[dict[str, Any]], event: str) -> list[str]:
    return [one["device"] for one in told if one["event"] == event]


def test_probes_are_heard_come_and_go_and_fail_and_are_heard_again(
    tree: KernelTree, room: Store, broker: Mosquitto, tmp_path: Path
) -> None:
    address = address_of(broker.url)
    tree.thermometer(ONE, 400)
    link = BrokerLink(address.host, address.port, client_id="reader-1")
    before = int(time.time() * 1000)
    with listening(room, address), reading(tree, link, Spool(tmp_path / "spool")) as told:
        wait_until(lambda: len(stored(room, 1)) >= 2)
        tree.thermometer(TWO, 416)
        wait_until(lambda: len(stored(room, 2)) >= 1)
        tree.thermometer(ONE, 400, spoilt=True)
        wait_until(lambda: f"w1-{ONE}" in events(told, "probe_not_read"))
        tree.thermometer(ONE, 432)
        wait_until(lambda: 27.0 in stored(room, 1).value)
        tree.unplug(TWO)
        wait_until(lambda: f"w1-{TWO}" in events(told, "probe_gone"))
    assert events(told, "probe_found") == [f"w1-{ONE}", f"w1-{TWO}"]
    assert events(told, "probe_read_again") == [f"w1-{ONE}"]
    assert len(events(told, "probe_not_read")) == 1
    found = stored(room, 1)
    assert set(found.value.tolist()) == {25.0, 27.0}
    assert all(before <= at <= int(time.time() * 1000) for at in found.at.tolist())
    # Their own clock, not that of the arrival.
    assert set((found.flags & 1).tolist()) == {1}
    assert not (tmp_path / "spool").exists()


def test_what_was_read_while_the_broker_was_away_arrives_with_its_own_times(
    tree: KernelTree, room: Store, broker: Mosquitto, tmp_path: Path
) -> None:
    address = address_of(broker.url)
    tree.thermometer(ONE, 400)
    link = BrokerLink(address.host, address.port, client_id="reader-2")
    folder = tmp_path / "spool"
    broker.stop()
    # The first reader ends before the broker is back: what it read waits on the disk for the second.
    first = Spool(folder)
    with reading(tree, link, first) as told:
        wait_until(lambda: first.on_disk >= 5)
    first.keep()
    kept, until = first.on_disk, int(time.time() * 1000)
    assert {"event": "broker", "said": "no answer"} in told
    broker.start()
    with listening(room, address), reading(tree, link, Spool(folder)):
        wait_until(lambda: sum(at <= until for at in stored(room, 1).at.tolist()) >= kept)
        wait_until(lambda: len(stored(room, 1)) > kept)
        wait_until(lambda: not list(folder.iterdir()))
    assert sum(at <= until for at in stored(room, 1).at.tolist()) == kept


def words_of(tree: KernelTree, *words: str) -> list[str]:
    return ["read-probes", "--root", str(tree.root), *words]


def settings_of(folder: Path, broker: str) -> dict[str, str]:
    return {"WARDIAN_DATA": str(folder), "WARDIAN_BROKER": broker}


def test_the_command_reads_once_and_says_what_it_could_not_read(
    tree: KernelTree, room: Store, broker: Mosquitto, tmp_path: Path
) -> None:
    tree.thermometer(ONE, 400)
    tree.element(0, "1-0044", "sht3x", in_temp_input=24187, in_humidityrelative_input="wet")
    with listening(room, address_of(broker.url)):
        once = subprocess.run(
            [sys.executable, "-m", "service", *words_of(tree, "--once")],
            env=os.environ | settings_of(tmp_path, broker.url), capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
        assert "2 probes published to mqtt://127.0.0.1" in once.stderr
        assert "iio-sht3x-1-0044: humidity: " in once.stderr
        assert once.returncode == 1
        wait_until(lambda: stored(room, 1).value.tolist() == [25.0])


def test_the_command_lists_what_is_there_and_refuses_what_cannot_be(tree: KernelTree, tmp_path: Path) -> None:
    def said(*words: str) -> Result:
        return CliRunner().invoke(app, words_of(tree, "--list", *words), env=settings_of(tmp_path, "embedded"))

    nothing = said()
    assert (nothing.exit_code, "No probe was found below" in nothing.output) == (1, True)
    tree.thermometer(ONE, 400)
    tree.element(0, "1-0044", "sht3x", in_temp_input=24187)
    listed = said("--as", "iio-sht3x-1-0044=a3-top")
    assert listed.exit_code == 0
    assert listed.stdout.splitlines() == [
        f"w1-{ONE}: temperature 25; publishes to probes/w1-{ONE}",
        "iio-sht3x-1-0044 as a3-top: temperature 24.187; publishes to probes/a3-top",
    ]
    for words, why in (
        (("--as", "x"), "is not DEVICE=PROBE"),
        (("--as", "x=a", "--as", "y=a"), "two devices are called"),
        (("--topic", "probes/#"), "is no topic"),
        (("--topic", "probes"), "is no topic"),
    ):
        refused = said(*words).exception
        assert isinstance(refused, BadUse)
        assert why in str(refused)

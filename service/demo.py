"""The demo: an invented glasshouse with a month behind it, whose probes then speak over real MQTT."""

import shutil
import threading
import time
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from itertools import repeat
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from sensors.simulator.glasshouse import glasshouse
from sensors.simulator.live import BrokerAccess, publish_live
from sensors.simulator.room import SimulatedRoom
from sensors.simulator.roomfile import room_toml
from sensors.simulator.sampling import ProbeReadings, by_channel
from service.alarms.lifecycle import State
from service.alarms.record import acknowledge
from service.demo_keeping import note_keeping
from service.errors import BadUse
from service.ingest.embedded_broker import free_port
from service.main import Service, now_ms, running
from service.main_web import serve
from service.model import Flag, from_ms
from service.people.roles import THE_DEMO, Doors
from service.roomfile.applying import apply_room_file
from service.roomfile.reading import parse_room_file
from service.settings import LOOPBACK, Settings, load_settings
from service.store.alarms import list_alarms
from service.store.engine import Store, open_store
from service.store.facts import RoomFacts, load_facts
from service.store.readings import NewReading, add_readings
from service.watch.history import record_history

DATA = Path("demo-data")
_MARK = "made-by-the-demo"
_SEED = 20
_DAY_MS = 86_400_000
_MOST_ALARMS = 100_000


def run_demo(days: int, port: int, console: Console) -> None:
    """Make a room with its history, watch it live, and serve its pages on loopback until told to stop.

    Parameters
    ----------
    days : int
        Of history.
    port : int
        Of the pages; 0 takes a free one.
    console : Console
        Where progress is shown.

    Raises
    ------
    BadUse
        When ``demo-data`` holds something that is not the demo's.
    """
    started = time.monotonic()
    _clear()
    settings = load_settings(
        data=DATA, database="", broker="embedded", broker_listen=f"127.0.0.1:{free_port()}", broker_user="",
        broker_password="", web=f"127.0.0.1:{port}", heartbeat="",
    )  # fmt: skip
    room = _make_room(settings, days, console)
    doors = Doors(opens_as=THE_DEMO, with_accounts=True, hosts=LOOPBACK)
    with running(settings, doors) as service, _live_probes(service, room):
        serve(service.parts(), lambda url: _welcome(console, url, service, time.monotonic() - started))


def _clear() -> None:
    """Remove what an earlier demo left; never anything else."""
    if DATA.exists():
        if not (DATA / _MARK).exists() and any(DATA.iterdir()):
            raise BadUse(f"{DATA}: holds files that the demo did not make; move them, or run it in another folder")
        shutil.rmtree(DATA)
    DATA.mkdir()
    (DATA / _MARK).touch()


def _make_room(settings: Settings, days: int, console: Console) -> SimulatedRoom:
    now = now_ms()
    scene = glasshouse(now)
    room = SimulatedRoom(scene, _SEED)
    store = open_store(settings.database_url)
    apply_room_file(store, parse_room_file(room_toml(scene)), by="the demo", now=datetime.now(UTC))
    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.completed} of {task.total} days"))
    with Progress(*columns, TimeElapsedColumn(), console=console) as progress:
        task = progress.add_task(f"Making {days} days of history", total=days)
        start = now - days * _DAY_MS
        for _rows in store_history(store, room, start, now):
            progress.advance(task)
    console.print("Looking for what went wrong in them …")
    record_history(store, start, now)
    _acknowledge_what_is_over(store, from_ms(now - _DAY_MS))
    note_keeping(store, from_ms(now), days)
    store.close()
    return room


def _acknowledge_what_is_over(store: Store, before: datetime) -> None:
    """Acknowledge what returned to normal days ago, as a keeper of the invented room would have."""
    with store.write() as session:
        for alarm in list_alarms(session, state=State.RETURNED_UNACKNOWLEDGED, limit=_MOST_ALARMS):
            if alarm.id is not None and alarm.returned_at is not None and alarm.returned_at < before:
                acknowledge(session, alarm.id, "a keeper of the demo", None, alarm.returned_at)


def store_history(store: Store, room: SimulatedRoom, start_ms: int, end_ms: int) -> Iterator[int]:
    """Run a simulated room over a span and store what its probes sent; yield after each day how many readings."""
    with store.read() as session:
        facts = load_facts(session)
    for _truth, sent in room.history(start_ms, end_ms):
        rows = list(_rows(facts, sent))
        with store.write() as session:
            add_readings(session, rows)
        yield len(rows)


def _rows(facts: RoomFacts, sent: list[ProbeReadings]) -> Iterable[NewReading]:
    """Return what probes sent as rows, channel by channel in order of time: that is how they lie on disk."""
    channels = [(facts.channel_by_key[f"{of.probe}/{of.quantity}"].id, of) for of in by_channel(sent)]
    for channel_id, of in sorted(channels, key=lambda pair: pair[0]):
        yield from zip(repeat(channel_id), of.at_ms.tolist(), of.value.tolist(), repeat(int(Flag.DEVICE_CLOCK)))


class _live_probes:  # noqa: N801 - used as a verb: with _live_probes(…)
    """Lets the room's probes publish while the block runs."""

    def __init__(self, service: Service, room: SimulatedRoom) -> None:
        address = service.address
        if address is None:
            raise BadUse("the demo's broker is not running")
        self._stop = threading.Event()
        access = BrokerAccess(address.host, address.port)
        self._thread = threading.Thread(target=publish_live, args=(room, access, self._stop), daemon=True)

    def __enter__(self) -> None:
        self._thread.start()

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(10)


def _welcome(console: Console, url: str, service: Service, seconds: float) -> None:
    console.print(f"\nThe glasshouse is open after {seconds:.0f} s: [bold]{url}[/bold]", highlight=False)
    console.print(f"Its probes publish to {service.address}. It is invented, and reachable from this computer alone.")
    console.print("Ctrl+C ends it.")

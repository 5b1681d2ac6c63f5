"""Days of 23 and 25 hours, from a probe's message to the look-back: each hour is there once and judged once."""

import json
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import sqlalchemy as sa
from typer.testing import CliRunner, Result

from dashboard.day import day_axis
from service.cli import app
from service.climate.psychrometrics import relative_humidity_of, vapour_pressure
from service.ingest.arrivals import Arrival
from service.ingest.csv_files import import_csv
from service.ingest.intake import Intake
from service.lookback.report import enclosure_report
from service.lookback.spans import enclosure_of, span_of
from service.model import LightSchedule, MistingSchedule, Reading, ReadingBlock, from_ms, table_of, to_ms
from service.settings import Settings
from service.store.alarms import list_alarms
from service.store.engine import Store
from service.store.facts import load_facts
from service.store.programme import Programme
from service.store.sealing import Sealer
from service.watch.history import record_history
from service.watch.moments import moments
from tests.builders import LONG_AGO, MINUTE, a_probe, a_site, an_enclosure, stored

HOUR = 60 * MINUTE
CADENCE = 5 * MINUTE
ENTERED = {"entered_by": "the keeper", "entered_at": LONG_AGO, "from_at": LONG_AGO}
NO_SOURCE = {"source": "common practice, no source"}
PROFILE = {
    "target": [
        {"check": "hot-spot", "low": 33.0, "high": 37.0} | NO_SOURCE,
        {"check": "hot-spot-peak", "high": 40.0} | NO_SOURCE,
        {"check": "misting-cycles"} | NO_SOURCE,
    ]
}


@dataclass(frozen=True)
class Clocks:
    """Three local days, the clocks changed in the second: all by hand, in hours from a UTC midnight.

    Lights go on at 02:30 and off at 14:30, misting runs at 02:30 and 12:00 by the wall clock; the clocks may leave
    02:30 out, or bring it twice.
    """

    zone: str
    utc: date
    midnights: tuple[float, ...]
    on: tuple[float, ...]
    off: tuple[float, ...]
    noon: tuple[float, ...]

    def ms(self, hours: float) -> int:
        return to_ms(datetime.combine(self.utc, time(), UTC)) + round(hours * HOUR)

    @property
    def days(self) -> list[date]:
        return [(from_ms(self.ms(at)) + timedelta(hours=12)).astimezone(ZoneInfo(self.zone)).date()
                for at in self.midnights[:3]]  # fmt: skip

    @property
    def span(self) -> tuple[int, int]:
        return self.ms(self.midnights[0]), self.ms(self.midnights[-1])


CASES = {
    "an hour left out": Clocks(
        "Europe/Berlin", date(2026, 3, 28), (-1, 23, 46, 70), (1.5, 25, 48.5), (13.5, 36.5, 60.5), (11, 34, 58)
    ),
    "an hour twice": Clocks(
        "Europe/Berlin", date(2026, 10, 24), (-2, 22, 47, 71), (0.5, 24.5, 49.5), (12.5, 37.5, 61.5), (10, 35, 59)
    ),
    "midnight left out": Clocks(
        "America/Santiago", date(2026, 9, 5), (4, 28, 51, 75), (6.5, 29.5, 53.5), (18.5, 41.5, 65.5), (16, 39, 63)
    ),
}


@pytest.fixture(params=list(CASES.values()), ids=list(CASES))
def clocks(request: pytest.FixtureRequest, store: Store) -> Clocks:
    """Return the days, and furnish a room for them."""
    found: Clocks = request.param
    with store.write() as session:
        a_site(session, found.zone)
        enclosure = an_enclosure(session, body=PROFILE)
        schedule = session.get_one(LightSchedule, 1)
        schedule.on, schedule.off = time(2, 30), time(14, 30)
        cycles = [("02:30", 45), ("12:00", 45)]
        session.add(MistingSchedule(enclosure_id=enclosure.id or 0, cycles=cycles, **ENTERED))
        slow = {"every_s": CADENCE / 1000, "time_pointer": "/at"}
        a_probe(session, "spot", ("surface_temperature",), enclosure, "basking", model="ds18b20", **slow)
        a_probe(session, "top", ("air_temperature", "relative_humidity"), enclosure, "ambient", **slow)
        a_probe(session, "lux", ("illuminance",), enclosure, "canopy", model="bh1750", **slow)
    return found


def says(clocks: Clocks, at_ms: int) -> list[Arrival]:
    """Return what the three probes say at an instant: a good day, but for one cycle."""
    lit = any(clocks.ms(on) <= at_ms < clocks.ms(off) for on, off in zip(clocks.on, clocks.off, strict=True))
    since_on = min((at_ms - clocks.ms(on) for on in clocks.on if at_ms >= clocks.ms(on)), default=0)
    misted = [clocks.ms(at) for at in (*clocks.noon, clocks.on[0], clocks.on[2])]
    since = min((at_ms - at for at in misted if at_ms > at), default=24 * HOUR)
    alive = 0.01 * (at_ms // CADENCE % 7)
    air = np.array([(27.0 if lit else 23.0) + alive])
    vapour = vapour_pressure(np.array([25.0]), np.array([60.0]))
    humidity = float(relative_humidity_of(air, vapour)[0]) + 25 * float(np.exp(-since / (0.7 * HOUR)))
    spot = 24.0 + alive + (11.0 * min(1.0, since_on / HOUR * 2) if lit else 0.0)
    said = {
        "spot": {"surface_temperature": spot},
        "top": {"air_temperature": float(air[0]), "relative_humidity": round(min(humidity, 100.0), 2)},
        "lux": {"illuminance": 4_000.0 if lit else 0.0},
    }
    return [
        Arrival(f"probes/{probe}", json.dumps(values | {"at": at_ms}).encode(), 0, 0, False, False, at_ms)
        for probe, values in said.items()
    ]


def test_the_days_are_stored_sealed_judged_and_watched_once(store: Store, clocks: Clocks) -> None:
    start_ms, end_ms = clocks.span
    Intake(store, 500).take([arrival for at in range(*clocks.span, CADENCE) for arrival in says(clocks, at)], "test")
    times = list(range(start_ms, end_ms, CADENCE))
    assert len(times) == {True: 71, False: 73}[clocks.zone != "Europe/Berlin" or clocks.utc.month == 3] * 12
    for _ in Sealer(store).run(end_ms + 48 * HOUR):
        pass
    with store.read() as session:
        assert session.execute(sa.select(sa.func.count()).select_from(table_of(Reading))).scalar_one() == 0
        block = table_of(ReadingBlock)
        blocks = session.execute(sa.select(block.c.channel_id, block.c.day).order_by(block.c.channel_id)).all()
        facts = load_facts(session)
    utc_days = range(start_ms // (24 * HOUR), end_ms // (24 * HOUR) + 1)
    assert sorted(map(tuple, blocks)) == [(channel, day) for channel in range(1, 5) for day in utc_days]
    assert all(stored(store, channel).at.tolist() == times for channel in range(1, 5))
    first, last = clocks.days[0].isoformat(), clocks.days[-1].isoformat()
    now = from_ms(end_ms + 48 * HOUR)
    report = enclosure_report(
        store, facts, enclosure_of(facts, "rack-a-1"), span_of(first, last, ZoneInfo(clocks.zone), now), to_ms(now)
    )
    _is_judged_once(clocks, report, len(times))
    record_history(store, start_ms, end_ms)
    with store.read() as session:
        alarms = [
            (a.condition, to_ms(a.raised_at), a.returned_at and to_ms(a.returned_at)) for a in list_alarms(session)
        ]
    missed, next_one = clocks.ms(clocks.on[1]), clocks.ms(clocks.noon[1])
    assert alarms == [("misting-missed", missed + 25 * MINUTE, next_one + 25 * MINUTE)]


def _is_judged_once(clocks: Clocks, report: dict, readings: int) -> None:
    days = report["days"]
    assert [day["date"] for day in days] == [day.isoformat() for day in clocks.days]
    assert report["data"]["readings"] == 4 * readings
    assert report["gaps"] == []
    for day, on, off in zip(days, clocks.on, clocks.off, strict=True):
        assert (_ms(day["photoperiod"]["on"]), _ms(day["photoperiod"]["off"])) == (clocks.ms(on), clocks.ms(off))
        checks = {check["check"]: check for check in day["checks"]}
        assert (checks["hot-spot"]["verdict"], checks["hot-spot"]["coverage"]) == ("met", 1.0)
    assert [day["spikes"]["confirmed"] for day in days] == [2, 1, 2]
    assert [_ms(cycle["at"]) for cycle in report["misting"]] == sorted(
        clocks.ms(at) for at in (*clocks.on, *clocks.noon)
    )


def _ms(text: str) -> int:
    return to_ms(datetime.fromisoformat(text))


def test_each_moment_of_the_days_comes_once(store: Store, clocks: Clocks) -> None:
    with store.read() as session:
        facts = load_facts(session)
    programme, (start_ms, end_ms) = Programme(facts, facts.enclosures[1]), clocks.span
    assert [(programme.day(day).start_ms, programme.day(day).end_ms) for day in clocks.days] == [
        (clocks.ms(start), clocks.ms(end)) for start, end in zip(clocks.midnights, clocks.midnights[1:], strict=False)
    ]
    for day in clocks.days:
        axis = day_axis(day, ZoneInfo(clocks.zone))
        assert (axis.start_ms, axis.end_ms) == (programme.day(day).start_ms, programme.day(day).end_ms)
    cut = start_ms + 26 * HOUR + 17 * MINUTE
    due = moments(programme, start_ms - 1, end_ms - 1)
    assert due == moments(programme, start_ms - 1, cut) + moments(programme, cut, end_ms - 1)
    assert len({(moment.at_ms, moment.kind) for moment in due}) == len(due)
    kinds = [moment.kind for moment in due]
    assert kinds.count("humidity") == (end_ms - start_ms) // (10 * MINUTE)
    assert (kinds.count("cycle"), kinds.count("end of dark")) == (6, 3)


def test_cycles_that_the_clocks_bring_together_are_one(store: Store) -> None:
    with store.write() as session:
        a_site(session, "Europe/Berlin")
        enclosure = an_enclosure(session, body=PROFILE)
        cycles = [("02:00", 45), ("02:30", 30), ("03:00", 45), ("04:00", 45)]
        session.add(MistingSchedule(enclosure_id=enclosure.id or 0, cycles=cycles, **ENTERED))
    with store.read() as session:
        facts = load_facts(session)
    programme = Programme(facts, facts.enclosures[1])
    found = {
        day: [from_ms(c.at_ms).strftime("%H:%M") for c in programme.day(date(2026, 3, day)).cycles] for day in (28, 29)
    }
    assert found == {28: ["01:00", "01:30", "02:00", "03:00"], 29: ["01:00", "02:00"]}


def test_days_of_the_site_are_exported_by_their_dates(settings: Settings, store: Store, tmp_path: Path) -> None:
    with store.write() as session:
        a_site(session, "Europe/Berlin")
        a_probe(session, "spot")
    # The day on which the clocks go forward has 23 hours: from 23 o'clock the evening before until 22 o'clock, UTC.
    within = ("2026-03-28T23:00:00.000+00:00", "2026-03-29T21:59:00.000+00:00")
    rows = [f"{at},spot,air_temperature,1.0\n" for at in ("2026-03-28T22:59Z", *within, "2026-03-29T22:00Z")]
    file, header = tmp_path / "a.csv", "time,probe,quantity,value\n"
    file.write_text(header + "".join(rows), encoding="utf-8")
    assert import_csv(store, file, lambda _done: None).taken == 4

    def typed(*words: str) -> Result:
        return CliRunner().invoke(app, ["readings", "export", *words], env={"WARDIAN_DATA": str(settings.data)})

    assert typed("--from", "2026-03-29", "--to", "2026-03-29").stdout == header + rows[1] + rows[2]
    assert typed("--from", "2026-03-28T23:00:00Z", "--to", "2026-03-29").stdout == header + rows[1] + rows[2]
    assert "give a date alone" in str(typed("--from", "2026-03-29T01:00").exception)

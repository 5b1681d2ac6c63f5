"""The `replay` command, as it is typed: what the watch makes of the stored readings again."""

import json
import os
import pty
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner, Result

from service.cli import app
from service.model import Flag
from service.settings import Settings
from service.store.alarms import list_alarms
from service.store.engine import Store
from service.store.readings import add_readings
from service.watch.history import record_history
from tests.builders import MINUTE, NOON_MS, a_probe, a_site, an_enclosure

DAY = datetime.fromtimestamp(NOON_MS / 1000, UTC).date()
WORDS = ("--from", f"{DAY}", "--to", f"{DAY}")


@pytest.fixture
def room(store: Store) -> Store:
    """A basking spot that overheats from 12:30 to 13:00, watched."""
    with store.write() as session:
        a_site(session)
        a_probe(session, "spot", ("surface_temperature",), an_enclosure(session), "basking")
        minutes = np.arange(-60, 120).tolist()
        hot = [
            (1, NOON_MS + m * MINUTE, 43.0 if 30 <= m < 60 else 34.0 + m % 2 / 10, int(Flag.DEVICE_CLOCK))
            for m in minutes
        ]
        add_readings(session, hot)
    record_history(store, NOON_MS - 720 * MINUTE, NOON_MS + 720 * MINUTE)
    return store


def typed(settings: Settings, *words: str) -> Result:
    return CliRunner().invoke(app, ["replay", *words], env={"WARDIAN_DATA": str(settings.data)})


def test_the_same_alarms_come_out_again_as_text_and_as_json(room: Store, settings: Settings) -> None:
    done = typed(settings, *WORDS)
    assert done.exit_code == 0, done.output
    assert "They are the same: same conditions, same instants." in done.stdout
    (alarm,) = [
        a
        for a in json.loads(typed(settings, *WORDS, "--format", "json").stdout)["alarms"]
        if a["condition"] != "probe-silent"
    ]
    assert (alarm["condition"], alarm["peak"]) == ("basking-overheat", 43.0)
    assert alarm["raised_at"] == (datetime.fromtimestamp(NOON_MS / 1000, UTC) + timedelta(minutes=31)).isoformat(
        timespec="milliseconds"
    )


def test_a_record_that_differs_is_told_and_is_no_success(room: Store, settings: Settings) -> None:
    with room.write() as session:
        (alarm,) = [a for a in list_alarms(session) if a.condition == "basking-overheat"]
        alarm.raised_at += timedelta(minutes=2)
        session.add(alarm)
    done = typed(settings, *WORDS)
    assert done.exit_code == 1
    assert "only recorded" in done.stdout
    assert "only derived" in done.stdout


def test_a_draft_says_what_it_would_have_done(room: Store, settings: Settings, tmp_path: Path) -> None:
    with room.read() as session:
        profile = session.connection().exec_driver_sql("select key from profile").scalar_one()
    draft = tmp_path / "draft.toml"
    draft.write_text(
        f'[[profile]]\nid = "{profile}"\nspecies = "Invented"\n[[profile.target]]\ncheck = "hot-spot-peak"\nhigh = 50\n'
        'source = "common practice, no source"\n'
    )
    done = typed(settings, *WORDS, "--profile", str(draft))
    assert done.exit_code == 0, done.output
    assert "only now" in done.stdout
    assert "basking-overheat" in done.stdout


def test_a_terminal_shows_how_far_it_is_and_a_pipe_does_not(room: Store, settings: Settings) -> None:
    command = [sys.executable, "-m", "service", "replay", *WORDS]
    environment = {**os.environ, "WARDIAN_DATA": str(settings.data), "TERM": "xterm"}
    keeper, terminal = pty.openpty()
    on_terminal = subprocess.run(command, env=environment, stdout=subprocess.PIPE, stderr=terminal, check=True)
    os.close(terminal)
    shown = os.read(keeper, 100_000).decode()
    os.close(keeper)
    assert "Replaying" in shown
    assert b"They are the same" in on_terminal.stdout
    piped = subprocess.run(command, env=environment, capture_output=True, check=True)
    assert piped.stderr == b""
    assert piped.stdout == on_terminal.stdout

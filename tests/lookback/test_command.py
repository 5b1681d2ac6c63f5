"""The `lookback` command, as it is typed."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from past_room import furnish, live
from typer.testing import CliRunner, Result

from service.cli import app
from service.errors import BadUse, NotFound
from service.settings import Settings
from service.store.engine import Store

Typed = Callable[..., Result]


@pytest.fixture
def typed(store: Store, settings: Settings) -> Typed:
    """Return what a command prints on a room with three good days."""
    furnish(store)
    live(store, 4)

    def run(*words: str) -> Result:
        return CliRunner().invoke(app, ["lookback", *words], env={"WARDIAN_DATA": str(settings.data)})

    return run


def test_dates_are_local_and_the_last_one_is_included(typed: Typed) -> None:
    done = typed("rack-a-1", "--from", "2026-03-02", "--to", "2026-03-04", "--format", "json")
    assert done.exit_code == 0, done.output
    assert [day["date"] for day in json.loads(done.stdout)["days"]] == ["2026-03-02", "2026-03-03", "2026-03-04"]


def test_text_is_what_is_printed_by_default(typed: Typed) -> None:
    done = typed("rack-a-1", "--from", "2026-03-02", "--to", "2026-03-04")
    assert done.stdout.startswith("Look-back: rack-a-1\nFrom 2 March 2026 00:00 to 5 March 2026 00:00, times of UTC\n")


def test_degrees_are_chosen_and_no_others_are_known(typed: Typed) -> None:
    span = ("rack-a-1", "--from", "2026-03-02", "--to", "2026-03-04", "--format", "html")
    page = typed(*span, "--unit", "f").stdout
    assert " °F</td>" in page
    assert "expected c or f" in str(typed(*span, "--unit", "kelvin").exception)


def test_the_same_again_gives_the_same_bytes_in_a_file(typed: Typed, tmp_path: Path) -> None:
    words = ("rack-a-1", "--from", "2026-03-02", "--to", "2026-03-04", "--format", "json", "--out")
    first, second = tmp_path / "first.json", tmp_path / "second.json"
    assert typed(*words, str(first)).stdout == ""
    assert typed(*words, str(second)).exit_code == 0
    assert first.read_bytes() == second.read_bytes()


def test_what_cannot_be_is_said_in_a_sentence(typed: Typed, tmp_path: Path) -> None:
    unknown = typed("rack-a-2").exception
    assert isinstance(unknown, NotFound)
    assert str(unknown) == "there is no enclosure 'rack-a-2': did you mean 'rack-a-1'?"
    wrong = typed("rack-a-1", "--from", "March").exception
    assert isinstance(wrong, BadUse)
    unwritable = typed("rack-a-1", "--from", "2026-03-02", "--to", "2026-03-02", "--out", str(tmp_path)).exception
    assert isinstance(unwritable, BadUse)
    assert "cannot be written" in str(unwritable)

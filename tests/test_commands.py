"""What a command loads before it does anything, and how the list of commands comes about."""

import inspect
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest
import typer

from service.cli import COMMANDS

_LOADED = """
import sys
from service.cli import app

for words in (["--help"], {backup}, ["room", "export"], ["account", "list"]):
    app(words, standalone_mode=False)
    print(words[0], *sorted({{name.partition(".")[0] for name in sys.modules}}), file=sys.stderr)
"""
_HEAVY = {"fastapi", "jinja2", "paho", "plotly", "prometheus_client", "scipy", "typst", "uvicorn"}
_OF_THE_STORE = {"alembic", "numpy", "pydantic", "sqlalchemy", "structlog"}


@pytest.mark.parametrize("name", COMMANDS)
def test_the_list_of_commands_says_what_each_says_of_itself(name: str) -> None:
    module, _, attribute = COMMANDS[name].place.partition(":")
    found = getattr(import_module(module), attribute)
    said = found.info.help if isinstance(found, typer.Typer) else inspect.getdoc(found)
    assert said == COMMANDS[name].summary


def test_a_command_loads_what_it_needs_and_no_more(tmp_path: Path) -> None:
    backup = ["backup", str(tmp_path / "room.backup")]
    done = subprocess.run(
        [sys.executable, "-c", _LOADED.format(backup=backup)], cwd=tmp_path, capture_output=True, text=True, check=True,
        env={"PYTHONPATH": str(Path(__file__).parents[1])},
    )  # fmt: skip
    loaded = {words[0]: set(words[1:]) for words in (line.split() for line in done.stderr.splitlines())}
    assert list(loaded) == ["--help", "backup", "room", "account"]
    assert not loaded["--help"] & (_HEAVY | _OF_THE_STORE)
    assert loaded["backup"] >= _OF_THE_STORE
    for after in loaded.values():
        assert not after & _HEAVY

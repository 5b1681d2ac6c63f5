"""The documents say what the product does: names, defaults, numbers, commands and links are those of the code."""

import importlib
import re
import shlex
import subprocess
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest
import typer.main
from pydantic_core import PydanticUndefined
from sqlmodel import SQLModel

import service.model  # noqa: F401 - the tables must be known
from service import cli
from service.api.readings import ReadingsIn
from service.climate.targets import CHECK_UNITS_AND_SHARES
from service.errors import RoomFileInvalid
from service.model import ZONES
from service.roomfile.reading import parse_room_file
from service.settings import Settings
from service.watch.conditions import CONDITIONS, LIMIT_CONDITIONS
from tests.documents import ROOT, SHELL, Document, document, documents, shown_commands

README = document("README.md")
DEVELOPERS = document("DEVELOPERS.md")
KEEPERS = document("docs/keepers-guide.md")
OPERATORS = document("docs/operators-guide.md")
CHECKS = document("docs/how-the-checks-work.md")
ARCHITECTURE = document("docs/architecture.md")
COMMANDS = {name: later.load(name) for name, later in cli.COMMANDS.items()}
_CONSTANT = re.compile(r"`([a-z_]+)\.([A-Z_]+)`")
_NAMED_TARGET = re.compile(r"\bmake ([a-z][a-z-]*)")


def _named(found: list[Document]) -> list:
    return [pytest.param(each, id=each.name) for each in found]


# Settings


@pytest.mark.parametrize("name", sorted(Settings.model_fields))
def test_every_setting_is_in_the_operators_guide_with_its_default(name: str) -> None:
    rows = {row[0]: row for row in OPERATORS.rows()}
    default = Settings.model_fields[name].default
    assert default is not PydanticUndefined
    written = "(empty)" if default == "" else f"`{default}`"
    assert rows[f"`WARDIAN_{name.upper()}`"][1] == written


def test_the_operators_guide_names_no_setting_that_is_not_there() -> None:
    named = {name.removesuffix("_FILE") for name in re.findall(r"WARDIAN_[A-Z_]+", OPERATORS.text)}
    assert named == {f"WARDIAN_{name.upper()}" for name in Settings.model_fields}


# Commands


def _in_sentences() -> list[tuple[str, list[str]]]:
    return [
        (each.name, shlex.split(code)[1:])
        for each in documents()
        for code in each.in_line()
        if re.match(r"wardian [a-z]", code)
    ]


def _parse(words: list[str]) -> None:
    """Take a command's words apart as the command itself would; nothing is run."""
    command, context = typer.main.get_command(cli.app), None
    while isinstance(command, typer.core.TyperGroup):
        context = command.make_context("wardian", list(words), parent=context)
        name, command, words = command.resolve_command(context, [*context._protected_args, *context.args])
        assert name is not None
    command.make_context("wardian", list(words), parent=context)


def test_the_documents_show_commands() -> None:
    shown = {tuple(call[:2]) for _, call in shown_commands()}
    assert {("room", "check"), ("room", "apply"), ("room", "export")} <= shown


@pytest.mark.parametrize(("where", "words"), shown_commands(), ids=lambda part: part if isinstance(part, str) else None)
def test_a_command_that_is_shown_is_taken(where: str, words: list[str]) -> None:
    assert where
    _parse(words)


@pytest.mark.parametrize(("where", "words"), _in_sentences(), ids=lambda part: part if isinstance(part, str) else None)
def test_a_command_that_is_named_exists(where: str, words: list[str]) -> None:
    within = COMMANDS
    for word in words:
        assert word in within, f"{where}: wardian {' '.join(words)}"
        command = within[word]
        if not isinstance(command, typer.core.TyperGroup):
            break
        within = command.commands


def test_every_command_is_in_the_operators_guide() -> None:
    named = {tuple(words) for _, words in _in_sentences()}
    for name, command in COMMANDS.items():
        within = command.commands if isinstance(command, typer.core.TyperGroup) else {}
        for path in [(name, sub) for sub in within] or [(name,)]:
            rows = [row[0] for row in OPERATORS.rows() if row[0].startswith(f"`wardian {' '.join(path)}")]
            assert rows, f"wardian {' '.join(path)} has no row"
    assert named


# Make targets


def _targets() -> set[str]:
    return set(re.findall(r"^([a-z][a-z-]*):", (ROOT / "Makefile").read_text(encoding="utf-8"), re.MULTILINE))


@pytest.mark.parametrize("each", _named(documents()))
def test_make_targets_that_are_named_exist(each: Document) -> None:
    code = [*each.in_line(), *(block.text for block in each.blocks(*SHELL))]
    named = {target for text in code for target in _NAMED_TARGET.findall(text)}
    assert named <= _targets()


def test_every_make_target_with_a_help_line_is_in_developers() -> None:
    told = set(re.findall(r"^([a-z-]+):.*## ", (ROOT / "Makefile").read_text(encoding="utf-8"), re.MULTILINE))
    named = set(_NAMED_TARGET.findall(DEVELOPERS.text))
    assert told - {"help", "install-test"} <= named


# Links


@pytest.mark.parametrize("each", _named(documents()))
def test_links_within_the_project_lead_somewhere(each: Document) -> None:
    for link in each.links():
        if re.match(r"[a-z]+:", link):
            continue
        path, _, anchor = link.partition("#")
        target = (each.path.parent / path).resolve() if path else each.path
        assert target.is_relative_to(ROOT), f"{link} leads out of the project"
        assert target.exists(), f"{link} leads nowhere"
        if anchor:
            assert anchor in Document(target).anchors(), f"{link}: no such heading"


# Room files and settings files that are shown


def test_the_readmes_room_file_is_sound_and_has_a_probe_that_its_line_speaks_for() -> None:
    room = parse_room_file(README.blocks("toml")[0].text)
    (line,) = (line for block in README.blocks("sh") for line in block.text.splitlines() if "mosquitto_pub" in line)
    words = shlex.split(line)
    assert words[words.index("-t") + 1] in {probe.topic for probe in room.probes}


def test_the_keepers_room_file_is_sound_as_far_as_each_step_brings_it() -> None:
    blocks = KEEPERS.blocks("toml")
    for count in range(1, len(blocks) + 1):
        parse_room_file("\n".join(block.text for block in blocks[:count]))
    with pytest.raises(RoomFileInvalid):
        parse_room_file(blocks[1].text)


@pytest.mark.parametrize("name", ["docs/first-probe.md", "sensors/examples/README.md"])
def test_the_first_probes_room_file_is_sound_and_what_it_posts_is_taken(name: str) -> None:
    place = '[site]\nname = "x"\ntimezone = "UTC"\n[[room]]\nid = "r"\n[[enclosure]]\nid = "rack-a-3"\nroom = "r"\n'
    blocks = document(name).blocks("toml")
    assert blocks
    for block in blocks:
        parse_room_file(place + block.text)
    posted = [re.search(r"-d '\s*(\{.*\})'", block.text, re.DOTALL) for block in document(name).blocks("sh")]
    for found in filter(None, posted):
        assert ReadingsIn.model_validate_json(found[1]).readings


def test_the_settings_file_that_is_shown_holds_settings() -> None:
    blocks = OPERATORS.blocks("toml")
    assert blocks
    for block in blocks:
        shown = tomllib.loads(block.text)
        assert shown
        assert set(shown) <= set(Settings.model_fields)


# Checks, conditions, numbers, tables, libraries, the tree


@pytest.mark.parametrize("check", CHECK_UNITS_AND_SHARES)
def test_every_check_is_explained(check: str) -> None:
    assert f"`{check}`" in CHECKS.text


@pytest.mark.parametrize("condition", CONDITIONS)
def test_every_condition_is_in_both_guides_with_its_priority(condition: str) -> None:
    rows = [row for row in KEEPERS.rows() if row[0] == f"`{condition}`"]
    assert [row[1] for row in rows] == [CONDITIONS[condition].priority]
    assert f"`{condition}`" in CHECKS.text


def test_no_condition_is_promised_that_is_not_there() -> None:
    rows = [row for row in KEEPERS.rows() if len(row) == 4 and row[1] in {"high", "medium", "low"}]
    assert {row[0].strip("`") for row in rows} <= set(CONDITIONS)


@pytest.mark.parametrize("condition", LIMIT_CONDITIONS, ids=lambda condition: condition.key)
def test_delays_and_deadbands_are_those_of_the_code(condition: object) -> None:
    rows = {row[0]: row for row in CHECKS.rows() if len(row) == 7}
    row = rows[f"`{condition.key}`"]
    span = {"any": "any time", "day": "day span", "night": "night span"}[condition.span]
    assert row[1] == condition.priority
    assert row[3] == f"{', '.join(condition.zones)}, {span}"
    assert f"`{condition.check}`" in row[2]
    assert row[2].startswith("above" if condition.upward else "below")
    assert (f"{abs(condition.offset):g} °C" in row[2]) == bool(condition.offset)
    minutes = [f"{ms / 60_000:g} min" for ms in (condition.delays.on_ms, condition.delays.off_ms)]
    assert row[4:] == [*minutes, f"{condition.deadband:g} °C"]


def _constants() -> list[tuple[str, str, float]]:
    rows = [(_CONSTANT.fullmatch(row[0]), row) for row in CHECKS.rows()]
    return [(found[1], found[2], float(row[1])) for found, row in rows if found]


@pytest.mark.parametrize(("module", "name", "value"), _constants())
def test_the_numbers_are_those_of_the_code(module: str, name: str, value: float) -> None:
    assert getattr(importlib.import_module(f"service.climate.{module}"), name) == value


def test_the_table_of_numbers_is_not_empty() -> None:
    assert len(_constants()) > 40


@pytest.mark.parametrize("zone", ZONES)
def test_every_zone_has_its_place_in_the_keepers_guide(zone: str) -> None:
    assert f"`{zone}`" in {row[0] for row in KEEPERS.rows()}


@pytest.mark.parametrize("table", sorted(SQLModel.metadata.tables))
def test_every_table_is_in_the_architecture(table: str) -> None:
    assert f"`{table}`" in ARCHITECTURE.text


def _libraries() -> list[str]:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    groups = [project["dependencies"], *project["optional-dependencies"].values()]
    return [re.match(r"[A-Za-z0-9-]+", requirement)[0] for group in groups for requirement in group]


@pytest.mark.parametrize("library", _libraries())
def test_every_library_has_its_reason_in_the_architecture(library: str) -> None:
    assert any(f"`{library}`" in row[0] for row in ARCHITECTURE.rows())


def test_the_architecture_gives_no_reason_for_a_library_that_is_gone() -> None:
    section = ARCHITECTURE.text.split("## Why each library")[1]
    named = {
        name for row in re.findall(r"^\| (`.+?) \|", section, re.MULTILINE) for name in re.findall(r"`([^`]+)`", row)
    }
    assert named == set(_libraries())


# What is tracked


@pytest.fixture(scope="module")
def tracked(program: Callable[[str], str]) -> list[Path]:
    said = subprocess.run([program("git"), "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True)
    return [ROOT / name for name in said.stdout.decode().split("\0") if name and (ROOT / name).is_file()]


def test_every_entry_at_the_top_is_explained(tracked: list[Path]) -> None:
    explained = {name for row in DEVELOPERS.rows() for name in re.findall(r"`([^`]+)`", row[0])}
    for path in tracked:
        top = path.relative_to(ROOT).parts[0]
        assert top in explained or f"{top}/" in explained, f"{top} is not explained in DEVELOPERS.md"


def test_nothing_is_put_off_and_no_package_registry_is_named(tracked: list[Path]) -> None:
    # Put together here, so that this file does not hold them itself.
    words = ["TO" + "DO", "FIX" + "ME", "py" + "pi.org", "python" + "hosted.org", "npm" + "js.org", "npm" + "js.com"]
    said = re.compile("|".join(rf"\b{re.escape(word)}\b" for word in words))
    found = []
    for path in tracked:
        try:
            text = path.read_text(encoding="utf-8")
        except UnicodeDecodeError:
            continue
        found += [f"{path.relative_to(ROOT)}: {word}" for word in sorted(set(said.findall(text)))]
    assert found == []

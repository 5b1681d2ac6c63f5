import re
from pathlib import Path

import pytest
from roomfile_builders import NOW, apply

from sensors.quantities import QUANTITIES
from service.climate.targets import CHECK_UNITS_AND_SHARES
from service.model import ZONES
from service.roomfile.export import export_room_file
from service.roomfile.library import library
from service.store.engine import Store

PAGE = (Path(__file__).parents[2] / "docs" / "room-file.md").read_text(encoding="utf-8")
EXAMPLE = PAGE[PAGE.index("```toml\n") + len("```toml\n") :]
EXAMPLE = EXAMPLE[: EXAMPLE.index("```")]


def test_the_example_of_the_page_is_a_sound_room_file_with_every_key_of_the_page(store: Store) -> None:
    apply(store, EXAMPLE)
    with store.read() as session:
        text = export_room_file(session, NOW)
    assert not apply(store, text)
    table = PAGE[PAGE.index("| table | keys |") : PAGE.index("**Ids**")]
    words = {word for word in re.findall(r"`([a-z_]+)`", table) if word not in {"place", "lights", "misting"}}
    bare = re.sub(r"\s#.*", "", EXAMPLE)
    used = set(re.findall(r"^([a-z_]+) = ", bare, re.MULTILINE)) | set(re.findall(r"[{,] ([a-z_]+) = ", bare))
    assert words <= used
    assert used <= words | {"place", "lights", "misting"}


@pytest.mark.parametrize("word", [*ZONES, *QUANTITIES, *CHECK_UNITS_AND_SHARES, *library()])
def test_every_word_that_a_file_may_use_is_on_the_page(word: str) -> None:
    assert f"`{word}`" in PAGE

"""The species profiles that come with the program."""

from collections.abc import Mapping
from functools import lru_cache
from importlib import resources
from types import MappingProxyType

from service.roomfile.nodes import Node, report_twice
from service.roomfile.problems import Problems
from service.roomfile.read_profiles import read_profile
from service.roomfile.spec import ProfileSpec
from service.roomfile.text import load_toml


@lru_cache(maxsize=1)
def library() -> Mapping[str, ProfileSpec]:
    """Return the shipped profiles by id, in order of their ids.

    A profile is a starting point and not veterinary advice; each target names its source.
    """
    folder = resources.files("service.roomfile") / "profiles"
    files = sorted((file for file in folder.iterdir() if file.name.endswith(".toml")), key=lambda file: file.name)
    shipped = [profile for file in files for profile in profiles_of(file.read_text(encoding="utf-8"), file.name)]
    return MappingProxyType({profile.id: profile for profile in shipped})


def profiles_of(text: str, source: str) -> tuple[ProfileSpec, ...]:
    """Return the profiles of a text that holds nothing but `[[profile]]` tables.

    Parameters
    ----------
    text : str
        TOML.
    source : str
        What to call it in sentences.

    Raises
    ------
    RoomFileInvalid
        With every problem and its line.
    """
    data, lines = load_toml(text, source)
    problems = Problems(source, lines)
    root = Node(data, (), "", problems)
    profiles = read_profiles(root)
    root.finish()
    problems.raise_any()
    return profiles


def read_profiles(root: Node) -> tuple[ProfileSpec, ...]:
    """Read every `[[profile]]` of a file."""
    nodes = root.tables("profile")
    profiles = [read_profile(node) for node in nodes]
    ids = [profile.id or None for profile in profiles]
    report_twice(nodes, ids, lambda name, line: f'id "{name}" is used twice, first in line {line}')
    return tuple(profiles)

"""Read a room file: every problem at once, or the whole of what it says."""

from pathlib import Path
from zoneinfo import available_timezones

from service.roomfile.known import Known, collect
from service.roomfile.library import library, profiles_of, read_profiles
from service.roomfile.nodes import Node, report_twice
from service.roomfile.problems import Problems
from service.roomfile.read_calibrations import read_calibrations
from service.roomfile.read_care import read_care
from service.roomfile.read_elements import report_same_names
from service.roomfile.read_enclosures import read_enclosure, read_room, report_shared_places
from service.roomfile.read_people import read_animals, read_contacts, read_equipment, read_escalations
from service.roomfile.read_probes import read_probe
from service.roomfile.spec import EnclosureSpec, ProbeSpec, ProfileSpec, RoomFile, RoomSpec, SiteSpec
from service.roomfile.text import load_text, load_toml


def read_room_file(path: str | Path) -> RoomFile:
    """Return what a room file says.

    Parameters
    ----------
    path : str or Path
        TOML, UTF-8, at most 4 MiB.

    Raises
    ------
    RoomFileInvalid
        With every problem of the file, each with its line and the nearest valid word.
    """
    return parse_room_file(load_text(Path(path)), str(path))


def read_profile_file(path: str | Path) -> tuple[ProfileSpec, ...]:
    """Return the profiles of a file that holds nothing but `[[profile]]` tables, a draft to try out for one.

    Raises
    ------
    RoomFileInvalid
        With every problem of the file.
    """
    return profiles_of(load_text(Path(path)), str(path))


def parse_room_file(text: str, source: str = "room.toml") -> RoomFile:
    """Return what the text of a room file says.

    Parameters
    ----------
    text : str
        TOML.
    source : str
        What to call it in sentences.

    Raises
    ------
    RoomFileInvalid
        With every problem of the text.
    """
    data, lines = load_toml(text, source)
    problems = Problems(source, lines)
    root = Node(data, (), "", problems)
    known = collect(data, tuple(library()))
    site = _site(root)
    room_file = RoomFile(
        site=site,
        rooms=_rooms(root),
        enclosures=_enclosures(root, known),
        probes=_probes(root, known),
        profiles=read_profiles(root),
        animals=read_animals(root, known),
        equipment=read_equipment(root, known),
        care=read_care(root, known),
        calibrations=read_calibrations(root, known),
        contacts=read_contacts(root),
        escalations=read_escalations(root, known),
    )
    root.finish()
    problems.raise_any()
    return room_file


def _site(root: Node) -> SiteSpec:
    node = root.table("site", required=True)
    if node is None:
        return SiteSpec("", "UTC")
    name = node.text("name", required=True)
    timezone = node.word(
        "timezone",
        "time zone",
        sorted(available_timezones()),
        instead='expected an IANA name, such as "Europe/Lisbon"',
    )
    node.finish()
    return SiteSpec(name or "", timezone or "UTC")


def _rooms(root: Node) -> tuple[RoomSpec, ...]:
    nodes = root.tables("room")
    rooms = [read_room(node) for node in nodes]
    _report_same_ids(nodes, [room.id for room in rooms])
    return tuple(rooms)


def _enclosures(root: Node, known: Known) -> tuple[EnclosureSpec, ...]:
    nodes = root.tables("enclosure")
    enclosures = [read_enclosure(node, known) for node in nodes]
    _report_same_ids(nodes, [enclosure.id for enclosure in enclosures])
    report_shared_places(nodes, enclosures)
    return tuple(enclosures)


def _probes(root: Node, known: Known) -> tuple[ProbeSpec, ...]:
    nodes = root.tables("probe")
    probes = [read_probe(node, known) for node in nodes]
    _report_same_ids(nodes, [probe.id for probe in probes])
    report_same_names(nodes, probes)
    return tuple(probes)


def _report_same_ids(nodes: list[Node], ids: list[str]) -> None:
    report_twice(
        nodes, [key or None for key in ids], lambda key, line: f'id "{key}" is used twice, first in line {line}'
    )

"""The room file that matches a scene, so that the service can watch it."""

import json
from datetime import UTC, datetime

from sensors.simulator.scene import Animal, Channel, Enclosure, Fitting, Probe, Scene


def _text(value: str) -> str:
    # A JSON string is a TOML basic string: both escape quotes, backslashes and control characters alike.
    return json.dumps(value, ensure_ascii=False)


def _moment(at_ms: int) -> str:
    return datetime.fromtimestamp(at_ms / 1000.0, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _enclosure(enclosure: Enclosure, room: str) -> list[str]:
    place = f"{{ rack = {_text(enclosure.rack)}, level = {enclosure.level}, slot = {enclosure.slot} }}"
    lines = [
        "[[enclosure]]",
        f"id = {_text(enclosure.id)}",
        f"name = {_text(enclosure.name)}",
        f"room = {_text(room)}",
        f"place = {place}",
        f"profile = {_text(enclosure.profile)}",
        f"lights = {{ on = {_text(enclosure.lights_on)}, off = {_text(enclosure.lights_off)} }}",
    ]
    cycles = [f"{{ at = {_text(due.at)}, seconds = {due.seconds:g} }}" for due in enclosure.misting]
    return [*lines, f"misting = [ {', '.join(cycles)} ]", ""] if cycles else [*lines, ""]


def _channel(channel: Channel) -> list[str]:
    lines = ["[[probe.channel]]", f"quantity = {_text(channel.quantity)}"]
    if channel.pointer is not None:
        lines.append(f"pointer = {_text(channel.pointer)}")
    lines += [f"enclosure = {_text(channel.enclosure)}", f"zone = {_text(channel.zone)}"]
    if channel.unit is not None:
        lines.append(f"unit = {_text(channel.unit)}")
    return [*lines, ""]


def _probe(probe: Probe) -> list[str]:
    lines = [
        "[[probe]]",
        f"id = {_text(probe.id)}",
        f"model = {_text(probe.model)}",
        f"topic = {_text(probe.topic)}",
        f"format = {_text(probe.format)}",
        f"every = {probe.every:g}",
    ]
    if probe.time_pointer is not None:
        lines.append(f"time = {_text(probe.time_pointer)}")
    return [*lines, "", *(line for channel in probe.channels for line in _channel(channel))]


def _animal(animal: Animal) -> list[str]:
    lines = ["[[animal]]", f"name = {_text(animal.name)}", f"species = {_text(animal.species)}", ""]
    for stay in animal.stays:
        lines += ["[[animal.housing]]", f"enclosure = {_text(stay.enclosure)}", f"from = {_moment(stay.start_ms)}"]
        lines += [] if stay.end_ms is None else [f"until = {_moment(stay.end_ms)}"]
        lines.append("")
    return lines


def _fitting(fitting: Fitting) -> list[str]:
    return [
        "[[equipment]]",
        f"enclosure = {_text(fitting.enclosure)}",
        f"kind = {_text(fitting.kind)}",
        f"installed = {_moment(fitting.installed_ms)}",
        f"replace_after_months = {fitting.replace_after_months:g}",
        "",
    ]


def room_toml(scene: Scene) -> str:
    """Return a scene as a room file: site, room, enclosures, probes and channels, animals, equipment.

    Parameters
    ----------
    scene : Scene

    Returns
    -------
    str
        TOML.
    """
    lines = ["[site]", f"name = {_text(scene.name)}", f"timezone = {_text(scene.timezone)}", ""]
    lines += ["[[room]]", f"id = {_text(scene.room)}", ""]
    for enclosure in scene.enclosures:
        lines += _enclosure(enclosure, scene.room)
    for probe in scene.probes:
        lines += _probe(probe)
    for animal in scene.animals:
        lines += _animal(animal)
    for fitting in scene.fittings:
        lines += _fitting(fitting)
    return "\n".join(lines)

"""The names that a room file defines: what its other parts may refer to."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Known:
    """Every name that may be referred to, collected before anything is checked.

    Attributes
    ----------
    rooms, enclosures, contacts : tuple of str
        In order of the file.
    probes : mapping of probe id to quantities
        In order of the file.
    profiles : tuple of str
        Those of the file, then the shipped ones.
    models : mapping of probe id to model
        Of probes that give one.
    """

    rooms: tuple[str, ...]
    enclosures: tuple[str, ...]
    contacts: tuple[str, ...]
    probes: Mapping[str, tuple[str, ...]]
    profiles: tuple[str, ...]
    models: Mapping[str, str]


def collect(data: Mapping[str, Any], shipped: tuple[str, ...]) -> Known:
    """Collect the names of a file as `tomllib` gives it, whatever else is wrong with it."""
    probes = {
        probe["id"]: _names(probe, "channel", "quantity")
        for probe in _tables(data, "probe")
        if isinstance(probe.get("id"), str)
    }
    own = _names(data, "profile", "id")
    return Known(
        rooms=_names(data, "room", "id"),
        enclosures=_names(data, "enclosure", "id"),
        contacts=_names(data, "contact", "name"),
        probes=probes,
        profiles=(*own, *(profile for profile in shipped if profile not in own)),
        models={
            probe["id"]: probe["model"]
            for probe in _tables(data, "probe")
            if isinstance(probe.get("id"), str) and isinstance(probe.get("model"), str)
        },
    )


def _tables(data: Mapping[str, Any], key: str) -> list[Mapping[str, Any]]:
    value = data.get(key)
    return [item for item in value if isinstance(item, dict)] if isinstance(value, list) else []


def _names(data: Mapping[str, Any], key: str, name_key: str) -> tuple[str, ...]:
    found = (table.get(name_key) for table in _tables(data, key))
    return tuple(dict.fromkeys(name for name in found if isinstance(name, str)))

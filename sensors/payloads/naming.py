"""Where a gateway's message says which probe speaks: a level of the topic, a place in the message, a base name."""

from sensors.payloads.measurement import Mapping, MappingError
from sensors.payloads.pointer import PointerError, compile_pointer

BASE_NAME = "bn"
"""The name is the SenML base name of the records."""
MEMBER = "member"
"""The name is that of the member of the object at `each`."""
LONGEST_NAME = 200
"""[characters]"""


def level_of(called_at: str | None) -> int | None:
    """Return which level of the topic holds the name, counted from 1; None where it stands in the message."""
    if called_at is None or not (called_at.isascii() and called_at.isdigit()):
        return None
    return int(called_at)


def level_in(topic: str, level: int) -> str | None:
    """Return the text of a level of a topic, counted from 1; None where the topic is shorter."""
    levels = topic.split("/", level)
    return levels[level - 1] if level <= len(levels) else None


def is_in_message(mapping: Mapping) -> bool:
    """Whether the message itself says which probe speaks."""
    return mapping.called_at is not None and level_of(mapping.called_at) is None


def name_of(value: object) -> str | None:
    """Return a value of a message as a probe's name: printable text, or a whole number; None for anything else."""
    if isinstance(value, str):
        return value if 0 < len(value) <= LONGEST_NAME and value.isprintable() else None
    return str(value) if isinstance(value, int) and not isinstance(value, bool) else None


def fault_of_names(mapping: Mapping, topic: str) -> str | None:
    """Say what is wrong with `each`, `called` and `called_at` of a mapping, None when they are sound.

    Parameters
    ----------
    mapping : Mapping
    topic : str
        The topic or filter that the probe is heard on.

    Returns
    -------
    str or None
        How to mend it.
    """
    if mapping.each is not None and (fault := _fault_of_each(mapping.format, mapping.each)):
        return fault
    if (mapping.called is None) != (mapping.called_at is None):
        return "'called' and 'called_at' go together: what the gateway calls the probe, and where that name stands"
    if mapping.called is None or mapping.called_at is None:
        return None
    if not 0 < len(mapping.called) <= LONGEST_NAME:
        return f"'called' has from 1 to {LONGEST_NAME} characters"
    level = level_of(mapping.called_at)
    if level is not None:
        return _fault_of_level(topic, level, mapping.called)
    return _fault_of_place(mapping, mapping.called_at)


def _fault_of_each(written: str, each: str) -> str | None:
    if written != "json":
        return f"'each' leads into JSON, but the format is '{written}': leave it out"
    try:
        compile_pointer(each)
    except PointerError as exc:
        return str(exc)
    return None


def _fault_of_level(topic: str, level: int, called: str) -> str | None:
    levels = topic.split("/")
    is_open = levels[-1] == "#"
    if level < 1 or (level > len(levels) and not is_open):
        return f"'called_at' is level {level}, but the topic '{topic}' has {len(levels)}: the first is 1"
    at = "#" if level > len(levels) else levels[level - 1]
    if at not in {"+", "#"}:
        return f"level {level} of '{topic}' is always '{at}': write '+' there, or leave 'called' and 'called_at' out"
    return "'called' is one level of a topic: it holds no '/'" if "/" in called else None


def _fault_of_place(mapping: Mapping, called_at: str) -> str | None:
    if called_at == BASE_NAME:
        return None if mapping.format == "senml" else "'called_at' is 'bn' for format 'senml' only: give a pointer"
    if mapping.format != "json":
        return f"format '{mapping.format}' names its probes by a level of the topic" + (
            ", or by 'bn', the base name" if mapping.format == "senml" else ""
        )
    if called_at == MEMBER:
        return None if mapping.each is not None else "'called_at' is 'member': say by 'each' of which object"
    try:
        compile_pointer(called_at)
    except PointerError as exc:
        return f"'called_at' is a level of the topic, a pointer or 'member'; {exc}"
    return None


def require_names(mapping: Mapping, topic: str) -> None:
    """Refuse a mapping whose names could never be found.

    Raises
    ------
    MappingError
        With `fault_of_names`.
    """
    fault = fault_of_names(mapping, topic)
    if fault is not None:
        raise MappingError(fault)

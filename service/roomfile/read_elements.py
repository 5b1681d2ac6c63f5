"""What a room file says of gateways that speak for several probes, and of elements that no catalogue lists."""

from collections.abc import Sequence

from sensors.catalogue import OTHER, Figures
from sensors.payloads.measurement import Mapping
from sensors.payloads.naming import LONGEST_NAME, fault_of_names
from sensors.payloads.pointer import PointerError, compile_pointer
from service.roomfile.nodes import Node, report_twice
from service.roomfile.spec import ProbeSpec

_FIGURES = ("accuracy", "resolution", "range", "response", "source")
_ENDS = 2


def read_pointer(node: Node, key: str) -> str | None:
    """Read an RFC 6901 pointer; the empty one, the whole document, is allowed."""
    pointer = "" if node.is_empty_text(key) else node.text(key)
    if pointer is None:
        return None
    try:
        compile_pointer(pointer)
    except PointerError as exc:
        return node.problem(str(exc), key)
    return pointer


def read_names(node: Node, written: str | None, topic: str | None) -> tuple[str | None, str | None, str | None]:
    """Read `each`, `called` and `called_at`: which record of a message is this probe's, and how it is known."""
    each, called, called_at = read_pointer(node, "each"), node.text("called"), _called_at(node)
    if written is not None and topic is not None and not (node.has("called_at") and called_at is None):
        fault = fault_of_names(Mapping(written, (), None, each, called, called_at), topic)
        if fault:
            node.problem(fault, next(key for key in ("called_at", "called", "each") if node.has(key)))
    return each, called, called_at


def _called_at(node: Node) -> str | None:
    """Read a level of the topic as a whole number; else a pointer, "member" or "bn"."""
    if node.is_empty_text("called_at"):
        return ""
    value = node.raw("called_at")
    if isinstance(value, int) and not isinstance(value, bool):
        return (
            str(value)
            if 0 < value <= LONGEST_NAME
            else node.problem('"called_at" is no level of a topic: the first is 1', "called_at")
        )
    return node.text("called_at")


def report_same_names(nodes: Sequence[Node], probes: Sequence[ProbeSpec]) -> None:
    """Note probes of one gateway that have one name."""
    names = [(p.topic, p.format, p.each, p.called_at, p.called) if p.called is not None else None for p in probes]
    report_twice(
        nodes, names, lambda _, line: f"its gateway calls it as the probe in line {line}; one name is one probe"
    )


def read_figures(node: Node, model: str | None) -> Figures | None:
    """Read a keeper's own figures of an element; they belong to model "other", and to no other."""
    accuracy = node.number("accuracy", required=model == OTHER, above=0.0)
    resolution, response = node.number("resolution", above=0.0), node.number("response", above=0.0)
    low, high = _range(node)
    source = node.text("source")
    written = [key for key in _FIGURES if node.has(key)]
    if model is not None and model != OTHER and written:
        return node.problem(
            f'"{written[0]}" is a figure of model "{OTHER}"; model "{model}" has its own: remove it', written[0]
        )
    return None if accuracy is None else Figures(accuracy, resolution, low, high, response, source)


def _range(node: Node) -> tuple[float | None, float | None]:
    value = node.raw("range")
    if value is None:
        return None, None
    ends = value if isinstance(value, list) else []
    numbers = [float(end) for end in ends if isinstance(end, int | float) and not isinstance(end, bool)]
    if len(numbers) != _ENDS or len(ends) != _ENDS or not numbers[0] < numbers[1]:
        node.problem('"range" is no range; write the least and the greatest value, as in [-40, 80]', "range")
        return None, None
    return numbers[0], numbers[1]

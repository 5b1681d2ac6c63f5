"""The part of a room file about probes and their channels."""

from sensors.catalogue import CATALOGUE
from sensors.payloads.decoder import FORMATS
from sensors.payloads.topics import fault_of_filter
from sensors.quantities import QUANTITIES
from service.model import ZONES
from service.roomfile.known import Known
from service.roomfile.nodes import Node
from service.roomfile.read_elements import read_figures, read_names, read_pointer
from service.roomfile.spans import report_meeting
from service.roomfile.spec import BEGINNING, ChannelSpec, PlacementSpec, ProbeSpec

_LONGEST_CADENCE_S = 86_400.0


def read_probe(node: Node, known: Known) -> ProbeSpec:
    """Read a `[[probe]]` with its channels."""
    identity = node.identity()
    model = node.word("model", "model", CATALOGUE)
    topic = node.text("topic", required=True)
    if topic is not None and (fault := fault_of_filter(topic)):
        node.problem(f'topic "{topic}" cannot be subscribed to: {fault}', "topic")
    written = node.word("format", "format", FORMATS)
    every = node.number("every", above=0.0, most=_LONGEST_CADENCE_S)
    time = read_pointer(node, "time")
    if time is not None and written is not None and written != "json":
        node.problem(f'"time" is a pointer into JSON, but the format is "{written}"; leave it out', "time")
    names = read_names(node, written, topic)
    channels = _channels(node, written, model, known)
    node.finish()
    return ProbeSpec(identity or "", model or "", topic or "", written or "", every, time, channels, *names)


def _channels(probe: Node, written: str | None, model: str | None, known: Known) -> tuple[ChannelSpec, ...]:
    nodes = probe.tables("channel", "quantity")
    if not nodes and not probe.has("channel"):
        probe.problem("has no channel; add a [[probe.channel]] for each quantity that it measures")
    read = [(_channel(node, written, model, known), node) for node in nodes]
    if written == "scalar" and len({spec.quantity for spec, _ in read}) > 1:
        probe.problem('has several channels, but the format "scalar" carries one number; use "json", or more probes')
    if written == "senml":
        _report_shared_names(read)
    by_quantity: dict[str, list[tuple[ChannelSpec, Node]]] = {}
    for spec, node in read:
        if spec.quantity:
            by_quantity.setdefault(spec.quantity, []).append((spec, node))
    return tuple(_one_channel(pairs) for pairs in by_quantity.values())


def _report_shared_names(read: list[tuple[ChannelSpec, Node]]) -> None:
    """Note a SenML record that is taken for two quantities: it carries one value."""
    first: dict[str, ChannelSpec] = {}
    for spec, node in read:
        if spec.pointer is not None and first.setdefault(spec.pointer, spec).quantity != spec.quantity:
            node.problem(f'record "{spec.pointer}" is "{first[spec.pointer].quantity}" already', "name")


def _channel(node: Node, written: str | None, model: str | None, known: Known) -> ChannelSpec:
    quantity = node.word("quantity", "quantity", QUANTITIES)
    pointer = _where_in_message(node, written)
    units = QUANTITIES[quantity].units if quantity else None
    unit = node.word("unit", "unit", units, required=False) if units else node.text("unit")
    figures = read_figures(node, model)
    placement = _placement(node, known)
    node.finish()
    return ChannelSpec(quantity or "", pointer, unit, (placement,) if placement else (), figures)


def _where_in_message(node: Node, written: str | None) -> str | None:
    """Read where the value stands: a pointer into JSON, the name of a SenML record, nothing for a lone number."""
    pointer, name = read_pointer(node, "pointer"), node.text("name")
    if written is None:
        return pointer
    if written == "json" and not node.has("pointer"):
        node.problem('key "pointer" is missing; say where the value stands in the message, as in "/temperature"')
    if written == "senml" and not node.has("name"):
        node.problem('key "name" is missing; give the record\'s full name, base name included')
    if written != "json" and node.has("pointer"):
        node.problem(f'"pointer" leads into JSON, but the format is "{written}"; leave it out', "pointer")
    if written != "senml" and node.has("name"):
        node.problem(f'"name" is that of a SenML record, but the format is "{written}"; leave it out', "name")
    return name if written == "senml" else pointer


def _placement(node: Node, known: Known) -> PlacementSpec | None:
    """Read where a channel stands; it may stand nowhere, a battery's charge or a spare probe."""
    enclosure = node.word("enclosure", "enclosure", known.enclosures, required=False)
    zone = node.word("zone", "zone", ZONES, required=False)
    start, end = node.span()
    for key, other in (("enclosure", "zone"), ("zone", "enclosure")):
        if node.has(key) and not node.has(other):
            node.problem(f'key "{other}" is missing beside "{key}"')
    if not node.has("enclosure") and not node.has("zone") and (node.has("from") or node.has("until")):
        node.problem('has "from" or "until" but stands nowhere; add "enclosure" and "zone"')
    return PlacementSpec(enclosure, zone, start, end) if enclosure and zone else None


def _one_channel(pairs: list[tuple[ChannelSpec, Node]]) -> ChannelSpec:
    """Make one channel of the tables of one quantity: the same channel, in one place after another."""
    first, first_node = pairs[0]
    same = [pairs[0]]
    for spec, node in pairs[1:]:
        line = node.problems.line_of(first_node.path)
        if (spec.pointer, spec.unit, spec.figures) != (first.pointer, first.unit, first.figures):
            node.problem(f"is a second channel of one quantity, after line {line}; a probe has one: make it two probes")
        elif not (spec.placements and first.placements):
            node.problem(f"is there already, in line {line}; remove one")
        else:
            same.append((spec, node))
    placed = [(spec.placements[0], node) for spec, node in same if spec.placements]
    report_meeting(
        [node for _, node in placed],
        [placement for placement, _ in placed],
        lambda placement: (placement.from_at, placement.until_at),
        "is in two places at one time, here and in",
    )
    places = sorted((placement for placement, _ in placed), key=lambda place: place.from_at or BEGINNING)
    return ChannelSpec(first.quantity, first.pointer, first.unit, tuple(places), first.figures)

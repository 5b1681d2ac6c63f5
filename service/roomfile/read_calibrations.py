"""The part of a room file about reference checks: their points, and how each was made."""

from datetime import datetime
from typing import Any, Final

from sensors.catalogue import expanded_uncertainty
from sensors.quantities import QUANTITIES
from service.climate.calibration import CheckPoint, why_implausible
from service.climate.reference_points import Method
from service.roomfile.known import Known
from service.roomfile.nodes import Node, report_twice
from service.roomfile.spec import BEGINNING, CalibrationSpec
from service.store.reference_checks import point_json
from service.store.traceability import element_of

FIGURES: Final[tuple[str, ...]] = ("reference", "reads", "uncertainty")


def read_calibrations(root: Node, known: Known) -> tuple[CalibrationSpec, ...]:
    """Read every `[[calibration]]`."""
    nodes = root.tables("calibration", "probe")
    checks = [_calibration(node, known) for node in nodes]
    keys = [(spec.probe, spec.quantity, spec.at) if spec.probe else None for spec in checks]
    report_twice(nodes, keys, lambda _, line: f"is the same check as in line {line}; keep one")
    return tuple(checks)


def _calibration(node: Node, known: Known) -> CalibrationSpec:
    probe = node.word("probe", "probe", known.probes)
    quantities = known.probes[probe] if probe else tuple(QUANTITIES)
    quantity = node.word("quantity", "quantity", quantities)
    at, start = node.instant("at", required=True), node.instant("from")
    points = _points(node)
    by, note = node.text("by"), node.text("note")
    node.finish()
    if start is not None and at is not None and start > at:
        node.problem('"from" is later than "at"; a check corrects from when it was made, or from before', "from")
    if probe and quantity and points:
        _report_implausible(node, known.models.get(probe, ""), quantity, points)
    return CalibrationSpec(probe or "", quantity or "", at or BEGINNING, points or (_NO_POINT,), start, by, note)


_NO_POINT: Final[dict[str, Any]] = dict.fromkeys(FIGURES, 0.0)
"""Stands where a file has a problem: such a file is never applied."""


def _points(node: Node) -> tuple[dict[str, Any], ...]:
    """Read the one point that stands in the table itself, or each `[[calibration.point]]`."""
    tables = node.tables("point", "against")
    if not node.has("point"):
        return tuple(filter(None, [_figures(node)]))
    if any(node.has(name) for name in FIGURES):
        node.problem("has a point in itself and in [[calibration.point]]; write them all as [[calibration.point]]")
    for name in FIGURES:
        node.raw(name)
    return tuple(filter(None, [_point(table) for table in tables]))


def _figures(node: Node) -> dict[str, Any] | None:
    reference, reads = node.number("reference", required=True), node.number("reads", required=True)
    uncertainty = node.number("uncertainty", required=True, above=0.0)
    if reference is None or reads is None or uncertainty is None:
        return None
    return {"reference": reference, "reads": reads, "uncertainty": uncertainty}


def _point(node: Node) -> dict[str, Any] | None:
    figures = _figures(node)
    readings = node.number("readings", above=0.0)
    how = {
        "method": node.word("method", "method", list(Method), required=False),
        "against": node.text("against"),
        "reference_uncertainty": node.number("reference_uncertainty", above=0.0),
        "temperature": node.number("temperature"),
        "spread": node.number("spread", above=-1.0),
        "readings": None if readings is None else int(readings),
    }
    times: dict[str, datetime | None] = {name: node.instant(name) for name in ("since", "from", "until")}
    node.finish()
    return None if figures is None else point_json(**figures, **how, **times)


def _report_implausible(node: Node, model: str, quantity: str, points: tuple[dict[str, Any], ...]) -> None:
    checked = [CheckPoint(*(point[name] for name in FIGURES)) for point in points]
    why = why_implausible(quantity, checked, expanded_uncertainty(element_of(model, quantity)))
    if why is not None:
        node.problem(why)

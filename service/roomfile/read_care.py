"""The part of a room file about what has to be done again and again."""

from service.roomfile.known import Known
from service.roomfile.nodes import Node, report_twice
from service.roomfile.spec import CareSpec
from service.store.care import LONGEST_KIND, MOST_DAYS


def read_care(root: Node, known: Known) -> tuple[CareSpec, ...]:
    """Read every `[[care]]`."""
    nodes = root.tables("care", "what")
    tasks = [_task(node, known) for node in nodes]
    keys = [(task.what.casefold(), task.enclosure) if task.what else None for task in tasks]
    report_twice(nodes, keys, lambda _, line: f"is a task of that place already, in line {line}; keep one")
    return tuple(tasks)


def _task(node: Node, known: Known) -> CareSpec:
    what = node.text("what", required=True)
    if what is not None and len(" ".join(what.split())) > LONGEST_KIND:
        node.problem(f'"what" has {len(what)} characters, at most {LONGEST_KIND} are kept; shorten it', "what")
    enclosure = node.word("enclosure", "enclosure", known.enclosures, required=False)
    every = node.number("every_days", required=True, above=0.0, most=MOST_DAYS)
    first = node.instant("first_due")
    node.finish()
    return CareSpec(" ".join((what or "").split()), enclosure, every or 1.0, first)

"""Plans and problems as plain text, for a terminal."""

from collections.abc import Sequence

from service.roomfile.changes import Plan, PlannedChange


def tell_plan(plan: Plan, source: str, *, done: bool = False) -> str:
    """Return what a room file changes, or has changed, as lines to read.

    Parameters
    ----------
    plan : Plan
        Of `plan_changes` or `apply_room_file`.
    source : str
        What the person called the file.
    done : bool
        Whether the changes are made already.

    Returns
    -------
    str
        The number of changes, then each as a sentence under the thing that it is about. No route of a contact is
        ever in it.
    """
    if not plan:
        return f"{source} changes nothing: the store is already as the file says."
    by_subject: dict[str, list[PlannedChange]] = {}
    for change in plan.changes:
        by_subject.setdefault(change.subject, []).append(change)
    verb = "has made" if done else "will make"
    lines = [f"{source} {verb} {_counted(len(plan.changes), 'change')}:"]
    for changes in by_subject.values():
        lines += ["", *(f"  {_capital(change.sentence)}." for change in changes)]
    lines += ["", _tally(plan)]
    return "\n".join(lines)


def tell_problems(problems: Sequence[str], source: str) -> str:
    """Return the problems of a room file as lines to read.

    Parameters
    ----------
    problems : sequence of str
        Of `RoomFileInvalid.problems`, each with its line already.
    source : str
        What the person called the file.
    """
    count = _counted(len(problems), "problem")
    return "\n".join([*problems, "", f"{source} has {count}; nothing was changed."])


def tell_sound(source: str) -> str:
    """Return the sentence for a file without problems."""
    return f"{source} has no problems."


def _tally(plan: Plan) -> str:
    """Return how many changes there are of each kind."""
    actions = [change.action for change in plan.changes]
    kinds = ("added", "changed", "ended", "retired")
    return ", ".join(f"{actions.count(kind)} {kind}" for kind in kinds if kind in actions).capitalize() + "."


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _capital(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]

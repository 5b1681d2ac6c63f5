"""A day's verdict as it is shown: what an enclosure never measures is said once, and hides no day that was met."""

from collections.abc import Sequence

from service.lookback.bodies import Body
from service.lookback.summary import never_known, verdict_but_for


def shown_verdicts(days: Sequence[Body]) -> list[Body]:
    """Return days with their verdict but for the checks that their enclosure never knows; the days are copies."""
    never = never_of_each(days)
    return [day | {"verdict": verdict_but_for(day, never[day["enclosure"]])} for day in days]


def never_of_each(days: Sequence[Body]) -> dict[str, frozenset[str]]:
    """Return the checks that are not known on any day, by enclosure."""
    of: dict[str, list[Body]] = {}
    for day in days:
        of.setdefault(day["enclosure"], []).append(day)
    return {key: never_known(some) for key, some in of.items()}

"""What of a day came out otherwise when it was assessed again, and why."""

import zlib
from typing import Final

import orjson

from service.lookback.bodies import Body
from service.store.assessments import KeptDay
from service.store.verdict_changes import Changed

RENEWED: Final = "the checks themselves were renewed"
LATE: Final = "readings came late, or a fact was corrected"


def changed_verdicts(kept: KeptDay, now: Body, inputs: bytes) -> list[Changed]:
    """Return the checks of a day whose verdicts are no longer those that were kept.

    Parameters
    ----------
    kept : KeptDay
        As the day was assessed before.
    now : dict
        Its body now, as `service.lookback.bodies.body_of` returns it.
    inputs : bytes
        The digest of what it is assessed from now.
    """
    before: Body = orjson.loads(zlib.decompress(kept.body))
    was, is_now = ({check["check"]: check["verdict"] for check in body["day"]["checks"]} for body in (before, now))
    reason = RENEWED if kept.inputs.startswith(inputs) else LATE
    return [
        (kept.day, check, was.get(check), is_now.get(check), reason)
        for check in sorted(was.keys() | is_now.keys())
        if was.get(check) != is_now.get(check)
    ]

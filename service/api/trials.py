"""Trials of drafts: each runs in a thread of its own, one after the other, and is remembered for a while."""

import itertools
import threading
from collections import OrderedDict
from dataclasses import dataclass, field
from typing import Final

import structlog

from service.api.parts import Parts
from service.api.profile_trial import TrialResult, followers, run_trial, work_of
from service.errors import BadUse, NotFound, Refused, WardianError
from service.model import to_ms
from service.roomfile.spec import ProfileSpec

_KEPT: Final = 8
"""Trials that are remembered."""
_WAITING: Final = 3
"""Trials that may wait for their turn."""
_log = structlog.get_logger("trials")


class _Given_up(Exception):  # noqa: N801 - ends a thread; nobody sees it
    """The service stops."""


@dataclass
class Trial:
    """One trial: what is tried, and how far it has come.

    Attributes
    ----------
    number : int
    draft : ProfileSpec
    days : int
    of, done : int
        Steps, all together and done.
    result : TrialResult or None
        Once it is over.
    failed : str
        Why it ended without one.
    """

    number: int
    draft: ProfileSpec
    days: int
    of: int
    done: int = 0
    result: TrialResult | None = None
    failed: str = ""
    over: threading.Event = field(default_factory=threading.Event)


class Trials:
    """Begins trials and tells of them.

    Parameters
    ----------
    parts : Parts
    """

    def __init__(self, parts: Parts) -> None:
        self._parts = parts
        self._lock, self._turn = threading.Lock(), threading.Lock()
        self._numbers = itertools.count(1)
        self._known: OrderedDict[int, Trial] = OrderedDict()

    def begin(self, draft: ProfileSpec, days: int) -> Trial:
        """Begin a trial, which goes on by itself.

        Raises
        ------
        BadUse
            No enclosure follows the profile: there is nothing to try it on.
        Refused
            Too many trials wait already.
        """
        with self._parts.store.read() as session:
            facts = self._parts.facts(session)
        count = len(followers(facts, draft.id, to_ms(self._parts.now())))
        if not count:
            raise BadUse(f"no enclosure follows {draft.id!r} now, so there is nothing to try the draft on")
        with self._lock:
            if sum(not trial.over.is_set() for trial in self._known.values()) > _WAITING:
                raise Refused("other trials are still running; try again when one of them is over")
            trial = Trial(next(self._numbers), draft, days, work_of(count, days))
            self._known[trial.number] = trial
            while len(self._known) > _KEPT:
                self._known.popitem(last=False)
        threading.Thread(target=self._run, args=(trial,), name=f"trial-{trial.number}", daemon=True).start()
        return trial

    def get(self, profile: str, number: int) -> Trial:
        """Return a trial.

        Raises
        ------
        NotFound
            There is none of that number, or it is forgotten.
        """
        trial = self._known.get(number)
        if trial is None or trial.draft.id != profile:
            raise NotFound(f"there is no trial {number} of {profile[:80]!r} any more; begin it again")
        return trial

    def _run(self, trial: Trial) -> None:
        def progress(steps: int) -> None:
            trial.done += steps
            if self._parts.wake.closed:
                raise _Given_up

        try:
            with self._turn:
                with self._parts.store.read() as session:
                    facts = self._parts.facts(session)
                now_ms = to_ms(self._parts.now())
                trial.result = run_trial(self._parts.store, facts, trial.draft, trial.days, now_ms, progress)
        except WardianError as exc:
            trial.failed = str(exc)
        except _Given_up:
            trial.failed = "the service stops"
        except Exception:  # noqa: BLE001 - logged below; a thread that ends in silence would leave its page waiting
            trial.failed = "the trial broke off; the service's log says why"
            _log.exception("trial_failed", profile=trial.draft.id)
        finally:
            trial.over.set()

"""How long telling waits for what (pure)."""

from dataclasses import dataclass
from datetime import timedelta


@dataclass(frozen=True, slots=True)
class Pace:
    """How long is waited; tests go through the same steps faster.

    Attributes
    ----------
    settle : timedelta
        After an alarm is recorded, so that what happens in one moment is one message.
    bundle : timedelta
        Messages about one room to one contact are at least so far apart; what comes between is bundled.
    silence : timedelta
        For how long a condition that a common cause may explain is not told yet.
    longest_silence : timedelta
        The same, while several of them in one room make that likely.
    attempt : timedelta
        So long one attempt may take, whatever the other end does.
    lease : timedelta
        So long a claimed message is one worker's alone; well above `attempt`.
    first_retry, longest_retry : timedelta
        Waiting after the first failure, doubled after each further one up to the longest.
    longest_retry_after : timedelta
        What the other end asks for (Retry-After) is honoured up to this.
    give_up : timedelta
        A message that has failed for so long is not tried again,
    least_tries : int
        unless it was tried less often: a clock that is set ahead lets no message go untried.
    dead : timedelta
        A route that has failed for so long is dead: that is an alarm.
    old : timedelta
        What is recorded so long after it happened is history, and told to nobody.
    poll : float
        The store is looked at this often, when nothing wakes the worker. [s]
    """

    settle: timedelta = timedelta(milliseconds=500)
    bundle: timedelta = timedelta(seconds=60)
    silence: timedelta = timedelta(minutes=3)
    longest_silence: timedelta = timedelta(minutes=8)
    attempt: timedelta = timedelta(seconds=20)
    lease: timedelta = timedelta(seconds=60)
    first_retry: timedelta = timedelta(seconds=5)
    longest_retry: timedelta = timedelta(minutes=5)
    longest_retry_after: timedelta = timedelta(hours=1)
    give_up: timedelta = timedelta(hours=48)
    least_tries: int = 24
    dead: timedelta = timedelta(minutes=2)
    old: timedelta = timedelta(hours=12)
    poll: float = 0.5


def wait_after(pace: Pace, failures: int, asked: timedelta | None, chance: float) -> timedelta:
    """Return how long to wait before the next attempt.

    Parameters
    ----------
    pace : Pace
    failures : int
        In a row, this one counted: 1 or more.
    asked : timedelta or None
        What the other end asked for.
    chance : float
        0 to 1: waiting varies by a fifth either way, so that those who fail together do not come again together.
    """
    doubled = min(pace.first_retry * 2 ** min(failures - 1, 20), pace.longest_retry) * (0.8 + 0.4 * chance)
    return doubled if asked is None else max(doubled, min(asked, pace.longest_retry_after))

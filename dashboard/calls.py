"""What the Room page calls for over the whole screen: alarms of high priority that nobody has acknowledged."""

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from sqlmodel import Session

from dashboard.callouts import AlarmView, alarm_view
from service.alarms.lifecycle import State
from service.store.alarms import list_alarms
from service.store.facts import RoomFacts

SHOWN: Final = 4
"""So many are said large; more are counted."""
_MOST: Final = 500


@dataclass(frozen=True, slots=True)
class Call:
    """One alarm that calls, and where it is; `key` is empty for one of no enclosure."""

    alarm: AlarmView
    enclosure: str
    key: str


@dataclass(frozen=True, slots=True)
class Calls:
    """All that call.

    Attributes
    ----------
    shown : tuple of Call
        The longest unanswered first.
    more : int
        How many beside those.
    ids : str
        Of all of them: while it stays the same, so does what is shown.
    """

    shown: tuple[Call, ...]
    more: int
    ids: str

    @property
    def spoken(self) -> str:
        """What a person is told who does not see it."""
        said = [f"{one.enclosure}: {one.alarm.what}, since {one.alarm.since}." for one in self.shown]
        return " ".join([*said, *([f"And {self.more} more."] if self.more else [])])


def calls_of(session: Session, facts: RoomFacts, now: datetime) -> Calls:
    """Return the alarms that call at `now`."""
    found = list_alarms(session, state=State.UNACKNOWLEDGED, priority="high", limit=_MOST)
    alarms = sorted(found, key=lambda alarm: (alarm.raised_at, alarm.id))
    shown: list[Call] = []
    for alarm in alarms[:SHOWN]:
        enclosure = facts.enclosures.get(alarm.enclosure_id or 0)
        name, key = (enclosure.name, enclosure.key) if enclosure else ("The whole room", "")
        shown.append(Call(alarm_view(alarm, now, facts.zone), name, key))
    return Calls(tuple(shown), max(0, len(alarms) - SHOWN), ",".join(str(alarm.id) for alarm in alarms))

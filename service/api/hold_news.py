"""What changed about the alarms that are held back, for the live stream: tiles change without an alarm being there."""

from datetime import datetime
from typing import Any

from sqlmodel import Session

from service.alarms.holding import HOLDS
from service.api.answers import written
from service.model import AlarmHold
from service.store.facts import RoomFacts
from service.store.holds import standing_holds
from service.store.readings import number

_Hold = tuple[str, int | None, datetime | None, str, str | None]


class HoldNews:
    """Remembers what was held back, and says what has changed since it was last asked."""

    def __init__(self) -> None:
        self._number: int | None = None
        self._known: dict[int, _Hold] = {}

    def news(self, session: Session, facts: RoomFacts) -> list[dict[str, Any]]:
        """Return one answer for each hold that began, moved its end or ended; none at the first time.

        Parameters
        ----------
        session : Session
            Of `Store.read`.
        facts : RoomFacts
        """
        counted = number(session, HOLDS)
        if counted == self._number:
            return []
        first, self._number = self._number is None, counted
        before, self._known = self._known, {hold.id or 0: _of(hold) for hold in standing_holds(session)}
        changed = [key for key in before.keys() | self._known.keys() if before.get(key) != self._known.get(key)]
        return [] if first else [self._told(facts, key, before) for key in sorted(changed)]

    def _told(self, facts: RoomFacts, key: int, before: dict[int, _Hold]) -> dict[str, Any]:
        there = self._known.get(key)
        kind, enclosure_id, until, by, note = there or before[key]
        enclosure = facts.enclosures.get(enclosure_id) if enclosure_id is not None else None
        return {
            "id": key,
            "kind": kind,
            "enclosure": enclosure.key if enclosure else None,
            "until": written(until) if until else None,
            "by": by,
            "note": note,
            "ended": there is None,
        }


def _of(hold: AlarmHold) -> _Hold:
    return hold.kind, hold.enclosure_id, hold.until_at, hold.by, hold.note

"""Puts a waiting message into words, as things stand when it is sent."""

from collections.abc import Mapping
from datetime import datetime
from typing import Final

from sqlmodel import Session

from service.alarms.lifecycle import State
from service.model import Alarm, Delivery
from service.notify.messages import Frame, Kind, Message, Told, Wording, message_of
from service.notify.planner import CONTACT_PLACE, ROOM_PLACE, SERVICE_PLACE
from service.store.deliveries import ESCALATED, RAISED, RETURNED, items_of
from service.store.facts import RoomFacts

_ANSWERED: Final = frozenset({State.ACKNOWLEDGED, State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE, State.NORMAL})
_ZONES: Final = {"basking": "basking spot"}
_LOOK: Final = "Look at the enclosure."


def compose(
    session: Session,
    facts: RoomFacts,
    delivery: Delivery,
    now: datetime,
    wordings: Mapping[str, Wording],
    base: str,
    installation: int,
) -> Message | None:
    """Return what a message says now; None when nothing is left to say.

    Parameters
    ----------
    session, facts, delivery, now
        Of the store; the delivery is claimed.
    wordings : mapping of str to Wording
        By condition.
    base : str
        The pages' public address; may be empty.
    installation : int
        Number of this installation: with it a message has a name of its own.
    """
    told, newest = [], 0
    kinds: dict[int, set[str]] = {}
    alarms: dict[int, Alarm] = {}
    for item, alarm in items_of(session, delivery.id or 0):
        kinds.setdefault(item.alarm_id, set()).add(item.kind)
        alarms[item.alarm_id] = alarm
        newest = max(newest, item.id or 0)
    for number, alarm in alarms.items():
        kind = _kind_of(kinds[number], alarm)
        if kind is not None:
            told.append(told_of_alarm(facts, alarm, kind, wordings))
    if not told:
        return None
    frame = Frame(now, facts.zone, facts.site or "Wardian", base)
    return message_of(told, frame, f"wardian-{installation:012x}-{delivery.id}-{newest}")


def _kind_of(kinds: set[str], alarm: Alarm) -> Kind | None:
    """Return what is said of an alarm; what was answered before it was sent is not said."""
    if RETURNED in kinds:
        return "raised" if RAISED in kinds and alarm.state not in _ANSWERED else "returned"
    if alarm.state in _ANSWERED:
        return None
    return "escalated" if ESCALATED in kinds else "raised"


def told_of_alarm(facts: RoomFacts, alarm: Alarm, kind: Kind, wordings: Mapping[str, Wording]) -> Told:
    """Return what is told of an alarm."""
    wording = wordings.get(alarm.condition) or Wording(alarm.condition.replace("-", " ").capitalize(), _LOOK)
    return Told(
        kind=kind,
        alarm_id=alarm.id or 0,
        condition=alarm.condition,
        priority=alarm.priority,
        wording=wording,
        place=place_of(facts, alarm, wording.title),
        began=alarm.began_at,
        returned=alarm.returned_at,
        value=alarm.value,
        peak=alarm.peak,
        limit=alarm.limit,
        unit=alarm.unit or "",
        cause=alarm.cause or "",
    )


def place_of(facts: RoomFacts, alarm: Alarm, title: str) -> str:
    """Return where it is, in words: ``Dart frogs 3, cool end``; the zone only where the condition does not name it."""
    enclosure = facts.enclosures.get(alarm.enclosure_id or 0)
    if enclosure is not None:
        zone = _ZONES.get(alarm.zone or "", (alarm.zone or "").replace("-", " "))
        return f"{enclosure.name}, {zone}" if zone and zone not in title.lower() else enclosure.name
    if alarm.place.startswith(ROOM_PLACE):
        key = alarm.place.removeprefix(ROOM_PLACE)
        return next((room.name for room in facts.rooms if room.key == key), key)
    if alarm.place.startswith(CONTACT_PLACE):
        return f"to {alarm.place.removeprefix(CONTACT_PLACE)}"
    # A condition of something smaller than a room, such as a gateway or a rack.
    return alarm.place.replace("/", " ") if not alarm.place.startswith(SERVICE_PLACE) else facts.site or "Wardian"

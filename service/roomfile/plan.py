"""What applying a room file will change, told before anything is changed."""

from datetime import datetime

from sqlmodel import Session

from service.roomfile.changes import Plan
from service.roomfile.plan_care import plan_care
from service.roomfile.plan_facts import plan_facts
from service.roomfile.plan_things import plan_things
from service.roomfile.spec import RoomFile
from service.roomfile.standing import load_standing


def plan_changes(session: Session, room_file: RoomFile, now: datetime) -> Plan:
    """Compare a room file with the store.

    Parameters
    ----------
    session : Session
        Nothing is written to it.
    room_file : RoomFile
        As `read_room_file` returns it.
    now : datetime
        When it is applied: what changes, changes now, unless the file dates it.

    Returns
    -------
    Plan
        Things first, then dated facts and care tasks, then what is retired.
    """
    standing = load_standing(session)
    things, retired = plan_things(standing, room_file, now)
    return Plan((*things, *plan_facts(standing, room_file, now), *plan_care(standing, room_file, now), *retired))

"""Put a room file into the store: one transaction, every change in the journal."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from sqlmodel import Session, SQLModel, select

from service.model import Change, Enclosure
from service.roomfile.changes import Plan, PutFact, PutTask, PutThing
from service.roomfile.kinds import THINGS
from service.roomfile.plan import plan_changes
from service.roomfile.spec import RoomFile
from service.roomfile.standing import id_of
from service.store.care import add_task, change_task, retire_task
from service.store.engine import Store
from service.store.readings import next_number


def apply_room_file(store: Store, room_file: RoomFile, by: str, now: datetime) -> Plan:
    """Make the store hold what a room file says, and return what that changed.

    Parameters
    ----------
    store : Store
        Changed in one transaction: whole, or not at all.
    room_file : RoomFile
        As `read_room_file` returns it.
    by : str
        Who does it, for the journal.
    now : datetime
        When, with a time zone.

    Returns
    -------
    Plan
        Empty when the store was so already; nothing is written then.

    Raises
    ------
    StoreFull
        When the store cannot be written.
    """
    with store.write() as session:
        return apply_in(session, room_file, by, now)


def apply_in(session: Session, room_file: RoomFile, by: str, now: datetime) -> Plan:
    """Do the same within a transaction that writes already."""
    plan = plan_changes(session, room_file, now)
    if plan:
        _carry_out(session, plan, by, now)
    return plan


def _carry_out(session: Session, plan: Plan, by: str, now: datetime) -> None:
    ids = _ids(session)
    for change in plan.changes:
        for row in change.rows:
            if isinstance(row, PutThing):
                _put_thing(session, row, ids)
            elif isinstance(row, PutTask):
                _put_task(session, row, ids, by, now)
            else:
                _put_fact(session, row, ids, by, now)
        session.add(Change(at=now, by=by, subject=change.subject, before=change.before, after=change.after))
    next_number(session, "facts")


_Ids = dict[tuple[type[SQLModel], str | int], int]


def _ids(session: Session) -> _Ids:
    return {
        (kind.model, getattr(row, kind.key)): id_of(row) for kind in THINGS for row in session.exec(select(kind.model))
    }


def _put_thing(session: Session, put: PutThing, ids: _Ids) -> None:
    kind = put.kind
    values = _with_ids(put.values, kind.references, ids)
    if put.is_new:
        row = kind.model(**{kind.key: put.key, **values})
        session.add(row)
        session.flush()
        ids[kind.model, put.key] = id_of(row)
        return
    row = session.get_one(kind.model, ids[kind.model, put.key])
    if "retired_at" in kind.model.model_fields:
        values["retired_at"] = put.retired_at
    for column, value in values.items():
        setattr(row, column, value)
    session.add(row)


def _put_fact(session: Session, put: PutFact, ids: _Ids, by: str, now: datetime) -> None:
    session.add(
        put.model(
            **_with_ids(put.values, put.references, ids),
            from_at=put.from_at,
            until_at=put.until_at,
            entered_by=by,
            entered_at=now,
            replaces_id=put.replaces_id,
            withdrawn=put.withdrawn,
        )
    )


def _put_task(session: Session, put: PutTask, ids: _Ids, by: str, now: datetime) -> None:
    place = None if put.enclosure is None else ids[Enclosure, put.enclosure]
    if put.id is None:
        add_task(session, put.what, put.every_days, place, put.first_due, by, now)
    elif put.is_retired:
        retire_task(session, put.id, by, now)
    else:
        change_task(session, put.id, put.what, put.every_days, put.first_due)


def _with_ids(
    values: Mapping[str, Any],
    references: Mapping[str, type[SQLModel]],
    ids: Mapping[tuple[type[SQLModel], str | int], int],
) -> dict[str, Any]:
    """Return the values with ids where they hold keys."""
    return {
        column: ids[references[column], value] if column in references else value for column, value in values.items()
    }

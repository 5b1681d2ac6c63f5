"""Change the room from a screen: what stands is written as a room file, changed, and applied, in one transaction.

So whatever is entered on a screen passes the checks of the room file, is dated and journalled as if it had stood in
one, and `room export` writes it.
"""

import re
import tomllib
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any, Final

from sqlmodel import Session

from service.errors import BadUse, RoomFileInvalid
from service.roomfile.applying import apply_in
from service.roomfile.changes import Plan
from service.roomfile.export import export_room_file
from service.roomfile.library import profiles_of
from service.roomfile.reading import parse_room_file
from service.roomfile.spec import ProfileSpec
from service.roomfile.toml_text import pairs
from service.store.engine import Store

_WHERE: Final = re.compile(r"^[^:\n]*:\d+: ")
_SOURCE: Final = "screen"
Document = dict[str, Any]
"""A room file as `tomllib` gives it."""


def edit_room(store: Store, change: Callable[[Document], None], by: str, now: datetime) -> Plan:
    """Change what stands, and return what that changed.

    Parameters
    ----------
    store : Store
        Changed in one transaction: whole, or not at all.
    change : callable
        Is given what stands as a room file, and changes it in place. It may raise `BadUse`.
    by : str
        Who does it, for the journal.
    now : datetime
        When, with a time zone.

    Raises
    ------
    BadUse
        What came of it is no room: every problem in a sentence.
    StoreFull
        When the store cannot be written.
    """
    with store.write() as session:
        document = room_document(session, now)
        change(document)
        try:
            room_file = parse_room_file(document_text(document), _SOURCE)
        except RoomFileInvalid as exc:
            raise BadUse("; ".join(plain_sentences(exc))) from exc
        return apply_in(session, room_file, by, now)


def room_document(session: Session, now: datetime) -> Document:
    """Return what stands as a room file; a site that has no name yet is left out."""
    document = tomllib.loads(export_room_file(session, now))
    if not document["site"].get("name"):
        del document["site"]
    return document


def profile_draft(body: Mapping[str, Any]) -> ProfileSpec:
    """Return a profile that somebody wrote, as a `[[profile]]` of a room file says it.

    Raises
    ------
    BadUse
        Every problem in a sentence.
    """
    try:
        return profiles_of(document_text({"profile": [dict(body)]}), _SOURCE)[0]
    except RoomFileInvalid as exc:
        raise BadUse("; ".join(plain_sentences(exc))) from exc


def document_text(document: Mapping[str, Any]) -> str:
    """Return a document as TOML; what a table holds is written in one line each."""
    parts: list[str] = []
    for name, value in document.items():
        tables, head = ([value], f"[{name}]") if isinstance(value, Mapping) else (value, f"[[{name}]]")
        parts += ["\n".join([head, *pairs(table)]) for table in tables]
    return "\n\n".join(parts) + "\n"


def plain_sentences(problems: RoomFileInvalid) -> list[str]:
    """Return the problems without the lines of a file that nobody has seen."""
    return [_WHERE.sub("", problem) for problem in problems.problems]


def entry(document: Document, kind: str, key: str, name_key: str = "id") -> Document:
    """Return a table of a list in the document.

    Raises
    ------
    BadUse
        When there is none of that key.
    """
    for table in document.get(kind, []):
        if table.get(name_key) == key:
            return table
    raise BadUse(f'there is no {kind} "{key[:80]}" any more; load the page again')


def without(document: Document, kind: str, key: str, name_key: str = "id") -> None:
    """Leave a table of a list out of the document: the thing is retired, and what is known of it stays."""
    gone = entry(document, kind, key, name_key)
    document[kind] = [table for table in document[kind] if table is not gone]

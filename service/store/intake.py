"""What the intake of messages needs to remember: refused messages, and receipts of those that were stored."""

import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite
from sqlmodel import Session, select

from service.model import Counter, Receipt, RefusedMessage, RefusedTopic, table_of
from service.store.readings import next_number

SHOWN_BYTES = 4096
"""How much of a refused payload is kept. [byte]"""
LONGEST_SESSION = 65_535
"""An MQTT session has this many packet identifiers: an older receipt can match nothing."""
LONGEST_TOPIC = 1_800
"""Longer topics are cut, and cannot be claimed: an index holds no more. [byte]"""
_TOPICS_COUNTED = 10_000
_FORGET_EVERY = 64
"""Looking for old receipts at each commit would cost more than the receipt itself."""
_ENTRY = struct.Struct("<HQ")
_RECEIPT, _REFUSED, _TOPIC = table_of(Receipt), table_of(RefusedMessage), table_of(RefusedTopic)
_COUNTER = table_of(Counter)
_NEW_RECEIPT = sa.insert(_RECEIPT).returning(_RECEIPT.c.id)


@dataclass(frozen=True, slots=True)
class Refusal:
    """A message, or a part of one, that could not be taken, and why."""

    at: datetime
    topic: str
    payload: bytes
    reason: str


@dataclass(frozen=True, slots=True)
class ReceiptEntry:
    """One message that was stored: the broker's packet identifier and the digest of topic and payload."""

    packet: int
    digest: int


def keep_refusals(session: Session, refusals: Sequence[Refusal], limit: int) -> None:
    """Keep refused messages to be looked at, at most `limit` of them, and count them all by topic."""
    if not refusals:
        return
    next_number(session, "unclaimed")
    rows = [
        {
            "received_at": refusal.at,
            "topic": fitting_topic(refusal.topic),
            "payload": refusal.payload[:SHOWN_BYTES],
            "size": len(refusal.payload),
            "reason": _storable(refusal.reason),
        }
        for refusal in refusals[-limit:]
    ]
    session.execute(sa.insert(_REFUSED), rows)
    newest = session.execute(sa.select(sa.func.max(_REFUSED.c.id))).scalar_one()
    session.execute(sa.delete(_REFUSED).where(_REFUSED.c.id <= newest - limit))
    _count_topics(session, refusals)


def fitting_topic(topic: str) -> str:
    """Return a topic as it is stored: without the character that PostgreSQL refuses, and cut to what an index holds."""
    shown = topic.replace("\0", "\N{REPLACEMENT CHARACTER}")
    encoded = shown.encode("utf-8", "replace")
    return shown if len(encoded) <= LONGEST_TOPIC else f"{encoded[:LONGEST_TOPIC].decode('utf-8', 'ignore')}…"


def _storable(text: str) -> str:
    """Return a sentence without the one character that PostgreSQL refuses in a text."""
    return text.replace("\0", "\\0")


def _count_topics(session: Session, refusals: Iterable[Refusal]) -> None:
    """Count refusals by topic; past a bound new topics are counted together, so that nobody can fill the table."""
    known = session.execute(sa.select(sa.func.count()).select_from(_TOPIC)).scalar_one()
    counted: dict[str, list[Refusal]] = {}
    for refusal in refusals:
        counted.setdefault(fitting_topic(refusal.topic), []).append(refusal)
    insert = sqlite.insert if session.connection().dialect.name == "sqlite" else postgresql.insert
    for topic, of_topic in counted.items():
        if known >= _TOPICS_COUNTED and session.get(RefusedTopic, topic) is None:
            topic = "(other topics)"  # noqa: PLW2901 - the name that is counted
        statement = insert(_TOPIC).values(
            topic=topic,
            reason=_storable(of_topic[-1].reason),
            count=len(of_topic),
            first_at=of_topic[0].at,
            last_at=of_topic[-1].at,
        )
        new = {name: statement.excluded[name] for name in ("reason", "last_at")}
        total = {"count": _TOPIC.c.count + statement.excluded["count"]}
        session.execute(statement.on_conflict_do_update(index_elements=["topic"], set_=new | total))
        known += 1


def refused_topics(session: Session) -> Sequence[RefusedTopic]:
    """Return the topics whose messages were refused, the newest first."""
    return session.exec(select(RefusedTopic).order_by(_TOPIC.c.last_at.desc())).all()


def refused_messages(session: Session, topic: str | None = None, limit: int = 50) -> Sequence[RefusedMessage]:
    """Return refused messages, the newest first."""
    query = select(RefusedMessage).order_by(_REFUSED.c.id.desc()).limit(limit)
    return session.exec(query if topic is None else query.where(_REFUSED.c.topic == topic)).all()


def add_receipt(session: Session, mqtt_session: str, entries: Sequence[ReceiptEntry]) -> None:
    """Note which messages this transaction stores, and forget what the broker cannot send again."""
    if not entries:
        return
    packed = b"".join(_ENTRY.pack(entry.packet, entry.digest) for entry in entries)
    row = {"session": mqtt_session, "messages": len(entries), "entries": packed}
    number = session.connection().execute(_NEW_RECEIPT, row).scalar_one()
    if number % _FORGET_EVERY == 0:
        _forget_receipts(session, mqtt_session)


def _forget_receipts(session: Session, mqtt_session: str) -> None:
    """Delete the receipts that are older than the session has packet identifiers."""
    kept = 0
    rows = sa.select(_RECEIPT.c.id, _RECEIPT.c.messages).where(_RECEIPT.c.session == mqtt_session)
    for number, messages in session.execute(rows.order_by(_RECEIPT.c.id.desc())):
        kept += messages
        if kept > LONGEST_SESSION:
            session.execute(sa.delete(_RECEIPT).where(_RECEIPT.c.session == mqtt_session, _RECEIPT.c.id < number))
            return


def receipts(session: Session, mqtt_session: str) -> list[ReceiptEntry]:
    """Return what was noted of a session's messages, the oldest first."""
    rows = session.execute(
        sa.select(_RECEIPT.c.entries).where(_RECEIPT.c.session == mqtt_session).order_by(_RECEIPT.c.id)
    ).scalars()
    return [ReceiptEntry(*entry) for packed in rows for entry in _ENTRY.iter_unpack(packed)]


def installation_number(session: Session, fresh: int) -> int:
    """Return the number that tells this store's MQTT session from another's; `fresh` becomes it the first time."""
    insert = sqlite.insert if session.connection().dialect.name == "sqlite" else postgresql.insert
    # Two processes may meet a new database at the same moment: the second takes the number of the first.
    session.execute(insert(_COUNTER).values(name="installation", value=fresh).on_conflict_do_nothing())
    return session.execute(sa.select(_COUNTER.c.value).where(_COUNTER.c.name == "installation")).scalar_one()

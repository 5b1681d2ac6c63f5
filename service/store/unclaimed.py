"""What was heard of probes that nobody has claimed: kept whole within a bound, and listed by who speaks."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite
from sqlmodel import Session, select

from service.errors import NotFound
from service.model import UnclaimedMessage, UnclaimedSource, table_of
from service.store.intake import fitting_topic
from service.store.readings import next_number, number

MOST_SOURCES: Final = 1_000
"""Beyond it those that have said least make room: a stranger with a flood of topics pushes out his own."""
SHARE_OF_ONE: Final = 4
"""One topic may take a quarter of what is kept."""
_OVERHEAD: Final = 100
"""What a message costs beside its payload. [byte]"""
_OTHERS: Final = ("", "")
"""Topic and name of no source: there is counted what made room."""
_SOURCE, _MESSAGE = table_of(UnclaimedSource), table_of(UnclaimedMessage)
_COST = sa.func.length(_MESSAGE.c.payload) + _OVERHEAD


@dataclass(frozen=True, slots=True)
class Unclaimed:
    """A message that is nobody's.

    Attributes
    ----------
    at : datetime
        When it arrived.
    topic : str
    payload : bytes
        Whole.
    retained : bool
        The broker had kept it: it may be of any age.
    resumed_at : datetime or None
        The resume of the session in whose burst it came.
    called : tuple of str
        The names in it that no probe has; one empty name where the topic itself is nobody's.
    reason : str
    """

    at: datetime
    topic: str
    payload: bytes
    retained: bool
    resumed_at: datetime | None
    called: tuple[str, ...]
    reason: str


def keep_unclaimed(session: Session, messages: Sequence[Unclaimed]) -> int:
    """Keep messages, count them by who speaks, and hint who looks at the list.

    Returns
    -------
    int
        How much room they take, for `trim_unclaimed` to be called now and then. [byte]
    """
    if not messages:
        return 0
    next_number(session, "unclaimed")
    rows = [
        {
            "topic": fitting_topic(message.topic),
            "received_at": message.at,
            "payload": message.payload,
            "retained": message.retained,
            "resumed_at": message.resumed_at,
        }
        for message in messages
    ]
    session.execute(sa.insert(_MESSAGE), rows)
    _count(session, messages)
    _make_room_for_sources(session)
    return sum(len(message.payload) + _OVERHEAD for message in messages)


def _count(session: Session, messages: Iterable[Unclaimed]) -> None:
    spoken: dict[tuple[str, str], list[Unclaimed]] = {}
    for message in messages:
        for called in message.called:
            spoken.setdefault((fitting_topic(message.topic), called), []).append(message)
    rows = [
        {
            "topic": topic,
            "called": called,
            "reason": said[-1].reason.replace("\0", "\\0"),
            "count": len(said),
            "first_at": said[0].at,
            "last_at": said[-1].at,
        }
        for (topic, called), said in spoken.items()
    ]
    add_sources(session, rows)


def add_sources(session: Session, rows: Sequence[dict[str, object]]) -> None:
    """Add sources, or what is new of them where they are known."""
    if not rows:
        return
    insert = sqlite.insert if session.connection().dialect.name == "sqlite" else postgresql.insert
    statement = insert(_SOURCE)
    new = {name: statement.excluded[name] for name in ("reason", "last_at")}
    total = {"count": _SOURCE.c.count + statement.excluded["count"]}
    session.execute(statement.on_conflict_do_update(index_elements=["topic", "called"], set_=new | total), rows)


def _make_room_for_sources(session: Session) -> None:
    """Forget the sources beyond the bound, those first that have said least, and of these the oldest."""
    is_one = _SOURCE.c.topic != ""
    known = session.execute(sa.select(sa.func.count()).select_from(_SOURCE).where(is_one)).scalar_one()
    if known <= MOST_SOURCES:
        return
    least = sa.select(_SOURCE.c.id).where(is_one).order_by(_SOURCE.c.count, _SOURCE.c.last_at, _SOURCE.c.id)
    going = list(session.execute(least.limit(known - MOST_SOURCES)).scalars())
    within = _SOURCE.c.id.in_(going)
    totals = sa.select(sa.func.sum(_SOURCE.c.count), sa.func.min(_SOURCE.c.first_at), sa.func.max(_SOURCE.c.last_at))
    count, first_at, last_at = session.execute(totals.where(within)).one()
    session.execute(sa.delete(_SOURCE).where(within))
    _drop_silent_topics(session)
    topic, called = _OTHERS
    reason = f"more than {MOST_SOURCES} speak and belong to nobody: these have said least, and made room"
    told = {"reason": reason, "count": int(count), "first_at": first_at, "last_at": last_at}
    add_sources(session, [{"topic": topic, "called": called, **told}])


def _drop_silent_topics(session: Session) -> None:
    """Delete the messages of topics that have no source left."""
    spoken = sa.select(_SOURCE.c.topic).where(_SOURCE.c.topic == _MESSAGE.c.topic)
    session.execute(sa.delete(_MESSAGE).where(~spoken.exists()))


def trim_unclaimed(session: Session, most: int) -> None:
    """Delete the oldest messages of the topics that take most, until all fit.

    Parameters
    ----------
    session : Session
    most : int
        What all messages may take together; one topic a quarter of it. [byte]
    """
    sums = sa.select(_MESSAGE.c.topic, sa.func.sum(_COST)).group_by(_MESSAGE.c.topic)
    taken = {topic: int(size) for topic, size in session.execute(sums)}
    share = fair_share(list(taken.values()), most)
    for topic, size in taken.items():
        if size > share:
            _trim_topic(session, topic, share)


def fair_share(sizes: Sequence[int], most: int) -> int:
    """Return how much each may keep at most, so that all fit together: what the small leave, the large share.

    Parameters
    ----------
    sizes : sequence of int
    most : int
        For all together; one has a quarter of it at most.
    """
    left, open_sizes = most, sorted(sizes)
    while open_sizes:
        share = left // len(open_sizes)
        if open_sizes[0] > share:
            return min(share, most // SHARE_OF_ONE)
        left -= open_sizes.pop(0)
    return most // SHARE_OF_ONE


def _trim_topic(session: Session, topic: str, share: int) -> None:
    newer = sa.func.sum(_COST).over(order_by=_MESSAGE.c.id.desc()).label("newer")
    ranked = sa.select(_MESSAGE.c.id, newer).where(_MESSAGE.c.topic == topic).subquery()
    session.execute(sa.delete(_MESSAGE).where(_MESSAGE.c.id.in_(sa.select(ranked.c.id).where(ranked.c.newer > share))))


def unclaimed_version(session: Session) -> int:
    """Return a number that changes with the list of sources."""
    return number(session, "unclaimed")


def list_sources(
    session: Session, before_id: int | None = None, limit: int = MOST_SOURCES
) -> Sequence[UnclaimedSource]:
    """Return who speaks and belongs to nobody, the newest source first."""
    query = select(UnclaimedSource).where(_SOURCE.c.topic != "").order_by(_SOURCE.c.id.desc()).limit(limit)
    return session.exec(query if before_id is None else query.where(_SOURCE.c.id < before_id)).all()


def made_room(session: Session) -> UnclaimedSource | None:
    """Return how many messages were said by sources that made room for others."""
    return session.exec(select(UnclaimedSource).where(_SOURCE.c.topic == "")).first()


def get_source(session: Session, source_id: int) -> UnclaimedSource:
    """Return a source.

    Raises
    ------
    NotFound
        When there is none: it was claimed, or made room.
    """
    source = session.get(UnclaimedSource, source_id)
    if source is None or not source.topic:
        raise NotFound("nobody speaks there unclaimed any more: it was claimed, or made room for others")
    return source


def last_messages(session: Session, topic: str, limit: int) -> list[UnclaimedMessage]:
    """Return the last messages of a topic, the newest first."""
    query = select(UnclaimedMessage).where(_MESSAGE.c.topic == topic).order_by(_MESSAGE.c.id.desc()).limit(limit)
    return list(session.exec(query).all())


def messages_of(session: Session, topic: str) -> list[UnclaimedMessage]:
    """Return every kept message of a topic, the oldest first."""
    return list(session.exec(select(UnclaimedMessage).where(_MESSAGE.c.topic == topic).order_by(_MESSAGE.c.id)).all())


def unclaimed_topics(session: Session) -> list[str]:
    """Return the topics that have messages."""
    return list(session.execute(sa.select(_SOURCE.c.topic).where(_SOURCE.c.topic != "").distinct()).scalars())


def forget_sources(session: Session, topic: str, but_called: Iterable[str] = ()) -> None:
    """Delete the sources of a topic but those of these names; where none is left, its messages too."""
    session.execute(sa.delete(_SOURCE).where(_SOURCE.c.topic == topic, _SOURCE.c.called.not_in(list(but_called))))
    _drop_silent_topics(session)
    next_number(session, "unclaimed")

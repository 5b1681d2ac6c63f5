"""Saving a draft of a profile: a new version from now on, by the way that a room file goes."""

from datetime import datetime
from typing import Any

from service.api.parts import Parts
from service.errors import BadUse, NotFound, Refused
from service.model import to_ms
from service.roomfile.editing import Document, edit_room, profile_draft
from service.roomfile.library import library
from service.roomfile.sane_targets import doubts_about
from service.roomfile.spec import ProfileSpec
from service.store.facts import RoomFacts


def known_profile(facts: RoomFacts, key: str) -> None:
    """Raise NotFound where the room has no profile of that key."""
    if not facts.profile_versions.get(key):
        raise NotFound(
            f"there is no profile {key[:80]!r}; there are {', '.join(sorted(facts.profile_versions)) or 'none'}"
        )


def require_possible(draft: ProfileSpec) -> None:
    """Raise BadUse where a target of a draft could never be met."""
    wrong = [f"{one.check}: {one.sentence}" for one in doubts_about(draft.targets) if one.is_impossible]
    if wrong:
        raise BadUse("; ".join(wrong))


def save_profile(parts: Parts, table: dict[str, Any], by: str, *, is_new: bool) -> list[str]:
    """Save a draft and return what that changed, in sentences.

    Parameters
    ----------
    parts : Parts
    table : dict
        As a `[[profile]]` of a room file.
    by : str
    is_new : bool
        Whether it must not be there yet, or must be.

    Raises
    ------
    BadUse
        The draft cannot be taken: every problem in a sentence.
    Refused
        There is a profile of that id already.
    NotFound
        There is none.
    """
    key = table["id"]
    with parts.store.read() as session:
        facts = parts.facts(session)
    if is_new and is_in_use(facts, key, parts.now()):
        raise Refused(f"there is a profile {key!r} already; change it instead, or take another id")
    if not is_new:
        known_profile(facts, key)
    require_possible(profile_draft(table))

    def change(document: Document) -> None:
        others = [one for one in document.get("profile", []) if one["id"] != key]
        document["profile"] = [*others, table]

    plan = edit_room(parts.store, change, by, parts.now())
    parts.wake.notify()
    return list(plan.sentences)


def is_in_use(facts: RoomFacts, key: str, now: datetime) -> bool:
    """Whether the room has a profile of that key: one whose newest version is not over."""
    versions = facts.profile_versions.get(key)
    return bool(versions) and versions[-1].end_ms > to_ms(now)


def shipped_left(facts: RoomFacts, now: datetime) -> list[ProfileSpec]:
    """Return the shipped profiles that the room does not have, or no more."""
    return [spec for key, spec in library().items() if not is_in_use(facts, key, now)]

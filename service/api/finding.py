"""Finding an enclosure, an animal, a probe or a profile by a few letters."""

import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Final
from urllib.parse import quote

from sqlmodel import Session

from service.model import to_ms
from service.store.facts import EnclosureFact, RoomFacts
from service.store.finding import animals_housed

_NO_MATCH: Final = 9
_KINDS: Final = ("enclosure", "animal", "probe", "profile")


@dataclass(frozen=True, slots=True)
class Found:
    """Something with a page of its own.

    Attributes
    ----------
    kind : str
        ``enclosure``, ``animal``, ``probe`` or ``profile``.
    key, name, about : str
        `about` says where it is, or what.
    address : str
        The path of its page.
    """

    kind: str
    key: str
    name: str
    about: str
    address: str


def folded(text: str) -> str:
    """Return a text as texts are compared: small letters without accents, one space between words."""
    plain = "".join(sign for sign in unicodedata.normalize("NFKD", text) if not unicodedata.combining(sign))
    return " ".join(plain.casefold().split())


def rank(query: str, name: str, key: str, about: str = "") -> int:
    """Return how well something fits what is looked for: 0 best, 9 not at all.

    Parameters
    ----------
    query : str
        A few letters; all its words must be found.
    name, key, about : str
        Its own name counts more than where it is.
    """
    wanted = folded(query)
    named, called, said = folded(name), folded(key), folded(about)
    if not wanted:
        return _NO_MATCH
    if named.startswith(wanted) or called.startswith(wanted):
        return int(wanted not in {named, called})
    words, parts = wanted.split(), [*named.split(), *called.replace("-", " ").replace("_", " ").split()]
    if all(any(part.startswith(word) for part in parts) for word in words):
        return 2
    initials = "".join(part[:1] for part in named.split())
    if initials.startswith(wanted.replace(" ", "")):
        return 3
    if all(word in named or word in called for word in words):
        return 4
    return 5 if all(word in f"{named} {called} {said}" for word in words) else _NO_MATCH


def find(session: Session, facts: RoomFacts, query: str, now: datetime, most: int) -> list[Found]:
    """Return what fits a few letters, the best first; enclosures before animals, those before probes.

    Parameters
    ----------
    session, facts
        Of `Store.read`.
    query : str
    now : datetime
        Aware.
    most : int
        At most so many.
    """
    ranked = [(rank(query, one.name, one.key, one.about), one) for one in _everything(session, facts, now)]
    fits = sorted(
        (pair for pair in ranked if pair[0] < _NO_MATCH),
        key=lambda pair: (pair[0], _KINDS.index(pair[1].kind), folded(pair[1].name)),
    )
    return [one for _, one in fits[:most]]


def _everything(session: Session, facts: RoomFacts, now: datetime) -> Iterator[Found]:
    now_ms = to_ms(now)
    for enclosure in facts.enclosures.values():
        yield Found(
            "enclosure", enclosure.key, enclosure.name, _place(facts, enclosure, now_ms),
            f"/enclosures/{quote(enclosure.key)}",
        )  # fmt: skip
    for name, species, where in animals_housed(session, now):
        yield Found(
            "animal", name, name, f"{species}, {where}" if where else species, f"/animals/{quote(name, safe='')}"
        )
    for probe in facts.probes.values():
        yield Found("probe", probe.key, probe.key, f"{probe.model}, {probe.topic}", f"/probes/{quote(probe.key)}")
    for key, versions in facts.profile_versions.items():
        if versions:
            yield Found("profile", key, versions[-1].species, key, f"/profiles/{quote(key)}")


def _place(facts: RoomFacts, enclosure: EnclosureFact, now_ms: int) -> str:
    profile = enclosure.profile_at(now_ms)
    version = facts.profile_version_at(profile, now_ms) if profile else None
    room = next((room.name for room in facts.rooms if room.key == enclosure.room), "")
    where = f"rack {enclosure.rack}, level {enclosure.level}, slot {enclosure.slot}" if enclosure.rack else room
    return f"{where}, {version.species}" if version else where

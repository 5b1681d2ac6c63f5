"""What held in an enclosure since when, and who entered it: its lights, its misting, and whose day it is."""

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from sqlmodel import Session

from dashboard.local_forms import when
from dashboard.words import exact
from service.model import DatedFact, LightSchedule, MistingSchedule, Profile, ProfileAssignment, ProfileVersion
from service.roomfile.kinds import FACT_OF
from service.roomfile.spec import BEGINNING
from service.store.facts import EnclosureFact, RoomFacts, current

_TITLES: Final = {ProfileAssignment: "Profile", LightSchedule: "Lights", MistingSchedule: "Misting"}


@dataclass(frozen=True, slots=True)
class Held:
    """A fact that counts; `state` is ``now``, ``ahead`` or ``over``."""

    what: str
    words: str
    span: str
    exact: str
    entered: str
    state: str


def held_in(session: Session, facts: RoomFacts, enclosure: EnclosureFact, now: datetime) -> list[Held]:
    """Return what holds, is to come and was, each kind the newest first."""
    return [
        _held(row, title, _words(session, row), facts, now)
        for model, title in _TITLES.items()
        for row in reversed(current(session, model))
        if row.enclosure_id == enclosure.id
    ]


def authors_of(session: Session, profile: str) -> dict[int, str]:
    """Return who entered each version of a profile, by the versions' numbers."""
    rows = [row for row in current(session, ProfileVersion) if session.get_one(Profile, row.profile_id).key == profile]
    return {row.version: row.entered_by for row in rows}


def _words(session: Session, row: LightSchedule | MistingSchedule | ProfileAssignment) -> str:
    if isinstance(row, ProfileAssignment):
        return session.get_one(Profile, row.profile_id).species
    kind = FACT_OF[type(row)]
    return kind.describe({column: getattr(row, column) for column in kind.columns})


def _held(row: DatedFact, title: str, words: str, facts: RoomFacts, now: datetime) -> Held:
    since = "from the beginning" if row.from_at == BEGINNING else f"from {when(row.from_at, facts, now)}"
    until = "" if row.until_at is None else f" until {when(row.until_at, facts, now)}"
    is_over = row.until_at is not None and row.until_at <= now
    state = "over" if is_over else "ahead" if row.from_at > now else "now"
    entered = f"entered by {row.entered_by} on {when(row.entered_at, facts, now)}"
    return Held(title, words, since + until, exact(row.from_at, facts.zone), entered, state)

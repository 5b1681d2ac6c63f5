"""The Room page's content: the racks with their tiles, who needs someone, and the counts in words."""

from collections import Counter
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from sqlmodel import Session

from dashboard.callouts import NEEDS_SOMEONE, AlarmView, Callout, alarm_view, callouts
from dashboard.calls import Calls, calls_of
from dashboard.racks import Line, pages_of, racks_of
from dashboard.tiles import DayDrawings, TileView
from dashboard.words import exact, iso
from service.api.rhythms import Rhythms
from service.api.standing import Standing, standing
from service.store.alarms import list_alarms
from service.store.facts import RoomFacts

_LARGE: Final = 3
"""So many call-outs are drawn large; those up to `_NAMED` are named in a line."""
_NAMED: Final = 8
_EVERY_ALARM: Final = 100_000
_ROOMY: Final = 30
"""Up to so many tiles a page, they are large."""


@dataclass(frozen=True, slots=True)
class RoomView:
    """What the Room page shows.

    Attributes
    ----------
    site : str
    counts : str
        ``24 enclosures · 19 steady · 2 need you``.
    clock, date, zone_name, now_iso, now_exact : str
    room_alarms : tuple of AlarmView
        Alarms that stand for no single enclosure: a power cut, the watching itself.
    calls : Calls
        What is called for over the whole screen.
    callouts, others : tuple of Callout
        Those drawn large, and those named in a line.
    unnamed : int
        How many more need someone: their tiles say so.
    pages : list of list of Line
        Tiles by the key of their enclosure stand in `tiles`.
    tiles : dict of str to TileView
    density : str
        "roomy" or "close".
    """

    site: str
    counts: str
    clock: str
    date: str
    zone_name: str
    now_iso: str
    now_exact: str
    room_alarms: tuple[AlarmView, ...]
    calls: Calls
    callouts: tuple[Callout, ...]
    others: tuple[Callout, ...]
    unnamed: int
    pages: list[list[Line]]
    tiles: dict[str, TileView]
    density: str


class RoomViews:
    """Builds what the Room page shows, keeping today's readings between pages.

    Parameters
    ----------
    rhythms : Rhythms
        Of `service.api.parts.Parts`.
    """

    def __init__(self, rhythms: Rhythms) -> None:
        self._rhythms = rhythms
        self.drawings = DayDrawings(rhythms)

    def view(
        self, session: Session, facts: RoomFacts, now: datetime, wanted: Collection[str] | None = None
    ) -> RoomView:
        """Return the room as it stands at `now`.

        Parameters
        ----------
        session, facts, now
            Of `Store.read`; aware.
        wanted : collection of str, optional
            Keys of the enclosures whose tiles are drawn beside the call-outs; by default all.
        """
        standings = list(standing(session, facts, now, self._rhythms).values())
        drawn = [
            one for one in standings if wanted is None or one.enclosure.key in wanted or one.state in NEEDS_SOMEONE
        ]
        tiles = self.drawings.tiles(session, facts, drawn, now)
        called = callouts(drawn, tiles, now, facts.zone)
        pages = pages_of(racks_of(facts.enclosures.values()))
        most = max((sum(len(rack.cells) for line in page for rack in line.racks) for page in pages), default=0)
        local = now.astimezone(facts.zone)
        return RoomView(
            site=facts.site,
            counts=counts(standings),
            clock=f"{local:%H:%M}",
            date=f"{local:%A} {local.day} {local:%B}",
            zone_name=local.tzname() or facts.timezone,
            now_iso=iso(now),
            now_exact=exact(now, facts.zone),
            room_alarms=room_alarms(session, now, facts),
            calls=calls_of(session, facts, now),
            callouts=called[:_LARGE],
            others=called[_LARGE:_NAMED],
            unnamed=max(0, len(called) - _NAMED),
            pages=pages,
            tiles={tile.key: tile for tile in tiles},
            density="roomy" if most <= _ROOMY else "close",
        )


def room_alarms(session: Session, now: datetime, facts: RoomFacts) -> tuple[AlarmView, ...]:
    """Return the standing alarms that are about no single enclosure, the worst first."""
    standing_alarms = [a for a in list_alarms(session, standing=True, limit=_EVERY_ALARM) if a.enclosure_id is None]
    rank = {"high": 0, "medium": 1}
    ordered = sorted(standing_alarms, key=lambda alarm: (rank.get(alarm.priority, 2), alarm.raised_at))
    return tuple(alarm_view(alarm, now, facts.zone) for alarm in ordered)


def counts(standings: list[Standing]) -> str:
    """Return how many enclosures there are and how they stand, in words."""
    states = Counter(one.state for one in standings)
    total = len(standings)
    said = [f"{total} enclosure{'' if total == 1 else 's'}"]
    words = {"act": "need you", "blind": "blind", "drifting": "drifting", "resting": "resting", "steady": "steady"}
    for state, word in words.items():
        if states[state]:
            one = "needs you" if state == "act" and states[state] == 1 else word
            said.append(f"{states[state]} {one}")
    return " · ".join(said)

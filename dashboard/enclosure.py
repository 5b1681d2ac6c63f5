"""The Enclosure page's content: how it stands, what each zone measures, today's strip, and its alarms."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from markupsafe import Markup
from sqlmodel import Session

from dashboard.callouts import AlarmView, alarm_view
from dashboard.scales import scale_of
from dashboard.tiles import DayDrawings, TileView
from dashboard.words import ago, exact, iso, limits, measured, of_ms, quantity_name, unit_of, zone_name
from service.api.rhythms import Rhythms
from service.api.standing import standing
from service.api.zone_values import ZoneValue
from service.store.alarms import list_alarms
from service.store.facts import EnclosureFact, RoomFacts

_RECENT = 30


@dataclass(frozen=True, slots=True)
class ValueView:
    """The newest value of a quantity in a zone, ready to be read."""

    zone: str
    quantity: str
    value: str
    scale: Markup
    target: str
    source: str
    channel: str
    age: str
    at_iso: str
    at_exact: str
    is_fresh: bool
    is_outside: bool


@dataclass(frozen=True, slots=True)
class EnclosureView:
    """What the Enclosure page shows beside its charts.

    Attributes
    ----------
    tile : TileView
        With a large strip.
    room, species : str
    worst : AlarmView or None
        The worst alarm that stands.
    values : tuple of ValueView
    recent : tuple of AlarmView
        The newest alarms, those that stand first.
    """

    tile: TileView
    room: str
    species: str
    worst: AlarmView | None
    values: tuple[ValueView, ...]
    recent: tuple[AlarmView, ...]


class EnclosureViews:
    """Builds what the Enclosure page shows.

    Parameters
    ----------
    rhythms : Rhythms
    """

    def __init__(self, rhythms: Rhythms) -> None:
        self._rhythms = rhythms
        # Drawings of its own: the Room page's are drawn for other sizes and of all enclosures.
        self._drawings = DayDrawings(rhythms)

    def view(self, session: Session, facts: RoomFacts, enclosure: EnclosureFact, now: datetime) -> EnclosureView:
        """Return an enclosure as it stands at `now`."""
        stands = standing(session, facts, now, self._rhythms, [enclosure])[enclosure.id]
        tiles = self._drawings.tiles(session, facts, [stands], now, large=True)
        alarms = list_alarms(session, enclosure_id=enclosure.id, limit=_RECENT)
        ordered = sorted(alarms, key=lambda alarm: alarm.returned_at is not None)
        return EnclosureView(
            tile=tiles[0],
            room=next((room.name for room in facts.rooms if room.key == enclosure.room), ""),
            species=_species(facts, enclosure, now),
            worst=alarm_view(stands.alarms[0], now, facts.zone) if stands.alarms else None,
            values=value_views(stands.values, facts, now),
            recent=tuple(alarm_view(alarm, now, facts.zone) for alarm in ordered),
        )


def _species(facts: RoomFacts, enclosure: EnclosureFact, now: datetime) -> str:
    at_ms = int(now.timestamp() * 1000)
    followed = enclosure.profile_at(at_ms)
    version = facts.profile_version_at(followed, at_ms) if followed else None
    return f"{version.species}, profile {version.profile} version {version.version}" if version else ""


def value_views(values: Sequence[ZoneValue], facts: RoomFacts, now: datetime) -> tuple[ValueView, ...]:
    """Return the newest values in words."""
    views: list[ValueView] = []
    for value in values:
        at, unit, target = of_ms(value.at_ms), unit_of(value.unit), value.target
        views.append(
            ValueView(
                zone=zone_name(value.zone),
                quantity=quantity_name(value.quantity),
                value=measured(value.value, unit),
                scale=scale_of(value.value, target.low if target else None, target.high if target else None, unit),
                target=limits(target.low, target.high, unit) if target else "",
                source=target.source if target else "",
                channel=value.channel,
                age=ago(at, now),
                at_iso=iso(at),
                at_exact=exact(at, facts.zone),
                is_fresh=value.fresh,
                is_outside=value.passed is not None,
            )
        )
    return tuple(views)

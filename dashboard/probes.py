"""The Probes page's content: who speaks unclaimed, what could not be read, and how each probe is."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final
from urllib.parse import quote

from sqlmodel import Session

from dashboard.racks import racks_of
from dashboard.words import ago, exact, iso, measured, quantity_name, span, unit_of, zone_name
from service.api.parts import Parts
from service.api.probe_answers import shown_payload
from service.api.probe_standing import ProbeStanding, Trouble, probes_standing
from service.api.zone_values import unit_of as stored_unit
from service.model import UnclaimedSource
from service.store.facts import RoomFacts
from service.store.intake import refused_messages, refused_topics
from service.store.unclaimed import last_messages, list_sources, made_room
from service.watch.conditions import CONDITIONS

MOST_SHOWN: Final = 50
_PAYLOAD: Final = 300
_FASTER, _SLOWER = 0.5, 2.0


@dataclass(frozen=True, slots=True)
class SpeakerView:
    """Someone who speaks and is not understood: nobody's, or a probe's whose message cannot be read."""

    id: int
    topic: str
    called: str
    payload: str
    reason: str
    count: str
    first: str
    last: str
    last_iso: str
    last_exact: str


@dataclass(frozen=True, slots=True)
class TroubleView:
    """What is wrong with a probe, since when, and what to do."""

    title: str
    since: str
    since_iso: str
    since_exact: str
    next_step: str


@dataclass(frozen=True, slots=True)
class ProbeRow:
    """A probe in the list; empty texts for what is not known."""

    key: str
    address: str
    model: str
    places: tuple[tuple[str, str, str], ...]
    values: str
    figures: str
    zones: str
    heard: str
    heard_iso: str
    heard_exact: str
    cadence: str
    cadence_is_off: bool
    battery: str
    signal: str
    troubles: tuple[TroubleView, ...]


@dataclass(frozen=True, slots=True)
class Door:
    """An enclosure in its rack with the probes that stand in it; column and row are 0 where the rack keeps order."""

    key: str
    name: str
    column: int
    row: int
    probes: tuple[ProbeRow, ...]


@dataclass(frozen=True, slots=True)
class ProbeRack:
    """A rack as it stands; without a name the enclosures that have no place."""

    name: str
    columns: int
    is_placed: bool
    doors: tuple[Door, ...]


@dataclass(frozen=True, slots=True)
class ProbesView:
    """What the page shows: `troubled` need a look, `loose` stand in no enclosure, `usual` is how often most speak."""

    unclaimed: tuple[SpeakerView, ...]
    refused: tuple[SpeakerView, ...]
    troubled: tuple[ProbeRow, ...]
    racks: tuple[ProbeRack, ...]
    loose: tuple[ProbeRow, ...]
    usual: str
    flood: str
    counts: str


def probes_view(session: Session, facts: RoomFacts, parts: Parts) -> ProbesView:
    """Return what the page shows now."""
    now = parts.now()
    sources = list_sources(session, None, MOST_SHOWN)
    standing = probes_standing(session, facts, parts.rhythms, now)
    gone = made_room(session)
    troubled = sum(bool(one.troubles) for one in standing)
    counts = f"{len(standing)} probe{'' if len(standing) == 1 else 's'}" + (
        f" · {troubled} need{'s' if troubled == 1 else ''} a look" if troubled else ""
    )
    rows = tuple(probe_row(facts, one, now) for one in standing)
    return ProbesView(
        unclaimed=tuple(speaker_view(session, facts, source, now) for source in sources),
        refused=_refused(session, facts, now),
        troubled=tuple(row for row in rows if row.troubles),
        racks=_racks(facts, rows),
        loose=tuple(row for row in rows if not row.places),
        usual=next((cadence for cadence, _ in Counter(row.cadence for row in rows if row.cadence).most_common(1)), ""),
        flood=f"{gone.count:,} messages of others made room: more speak here than are kept." if gone else "",
        counts=counts,
    )


def _racks(facts: RoomFacts, rows: Sequence[ProbeRow]) -> tuple[ProbeRack, ...]:
    """Return the racks with the probes that stand in them; a probe of two enclosures stands in both."""
    within: dict[str, list[ProbeRow]] = {}
    for row in sorted(rows, key=lambda row: row.key):
        for key in dict.fromkeys(key for key, _, _ in row.places):
            within.setdefault(key, []).append(row)
    return tuple(
        ProbeRack(
            rack.name, rack.columns, rack.is_placed,
            tuple(
                Door(c.enclosure.key, c.enclosure.name, c.column, c.row, tuple(within.get(c.enclosure.key, ())))
                for c in rack.cells
            ),
        )
        for rack in racks_of(facts.enclosures.values())
    )  # fmt: skip


def speaker_view(session: Session, facts: RoomFacts, source: UnclaimedSource, now: datetime) -> SpeakerView:
    """Return an unclaimed source in words, with its last message."""
    last = last_messages(session, source.topic, 1)
    return SpeakerView(
        source.id or 0, source.topic, source.called, shown_payload(last[0].payload)[:_PAYLOAD] if last else "",
        source.reason, _times(source.count), ago(source.first_at, now), ago(source.last_at, now),
        iso(source.last_at), exact(source.last_at, facts.zone),
    )  # fmt: skip


def _refused(session: Session, facts: RoomFacts, now: datetime) -> tuple[SpeakerView, ...]:
    views: list[SpeakerView] = []
    for topic in list(refused_topics(session))[:MOST_SHOWN]:
        last = refused_messages(session, topic.topic, 1)
        payload = shown_payload(last[0].payload)[:_PAYLOAD] if last else ""
        views.append(
            SpeakerView(
                0, topic.topic, "", payload, topic.reason, _times(topic.count), ago(topic.first_at, now),
                ago(topic.last_at, now), iso(topic.last_at), exact(topic.last_at, facts.zone),
            )
        )  # fmt: skip
    return tuple(views)


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count:,} times"


def probe_row(facts: RoomFacts, standing: ProbeStanding, now: datetime) -> ProbeRow:
    """Return a probe in words."""
    places = {(c.enclosure, c.zone) for c in standing.channels if c.enclosure and c.zone}
    return ProbeRow(
        key=standing.fact.key,
        address=f"/probes/{quote(standing.fact.key)}",
        model=standing.fact.model,
        places=tuple(
            (enclosure, facts.by_key[enclosure].name, zone_name(zone))
            for enclosure, zone in sorted(places)
            if enclosure
        ),
        values=" · ".join(_value(standing, quantity) for quantity in _climate(standing)),
        figures=" · ".join(_figure(standing, quantity) for quantity in _climate(standing)),
        zones=" · ".join(dict.fromkeys(zone_name(zone) for _, zone in sorted(places))),
        heard=ago(standing.last_at, now) if standing.last_at else "",
        heard_iso=iso(standing.last_at) if standing.last_at else "",
        heard_exact=exact(standing.last_at, facts.zone) if standing.last_at else "",
        cadence=_cadence(standing),
        cadence_is_off=_is_off(standing),
        battery="" if standing.battery is None else measured(standing.battery, "%"),
        signal="" if standing.signal is None else measured(standing.signal, "dBm"),
        troubles=tuple(_trouble(facts, trouble, now) for trouble in standing.troubles),
    )


def _climate(standing: ProbeStanding) -> list[str]:
    return [c.fact.quantity for c in standing.channels if c.fact.quantity not in {"battery", "signal"}]


def _value(standing: ProbeStanding, quantity: str) -> str:
    return f"{quantity_name(quantity)} {_figure(standing, quantity)}"


def _figure(standing: ProbeStanding, quantity: str) -> str:
    channel = next(c for c in standing.channels if c.fact.quantity == quantity)
    if quantity == "switch" and channel.value is not None:
        return "on" if channel.value else "off"
    return measured(channel.value, unit_of(stored_unit(quantity)))


def _cadence(standing: ProbeStanding) -> str:
    seen, declared = (None if ms is None else span(ms / 1000) for ms in (standing.seen_ms, standing.declared_ms))
    if seen is None:
        return f"{declared} declared" if declared else ""
    return f"every {seen}" + (f", declared {declared}" if declared and declared != seen else "")


def _is_off(standing: ProbeStanding) -> bool:
    if standing.seen_ms is None or standing.declared_ms is None:
        return False
    return not _FASTER <= standing.seen_ms / standing.declared_ms <= _SLOWER


def _trouble(facts: RoomFacts, trouble: Trouble, now: datetime) -> TroubleView:
    known = CONDITIONS[trouble.condition]
    return TroubleView(
        known.title, ago(trouble.since, now), iso(trouble.since), exact(trouble.since, facts.zone), known.next_step
    )


def placed_in(facts: RoomFacts, enclosure: str, at_ms: int) -> dict[str, Sequence[str]]:
    """Return which probes stand in each zone of an enclosure, by zone."""
    found: dict[str, dict[str, None]] = {}
    fact = facts.by_key.get(enclosure)
    for placement in fact.placements if fact else ():
        if placement.holds_at(at_ms):
            found.setdefault(placement.zone, {})[facts.channels[placement.channel_id].probe] = None
    return {zone: list(probes) for zone, probes in found.items()}

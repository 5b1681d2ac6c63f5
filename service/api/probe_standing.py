"""How each probe is: when it was last heard, how often it speaks, its battery and signal, and what is wrong with it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import sqlalchemy as sa
from sqlmodel import Session

from service.api.rhythms import Rhythms
from service.climate.probe_health import battery_is_low, silent_after_ms
from service.climate.series import cadence_of
from service.model import Alarm, ChannelState, from_ms, table_of, to_ms
from service.store.facts import ChannelFact, ProbeFact, RoomFacts
from service.store.history import corrected_value
from service.store.readings import recent_times

HEALTH: Final = (
    "probe-silent", "probe-stuck", "probe-saturated", "probe-impossible", "probe-disagrees", "calibration-due",
    "battery-low",
)  # fmt: skip
"""The conditions that are about a probe itself."""
_LOOKED_AT: Final = 20


@dataclass(frozen=True, slots=True)
class Trouble:
    """A condition of a probe that holds, since when, and the alarm that says so where there is one."""

    condition: str
    since: datetime
    alarm_id: int | None = None


@dataclass(frozen=True, slots=True)
class ChannelStanding:
    """A channel's newest value, corrected, and where it stands now; None for what is not known."""

    fact: ChannelFact
    value: float | None
    at: datetime | None
    enclosure: str | None
    zone: str | None


@dataclass(frozen=True, slots=True)
class ProbeStanding:
    """A probe as it is.

    Attributes
    ----------
    fact : ProbeFact
    channels : tuple of ChannelStanding
    last_at : datetime or None
        Its newest reading; None when it was never heard.
    declared_ms, seen_ms : int or None
        Cadence as declared, and the median spacing of its last readings. [ms]
    battery, signal : float or None
        [%], [dBm]
    troubles : tuple of Trouble
        The longest first.
    """

    fact: ProbeFact
    channels: tuple[ChannelStanding, ...]
    last_at: datetime | None
    declared_ms: int | None
    seen_ms: int | None
    battery: float | None
    signal: float | None
    troubles: tuple[Trouble, ...]


def probes_standing(
    session: Session, facts: RoomFacts, rhythms: Rhythms, now: datetime, probes: Sequence[ProbeFact] | None = None
) -> list[ProbeStanding]:
    """Return how probes are, those with trouble first, else by key; all of them unless some are asked for."""
    wanted = list(facts.probes.values()) if probes is None else list(probes)
    state = table_of(ChannelState).c
    newest = {
        channel: (at_ms, value)
        for channel, at_ms, value in session.execute(sa.select(state.channel_id, state.at_ms, state.value))
    }
    troubles = _standing_alarms(session)
    found = [_standing(session, facts, rhythms, now, probe, newest, troubles) for probe in wanted]
    return sorted(found, key=lambda standing: (not standing.troubles, standing.fact.key))


def _standing_alarms(session: Session) -> Mapping[int, list[Trouble]]:
    """Return what stands of the probes' conditions, by channel."""
    alarm = table_of(Alarm).c
    rows = session.execute(
        sa.select(alarm.channel_id, alarm.condition, alarm.began_at, alarm.id).where(
            alarm.returned_at.is_(None), alarm.condition.in_(HEALTH), alarm.channel_id.is_not(None)
        )
    )
    found: dict[int, list[Trouble]] = {}
    for channel, condition, began_at, alarm_id in rows:
        found.setdefault(channel, []).append(Trouble(condition, began_at, alarm_id))
    return found


def _standing(
    session: Session,
    facts: RoomFacts,
    rhythms: Rhythms,
    now: datetime,
    probe: ProbeFact,
    newest: Mapping[int, tuple[int, float]],
    alarms: Mapping[int, list[Trouble]],
) -> ProbeStanding:
    channels = [_channel(facts, facts.channels[channel], newest.get(channel), now) for channel in probe.channels]
    last = max((channel.at for channel in channels if channel.at), default=None)
    by_quantity = {channel.fact.quantity: channel.value for channel in channels}
    first = channels[0].fact if channels else None
    seen = _seen_cadence(session, first) if first is not None and last is not None else None
    battery = by_quantity.get("battery")
    troubles = {t.condition: t for c in probe.channels for t in sorted(alarms.get(c, ()), key=lambda t: t.since)[::-1]}
    # What stands nowhere raises no alarm, and is silent all the same.
    if "probe-silent" not in troubles and first is not None and last is not None:
        due_ms = to_ms(last) + silent_after_ms(rhythms.cadence_ms(session, first, to_ms(now)))
        if to_ms(now) > due_ms:
            troubles["probe-silent"] = Trouble("probe-silent", last)
    if "battery-low" not in troubles and battery_is_low(percent=battery) and last is not None:
        troubles["battery-low"] = Trouble("battery-low", last)
    return ProbeStanding(
        probe,
        tuple(channels),
        last,
        first.declared_cadence_ms if first else None,
        seen,
        battery,
        by_quantity.get("signal"),
        tuple(sorted(troubles.values(), key=lambda trouble: trouble.since)),
    )


def _channel(
    facts: RoomFacts, channel: ChannelFact, newest: tuple[int, float] | None, now: datetime
) -> ChannelStanding:
    placement = channel.placement_at(to_ms(now))
    enclosure = facts.enclosures.get(placement.enclosure_id) if placement else None
    return ChannelStanding(
        channel,
        None if newest is None else corrected_value(channel, *newest),
        None if newest is None else from_ms(newest[0]),
        enclosure.key if enclosure else None,
        placement.zone if placement and enclosure else None,
    )


def _seen_cadence(session: Session, channel: ChannelFact) -> int | None:
    times = recent_times(session, channel.id, _LOOKED_AT)
    return cadence_of(times) if len(times) > 1 else None

"""How each enclosure stands now: its state, the one figure that matters, and a sentence for a person."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final, Literal

from sqlmodel import Session

from service.alarms.lifecycle import State as AlarmState
from service.api import sentences
from service.api.rhythms import PartOfDay, Rhythms, part_of_day
from service.api.zone_values import HUMIDITY, Band, ZoneValue, bands_now, first_of, values_now
from service.climate.day_view import AMBIENT, BASKING, SURFACE_FIRST, TEMPERATURES
from service.climate.targets import Target
from service.model import Alarm, AlarmHold, to_ms
from service.store.alarms import list_alarms
from service.store.facts import EnclosureFact, RoomFacts
from service.store.holds import standing_holds
from service.store.readings import Newest, newest_readings

State = Literal["act", "blind", "drifting", "steady", "resting"]

_EVERY_ALARM: Final = 100_000
_RANK: Final = {"high": 0, "medium": 1, "low": 2}
_SILENT: Final = "probe-silent"


@dataclass(frozen=True, slots=True)
class Figure:
    """The one figure that matters now.

    Attributes
    ----------
    about : str
        What it is, in words: "Basking spot", "Ambient humidity".
    value : float
        [unit]
    unit : str
        SenML unit name.
    limit : float or None
        The limit that was passed; None when nothing was. [unit]
    target : Band or None
        What it is held against at this time of day.
    at_ms : int
        [ms, UTC]
    """

    about: str
    value: float
    unit: str
    limit: float | None
    target: Band | None
    at_ms: int


@dataclass(frozen=True, slots=True)
class Standing:
    """How an enclosure stands.

    Attributes
    ----------
    enclosure : EnclosureFact
    state : str
        "act" (an alarm of high or medium priority stands), "blind" (what should be known is not), "drifting" (a low
        alarm stands, or a value is outside its target for certain), "resting" (out of service, or nothing is measured
        and nothing asked for), else "steady".
    word : str
        The state in a word or two, saying what is wrong where something is.
    figure : Figure or None
        The worst condition, else the basking temperature, else ambient.
    sentence : str
        What happened and what to do.
    alarms : tuple of Alarm
        Standing ones, the worst first.
    basking : ZoneValue or None
        With the target of this time of day.
    values : tuple of ZoneValue
        One for each zone and quantity, in order of these.
    newest_at_ms : int or None
        [ms, UTC]
    part_of_day : str
        "day", "night", or "between": warm-up or settling.
    targets : mapping of check id to Target
        In force now.
    """

    enclosure: EnclosureFact
    state: State
    word: str
    figure: Figure | None
    sentence: str
    alarms: tuple[Alarm, ...]
    basking: ZoneValue | None
    values: tuple[ZoneValue, ...]
    newest_at_ms: int | None
    part_of_day: PartOfDay
    targets: Mapping[str, Target]


def standing(
    session: Session,
    facts: RoomFacts,
    now: datetime,
    rhythms: Rhythms | None = None,
    only: Sequence[EnclosureFact] | None = None,
) -> dict[int, Standing]:
    """Return how enclosures stand, by their id, in one pass.

    Parameters
    ----------
    session : Session
        Of `Store.read`.
    facts : RoomFacts
    now : datetime
        Aware.
    rhythms : Rhythms, optional
        What is known already of days and cadences; hand the same one over each time (`Parts.rhythms`).
    only : sequence of EnclosureFact, optional
        These; by default all.
    """
    rhythms = rhythms or Rhythms()
    newest = {row.channel_id: row for row in newest_readings(session)}
    asked = tuple(facts.enclosures.values()) if only is None else only
    alarms = _alarms_by_enclosure(session, asked[0].id if len(asked) == 1 else None)
    resting = {hold.enclosure_id: hold for hold in standing_holds(session) if hold.kind == AlarmState.OUT_OF_SERVICE}
    found = {
        enclosure.id: _standing_of(session, facts, enclosure, newest, alarms.get(enclosure.id, []), rhythms, now)
        for enclosure in asked
    }
    return {
        identity: _at_rest(stands, resting[identity], facts, now) if identity in resting else stands
        for identity, stands in found.items()
    }


def _at_rest(stands: Standing, hold: AlarmHold, facts: RoomFacts, now: datetime) -> Standing:
    """Return how an enclosure stands that is out of service: whatever it measures, nobody is called."""
    until = f" until {sentences.clock(facts, to_ms(hold.until_at), to_ms(now))}" if hold.until_at else ""
    note = f": {hold.note.rstrip('.')}" if hold.note else ""
    return replace(stands, state="resting", word="resting", sentence=f"Out of service{until}, by {hold.by}{note}.")


def _alarms_by_enclosure(session: Session, enclosure_id: int | None) -> dict[int, list[Alarm]]:
    found: dict[int, list[Alarm]] = {}
    for alarm in list_alarms(session, standing=True, enclosure_id=enclosure_id, limit=_EVERY_ALARM):
        if alarm.enclosure_id is not None:
            found.setdefault(alarm.enclosure_id, []).append(alarm)
    return found


def _standing_of(
    session: Session,
    facts: RoomFacts,
    enclosure: EnclosureFact,
    newest: Mapping[int, Newest],
    alarms: list[Alarm],
    rhythms: Rhythms,
    now: datetime,
) -> Standing:
    now_ms = to_ms(now)
    part = part_of_day(rhythms.photoperiods(session, facts, enclosure, now), now_ms)
    targets = rhythms.targets(facts, enclosure, now_ms)
    values = values_now(session, facts, enclosure, newest, rhythms, now_ms)
    for place, band in bands_now(values, targets, part).items():
        wetted = place[1] in HUMIDITY and rhythms.is_wetted(facts, enclosure, now)
        values = [_beside(v, band, wetted=wetted) if (v.zone, v.quantity) == place else v for v in values]
    alarms.sort(key=_urgency)
    state = _state(enclosure, alarms, values, targets, now_ms)
    sentence, word = _in_words(state, facts, enclosure, alarms, values, now_ms)
    return Standing(
        enclosure=enclosure,
        state=state,
        word=word,
        figure=_figure(alarms, values, facts),
        sentence=sentence,
        alarms=tuple(alarms),
        basking=first_of(values, BASKING, SURFACE_FIRST),
        values=tuple(values),
        newest_at_ms=max((value.at_ms for value in values), default=None),
        part_of_day=part,
        targets=targets,
    )


def _beside(value: ZoneValue, band: Band, *, wetted: bool) -> ZoneValue:
    """Return a value with its band; above it shortly after a misting cycle it is in a spike, which is no fault."""
    return replace(value, target=band, in_spike=wetted and band.high is not None and value.value > band.high)


def _urgency(alarm: Alarm) -> tuple[int, datetime]:
    """Order alarms: the worst first, of those the longest standing."""
    return _RANK.get(alarm.priority, len(_RANK)), alarm.raised_at


def _state(
    enclosure: EnclosureFact,
    alarms: Sequence[Alarm],
    values: Sequence[ZoneValue],
    targets: Mapping[str, Target],
    now_ms: int,
) -> State:
    if any(alarm.priority in {"high", "medium"} and alarm.condition != _SILENT for alarm in alarms):
        return "act"
    placed = any(placement.holds_at(now_ms) for placement in enclosure.placements)
    if not placed and not targets:
        return "resting"
    if any(alarm.condition == _SILENT for alarm in alarms) or _is_blind(values):
        return "blind"
    return "drifting" if alarms or any(value.passed for value in values) else "steady"


def _is_blind(values: Sequence[ZoneValue]) -> bool:
    """Whether nothing fresh is known of the climate, or nothing of what is held against a target now."""
    climate = [value for value in values if value.is_climate]
    return not any(value.fresh for value in climate) or any(value.target and not value.fresh for value in climate)


def _figure(alarms: Sequence[Alarm], values: Sequence[ZoneValue], facts: RoomFacts) -> Figure | None:
    for alarm in alarms:
        value = sentences.value_of(alarm, values, facts)
        if value is not None:
            return Figure(sentences.about(value), value.value, value.unit, alarm.limit, value.target, value.at_ms)
        if alarm.value is not None:
            return Figure(
                sentences.condition(alarm), alarm.value, alarm.unit or "", alarm.limit, None, to_ms(alarm.raised_at)
            )
    worst = sentences.worst(values)
    shown = worst or first_of(values, BASKING, SURFACE_FIRST) or first_of(values, AMBIENT, TEMPERATURES)
    shown = shown or next((value for value in values if value.is_climate), None)
    if shown is None:
        return None
    limit = shown.passed[0] if shown.passed else None
    return Figure(sentences.about(shown), shown.value, shown.unit, limit, shown.target, shown.at_ms)


def _in_words(
    state: State,
    facts: RoomFacts,
    enclosure: EnclosureFact,
    alarms: Sequence[Alarm],
    values: Sequence[ZoneValue],
    now_ms: int,
) -> tuple[str, str]:
    """Return the sentence and the word."""
    worst = sentences.worst(values)
    if state == "blind":
        return sentences.of_silence(facts, enclosure, values, now_ms), "blind"
    if alarms:
        value = sentences.value_of(alarms[0], values, facts)
        return sentences.of_alarm(alarms[0], value, now_ms), sentences.word(alarms[0])
    if worst is not None and state == "drifting":
        return sentences.of_drift(worst), "drifting"
    if state == "resting":
        return "Nothing is measured here, and no profile asks for anything.", "resting"
    return sentences.of_calm(values), "steady"

"""A probe that nobody had is claimed: it is entered with its mapping, and what it has said so far is taken in."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Final

from sqlmodel import Session

from sensors.catalogue import CATALOGUE, OTHER, Figures
from sensors.payloads.decoder import decoder_for
from sensors.payloads.gateways import gateway_decoder
from sensors.payloads.measurement import Decoded, Field, Mapping, MappingError, PayloadError
from sensors.payloads.naming import is_in_message, require_names
from sensors.payloads.topics import fault_of_filter
from sensors.quantities import nearest
from service.errors import BadUse, Refused
from service.ingest.arrivals import Arrival
from service.ingest.taking_in import Taken, take_in
from service.model import ZONES, Change, Channel, Enclosure, Keyed, Probe
from service.store.facts import RoomFacts, load_facts
from service.store.placements import Entry, enclosure_row, is_probe_known, move_channel
from service.store.readings import lock_writes, next_number

LONGEST_CADENCE_S: Final = 86_400.0
MOST_CHANNELS: Final = 20
_KEY: Final = re.compile(Keyed.KEY_PATTERN)


@dataclass(frozen=True, slots=True)
class ChannelClaim:
    """One quantity of a claimed probe, and where it stands; see `sensors.payloads.measurement.Field`.

    `enclosure` and `zone` are keys, both or neither: a battery's charge stands nowhere. `figures` for model `other`.
    """

    quantity: str
    pointer: str | None
    unit: str | None = None
    enclosure: str | None = None
    zone: str | None = None
    figures: Figures | None = None


@dataclass(frozen=True, slots=True)
class Claim:
    """A probe as a keeper claims it.

    Attributes
    ----------
    key, model, topic, format : str
        As in the room file.
    channels : tuple of ChannelClaim
    every_s : float or None
        The declared cadence. [s]
    time_pointer, each, called, called_at : str or None
        See `sensors.payloads.measurement.Mapping`.
    since : datetime or None
        From when it stands where it is placed; None: since it first spoke.
    """

    key: str
    model: str
    topic: str
    format: str
    channels: tuple[ChannelClaim, ...]
    every_s: float | None = None
    time_pointer: str | None = None
    each: str | None = None
    called: str | None = None
    called_at: str | None = None
    since: datetime | None = None

    def mapping(self) -> Mapping:
        """Return how its messages are read."""
        fields = tuple(Field(channel.quantity, channel.pointer, channel.unit) for channel in self.channels)
        return Mapping(self.format, fields, self.time_pointer, self.each, self.called, self.called_at)


def preview(mapping: Mapping, topic: str, arrivals: Iterable[Arrival]) -> list[Decoded]:
    """Return what a mapping makes of messages; one that cannot be read is a refusal with the reason.

    Raises
    ------
    BadUse
        If the mapping could never work.
    """
    try:
        require_names(mapping, topic)
        decode = gateway_decoder([mapping]) if is_in_message(mapping) else decoder_for(mapping)
    except MappingError as exc:
        raise BadUse(f"mapping: {exc}") from exc
    found: list[Decoded] = []
    for arrival in arrivals:
        try:
            told = decode(arrival.payload, arrival.at_ms)
        except PayloadError as exc:
            found.append(Decoded([], [str(exc)]))
            continue
        found.append(told if isinstance(told, Decoded) else _joined([decoded for _, decoded in told.of_probes]))
    return found


def _joined(parts: Sequence[Decoded]) -> Decoded:
    measurements = [measurement for part in parts for measurement in part.measurements]
    return Decoded(measurements, [refusal for part in parts for refusal in part.refusals])


def claim_probe(session: Session, claim: Claim, by: str, now: datetime, keep_refused: int) -> Taken:
    """Enter a probe and take in the kept messages that are its own.

    Parameters
    ----------
    session : Session
        Of `Store.write`: all of it, or nothing.
    claim : Claim
    by : str
        Who, for the journal.
    now : datetime
    keep_refused : int
        How many refused messages are kept.

    Returns
    -------
    Taken
        How many messages and readings that were.

    Raises
    ------
    BadUse
        Something in the claim cannot be; the sentence names it.
    Refused
        There is such a probe already.
    """
    # First of all, as the intake does: nothing is stored meanwhile that this would not see.
    lock_writes(session)
    facts = load_facts(session)
    _require_sound(session, facts, claim)
    probe = Probe(
        key=claim.key, model=claim.model, topic=claim.topic, format=claim.format, every_s=claim.every_s,
        time_pointer=claim.time_pointer, each_pointer=claim.each, called=claim.called, called_at=claim.called_at,
    )  # fmt: skip
    session.add(probe)
    session.flush()
    after = {"model": claim.model, "topic": claim.topic, "format": claim.format, "called": claim.called}
    session.add(Change(at=now, by=by, subject=f'probe "{claim.key}"', before=None, after=after))
    rows = [(_enter(session, probe, channel), channel) for channel in claim.channels]
    next_number(session, "facts")
    taken = take_in(session, load_facts(session), claim.key, now, keep_refused)
    since = claim.since or taken.first_at or now
    for row, channel in rows:
        if channel.enclosure is not None and channel.zone is not None:
            enclosure = _enclosure(session, channel.enclosure)
            move_channel(session, row, (enclosure, channel.zone), min(since, now), Entry(by, now))
    return taken


def _enter(session: Session, probe: Probe, channel: ChannelClaim) -> Channel:
    figures = channel.figures
    row = Channel(
        key=f"{probe.key}/{channel.quantity}", probe_id=probe.id or 0, quantity=channel.quantity,
        pointer=channel.pointer, unit=channel.unit,
        figures=None if figures is None else {k: v for k, v in asdict(figures).items() if v is not None},
    )  # fmt: skip
    session.add(row)
    session.flush()
    return row


def _require_sound(session: Session, facts: RoomFacts, claim: Claim) -> None:
    if not _KEY.fullmatch(claim.key):
        raise BadUse(
            'id: use up to 64 small letters, digits, ".", "-" and "_", beginning with a letter or digit; '
            f"got {claim.key[:80]!r}"
        )
    if is_probe_known(session, claim.key):
        raise Refused(f"id: there is a probe {claim.key} already, or was; take another id")
    if claim.model not in CATALOGUE:
        raise BadUse(f"model: '{claim.model[:40]}' is none; {nearest(claim.model, list(CATALOGUE))}")
    if fault := fault_of_filter(claim.topic):
        raise BadUse(f"topic: it cannot be subscribed to: {fault}")
    if claim.every_s is not None and not 0 < claim.every_s <= LONGEST_CADENCE_S:
        raise BadUse(f"every: expected seconds above 0, at most {LONGEST_CADENCE_S:g}")
    if len(claim.channels) > MOST_CHANNELS:
        raise BadUse(f"channels: a probe has at most {MOST_CHANNELS}")
    preview(claim.mapping(), claim.topic, ())
    for channel in claim.channels:
        _require_channel(session, claim, channel)
    names = (claim.topic, claim.called_at, claim.called)
    for probe in facts.probes.values():
        if claim.called is not None and (probe.topic, probe.called_at, probe.called) == names:
            raise Refused(f"called: its gateway's '{claim.called}' is probe {probe.key} already")


def _require_channel(session: Session, claim: Claim, channel: ChannelClaim) -> None:
    if (channel.figures is not None) != (claim.model == OTHER):
        raise BadUse(f'{channel.quantity}: its own accuracy goes with model "{OTHER}", and with no other')
    if (channel.enclosure is None) != (channel.zone is None):
        raise BadUse(f"{channel.quantity}: give enclosure and zone together, or neither")
    if channel.zone is not None and channel.zone not in ZONES:
        raise BadUse(f"{channel.quantity}: '{channel.zone[:40]}' is no zone; {nearest(channel.zone, list(ZONES))}")
    if channel.enclosure is not None:
        _enclosure(session, channel.enclosure)


def _enclosure(session: Session, key: str) -> Enclosure:
    enclosure = enclosure_row(session, key)
    if enclosure is None:
        raise BadUse(f"enclosure: there is none called '{key[:80]}'")
    return enclosure

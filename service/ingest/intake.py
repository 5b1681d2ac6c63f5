"""A batch of arrivals becomes readings, in one transaction: the one place where readings enter from outside."""

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from sqlmodel import Session

from sensors.payloads.gateways import Told
from sensors.payloads.measurement import Decoded, Measurement, PayloadError
from service.climate.series import cadence_of
from service.errors import StoreUnusable
from service.ingest.arrivals import Arrival, digest_of
from service.ingest.channel_times import ChannelTimes
from service.ingest.mapping import ChannelIntake, GatewayIntake, Mappings, ProbeIntake
from service.ingest.times import Dated, is_believed, lay_backlog, time_of
from service.model import Flag, from_ms
from service.store.engine import Store
from service.store.facts import facts_version, load_facts
from service.store.intake import ReceiptEntry, Refusal, add_receipt, keep_refusals
from service.store.readings import NewReading, add_readings, lock_writes, newest_readings, recent_times
from service.store.unclaimed import Unclaimed, keep_unclaimed, trim_unclaimed

OWN_TOPICS = "wardian/"
"""What we publish ourselves begins so: it is no probe's."""
USUAL_UNCLAIMED = 64 * 2**20
"""What the messages that belong to no probe may take, unless a setting says otherwise. [byte]"""
_TRIMMED_EVERY = 16
"""Looking whether all fit costs more than keeping one: done when a sixteenth of the room may be taken anew."""
_STRANGER = "its gateway speaks for a probe that nobody has claimed"
_UNKNOWN_CADENCE_MS = 60_000
_IMPOSSIBLE = int(Flag.IMPOSSIBLE)
_LAID = int(Flag.ARRIVAL_CLOCK | Flag.APPROXIMATE)


@dataclass(frozen=True, slots=True)
class Backlog:
    """A session was resumed: what comes in a burst now was sent while nobody listened.

    Attributes
    ----------
    resumed_ms : int
        When. [ms since 1970, UTC]
    more : bool
        The broker has more of it to send than this batch.
    """

    resumed_ms: int
    more: bool


@dataclass(slots=True)
class _Batch:
    """What a batch comes to; readings are stored at its end, and before a channel's time goes back."""

    rows: list[NewReading] = field(default_factory=list)
    turned: set[int] = field(default_factory=set)
    offered: int = 0
    stored: int = 0
    writes: int = 0
    refusals: list[Refusal] = field(default_factory=list)
    heard: list[tuple[Arrival, ProbeIntake, Decoded]] = field(default_factory=list)
    unclaimed: list[Unclaimed] = field(default_factory=list)
    held: dict[int, list[tuple[Arrival, ChannelIntake, float]]] = field(default_factory=dict)


class Intake:
    """Stores what arrives.

    Knows what each topic means and where each channel's time stands; safe to call from several threads.

    Parameters
    ----------
    store : Store
    keep_refused : int
        How many refused messages are kept.
    keep_unclaimed : int
        What the messages that belong to no probe may take. [byte]
    """

    def __init__(self, store: Store, keep_refused: int, keep_unclaimed: int = USUAL_UNCLAIMED) -> None:
        self._store = store
        self._keep_refused, self._keep_unclaimed = keep_refused, keep_unclaimed
        # At the first message what was kept before is looked at too.
        self._untrimmed = keep_unclaimed
        self._lock = threading.Lock()
        self._mappings: Mappings | None = None
        self._times = ChannelTimes()
        self._seen_write = -1
        self._burst_at: dict[int, int] = {}
        self.stored = 0
        self.repeated = 0
        self.refused = 0

    def take(self, arrivals: Sequence[Arrival], mqtt_session: str, backlog: Backlog | None = None) -> None:
        """Store a batch of messages in one transaction; when it returns, they are on disk.

        Messages that cannot be read, or belong to no probe, are kept with the reason. A batch that the database
        refuses as a whole is stored message by message, so that one bad message holds up no other.

        Raises
        ------
        StoreUnusable
            The database cannot be written now: nothing is stored, and the same call may be made again later.
        """
        receipts = [ReceiptEntry(arrival.packet, digest_of(arrival)) for arrival in arrivals if arrival.qos]
        with self._lock:
            try:
                self._take(arrivals, mqtt_session, receipts, backlog)
            except StoreUnusable:
                self._mappings = None
                raise
            except Exception:
                self._mappings = None
                if len(arrivals) == 1:
                    raise
                self._take_singly(arrivals, mqtt_session, backlog)

    def _take_singly(self, arrivals: Sequence[Arrival], mqtt_session: str, backlog: Backlog | None) -> None:
        for arrival in arrivals:
            receipts = [ReceiptEntry(arrival.packet, digest_of(arrival))] if arrival.qos else []
            try:
                self._take([arrival], mqtt_session, receipts, backlog)
            except StoreUnusable:
                raise
            except Exception as exc:  # noqa: BLE001 - whatever is wrong with it, it is kept to be looked at
                reason = f"could not be stored ({type(exc).__name__}: {exc}); please report this message"
                refusal = Refusal(from_ms(arrival.at_ms), arrival.topic, arrival.payload, reason)
                with self._store.write() as session:
                    keep_refusals(session, [refusal], self._keep_refused)
                    add_receipt(session, mqtt_session, receipts)

    def _take(
        self, arrivals: Sequence[Arrival], mqtt_session: str, receipts: list[ReceiptEntry], backlog: Backlog | None
    ) -> None:
        with self._store.write() as session:
            mappings = self._current_mappings(session)
            batch = _Batch()
            for arrival in arrivals:
                self._sort(mappings, arrival, backlog, batch)
            write = self._catch_up(session)
            for arrival, probe, decoded in batch.heard:
                self._hear(session, arrival, backlog, (probe, decoded), batch)
            if backlog is not None:
                self._lay(session, batch, backlog)
            _store(session, batch)
            keep_refusals(session, batch.refusals, self._keep_refused)
            added = self._keep(session, batch.unclaimed)
            add_receipt(session, mqtt_session, receipts)
        self._untrimmed = added
        self._seen_write = write + batch.writes
        self._count(batch)

    def _keep(self, session: Session, unclaimed: Sequence[Unclaimed]) -> int:
        """Keep what is nobody's; return what has been added since all of it was last made to fit. [byte]."""
        added = self._untrimmed + keep_unclaimed(session, unclaimed)
        if not unclaimed or added < self._keep_unclaimed // _TRIMMED_EVERY:
            return added
        trim_unclaimed(session, self._keep_unclaimed)
        return 0

    def take_measured(self, rows: Sequence[tuple[str, Measurement]], now_ms: int) -> tuple[int, list[str | None]]:
        """Store measurements of named probes that came by another way than MQTT.

        Returns
        -------
        int, list of (str or None)
            How many were new; and for each measurement None, or why it was refused (the others are stored all the
            same).
        """
        with self._lock, self._store.write() as session:
            mappings, batch, reasons = self._current_mappings(session), _Batch(), []
            write = self._catch_up(session)
            for probe_key, measurement in rows:
                probe = mappings.probes.get(probe_key)
                channel = probe.channels.get(measurement.quantity) if probe else None
                if channel is None:
                    unknown = (
                        f"probe {probe_key}" if probe is None else f"quantity {measurement.quantity} of {probe_key}"
                    )
                    reasons.append(f"{unknown} is not in the room file; add it and apply the file")
                    continue
                dated = time_of(measurement.at_ms, now_ms, self._times.last_arrival(channel.id))
                if dated.refusal is None:
                    self._add(session, batch, channel, measurement.value, dated)
                # With another time than its own it would be stored again when the same batch is sent again.
                reasons.append(dated.refusal and "the time is more than 5 min ahead of ours; set the device's clock")
            _store(session, batch)
        self._seen_write = write + batch.writes
        self._count(batch)
        return batch.stored, reasons

    def _count(self, batch: _Batch) -> None:
        self.stored += batch.stored
        self.repeated += batch.offered - batch.stored
        self.refused += len(batch.refusals) + len(batch.unclaimed)

    def _current_mappings(self, session: Session) -> Mappings:
        """Return what topics mean now; facts that changed are loaded again, with where each channel stands."""
        if self._mappings is None or self._mappings.version != facts_version(session):
            self._mappings = Mappings(load_facts(session))
            self._times.forget()
            self._seen_write = -1
        return self._mappings

    def _catch_up(self, session: Session) -> int:
        """Take up where each channel stands after what other processes have stored, and keep them waiting meanwhile.

        Returns
        -------
        int
            The number of the last write.
        """
        write = lock_writes(session)
        for state in newest_readings(session, self._seen_write) if write != self._seen_write else ():
            self._times.take_up(session, state)
        return write

    def _sort(self, mappings: Mappings, arrival: Arrival, backlog: Backlog | None, batch: _Batch) -> None:
        """Read what one message says: of which probe, refused, or nobody's."""
        if arrival.topic.startswith(OWN_TOPICS):
            return
        listeners = mappings.of_topic(arrival.topic)
        if not listeners:
            batch.unclaimed.append(_unclaimed(arrival, backlog, ("",), listeners.nobody))
        for probe in listeners.probes:
            batch.heard.append((arrival, probe, _decoded(probe, arrival, batch)))
        for gateway in listeners.gateways:
            told = _told(gateway, arrival, batch)
            for called, decoded in told.of_probes:
                batch.heard.append((arrival, gateway.probes[called], decoded))
            if told.strangers:
                batch.unclaimed.append(_unclaimed(arrival, backlog, tuple(told.strangers), _STRANGER))

    def _hear(
        self,
        session: Session,
        arrival: Arrival,
        backlog: Backlog | None,
        said: tuple[ProbeIntake, Decoded],
        batch: _Batch,
    ) -> None:
        """Put what one probe says where it belongs: readings, refusals, or the burst that has no times."""
        probe, decoded = said
        self._times.hear(arrival.at_ms)
        batch.refusals.extend(_refusal(arrival, f"probe {probe.key}: {reason}") for reason in decoded.refusals)
        for measurement in decoded.measurements:
            channel = probe.channels[measurement.quantity]
            if measurement.at_ms is None and arrival.retained:
                batch.refusals.append(_refusal(arrival, "retained, and without a time: it may be of any age"))
                continue
            if not is_believed(measurement.at_ms, arrival.at_ms):
                self._follow_the_clock(session, batch, channel.id, arrival.at_ms)
            if measurement.at_ms is None and backlog and self._is_backlog(session, channel, arrival, backlog):
                batch.held.setdefault(channel.id, []).append((arrival, channel, measurement.value))
            else:
                dated = time_of(measurement.at_ms, arrival.at_ms, self._times.last_arrival(channel.id))
                if dated.refusal:
                    batch.refusals.append(_refusal(arrival, dated.refusal))
                self._add(session, batch, channel, measurement.value, dated)

    def _follow_the_clock(self, session: Session, batch: _Batch, channel_id: int, arrival_ms: int) -> None:
        """Let a channel's time go back with a clock that was set back."""
        if self._times.turns_back(channel_id, arrival_ms):
            _store(session, batch)
            self._times.turn_back(session, channel_id, arrival_ms)
            batch.turned.add(channel_id)

    def _add(self, session: Session, batch: _Batch, channel: ChannelIntake, value: float, dated: Dated) -> None:
        at_ms, flags = self._times.place(session, channel.id, dated)
        batch.rows.append((channel.id, at_ms, value, flags | _IMPOSSIBLE if channel.is_impossible(value) else flags))

    def _is_backlog(self, session: Session, channel: ChannelIntake, arrival: Arrival, backlog: Backlog) -> bool:
        """Whether a message without a time was sent while nobody listened.

        It was when the channel owes readings since before the resume, or when it follows its predecessor far
        faster than the channel's cadence.
        """
        cadence = self._cadence(session, channel)
        before = self._burst_at.get(channel.id)
        if before is None or before < backlog.resumed_ms:
            newest = self._times.newest(channel.id)
            owes = newest is None or arrival.at_ms - newest > 1.5 * cadence
        else:
            owes = arrival.at_ms - before < 0.5 * cadence
        if owes:
            self._burst_at[channel.id] = arrival.at_ms
        return owes

    def _cadence(self, session: Session, channel: ChannelIntake) -> int:
        if channel.declared_cadence_ms is not None:
            return channel.declared_cadence_ms
        times = recent_times(session, channel.id)
        return cadence_of(times) if len(times) > 1 else _UNKNOWN_CADENCE_MS

    def _lay(self, session: Session, batch: _Batch, backlog: Backlog) -> None:
        """Give the burst's messages times, channel by channel."""
        for channel_id, held in batch.held.items():
            cadence = self._cadence(session, held[0][1])
            newest = self._times.newest(channel_id)
            times = lay_backlog(len(held), newest, backlog.resumed_ms, cadence, more=backlog.more)
            for at_ms, (_arrival, channel, value) in zip(times, held, strict=True):
                self._add(session, batch, channel, value, Dated(at_ms, _LAID))


def _store(session: Session, batch: _Batch) -> None:
    """Store the readings that a batch has come to so far."""
    if batch.rows:
        batch.stored += add_readings(session, batch.rows, batch.turned)
        batch.offered += len(batch.rows)
        batch.writes += 1
        batch.turned -= {row[0] for row in batch.rows}
        batch.rows = []


def _refusal(arrival: Arrival, reason: str) -> Refusal:
    return Refusal(from_ms(arrival.at_ms), arrival.topic, arrival.payload, reason)


def _unclaimed(arrival: Arrival, backlog: Backlog | None, called: tuple[str, ...], reason: str) -> Unclaimed:
    resumed_at = None if backlog is None else from_ms(backlog.resumed_ms)
    at, retained = from_ms(arrival.at_ms), arrival.retained
    return Unclaimed(at, arrival.topic, arrival.payload, retained, resumed_at, called, reason)


def _decoded(probe: ProbeIntake, arrival: Arrival, batch: _Batch) -> Decoded:
    """Decode a message as one probe's; one that cannot be read as a whole is noted with the reason."""
    if probe.decode is None:
        batch.refusals.append(_refusal(arrival, probe.problem or ""))
        return Decoded([], [])
    try:
        return probe.decode(arrival.payload, arrival.at_ms)
    except PayloadError as exc:
        batch.refusals.append(_refusal(arrival, f"probe {probe.key}: {exc}"))
        return Decoded([], [])


def _told(gateway: GatewayIntake, arrival: Arrival, batch: _Batch) -> Told:
    """Decode a gateway's message; `strangers` are those of the names that no probe has."""
    told = Told()
    try:
        if gateway.decode is not None:
            told = gateway.decode(arrival.payload, arrival.at_ms)
    except PayloadError as exc:
        batch.refusals.append(_refusal(arrival, f"gateway: {exc}"))
    batch.refusals.extend(_refusal(arrival, f"gateway: {reason}") for reason in told.refusals)
    # Probes whose mapping cannot be used are no strangers: their messages wait for it to be mended.
    unread = set(gateway.probes) if gateway.decode is None else set(told.strangers) & set(gateway.probes)
    batch.refusals.extend(_refusal(arrival, gateway.probes[called].problem or "") for called in sorted(unread))
    told.strangers = [called for called in told.strangers if called not in unread]
    return told


TakeBatch = Callable[[Sequence[Arrival], str, Backlog | None], None]
"""`Intake.take`: stores a batch, or raises StoreUnusable with nothing stored."""

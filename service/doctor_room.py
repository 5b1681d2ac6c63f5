"""What `wardian doctor` finds of the room itself: who watches it, which probes are silent, what nobody has set up."""

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from typing import Final

from sqlmodel import Session, select

from service.climate.probe_health import calibration_is_due
from service.doctor_reach import Finding, note, wrong
from service.model import ChannelState, ProcessReport, from_ms, to_ms
from service.store.calibrations import calibrations_of, made_at
from service.store.facts import RoomFacts, in_force, load_facts
from service.store.processes import SILENT_AFTER_S
from service.store.unclaimed import list_sources

_DONE_BY: Final = {"ingest": "ingest", "watch": "watch", "telling": "jobs"}
"""Parts that a room cannot do without, and the command that does each."""
_SILENT: Final = timedelta(days=1)
_MOST_NAMED: Final = 3


def room_findings(session: Session, now: datetime) -> Iterator[Finding]:
    """Yield what is amiss in a room whose database is sound; nothing is changed."""
    facts = load_facts(session)
    yield from _process_findings(session, now)
    yield from _silence_findings(session, facts, now)
    yield from _unclaimed_findings(session)
    yield from _enclosure_findings(facts, to_ms(now))
    yield from _check_findings(session, facts, now)


def _process_findings(session: Session, now: datetime) -> Iterator[Finding]:
    """Tell of parts that run apart: whoever has ended in order has taken its report away."""
    reports, heard = session.exec(select(ProcessReport)).all(), set[str]()
    for report in reports:
        silent_s = (now - report.reported_at).total_seconds()
        if silent_s > SILENT_AFTER_S:
            since = f"{report.reported_at:%Y-%m-%d %H:%M:%S} UTC"
            role = report.name.partition(" ")[0]
            yield wrong(
                "processes",
                f"{report.name} has said nothing since {since}: start `wardian {role}` again, and see its log",
            )
            continue
        heard |= report.parts.keys()
        for part, (is_well, said) in report.parts.items():
            if not is_well:
                yield wrong("processes", f"{report.name} says of {part}: {said}")
    for part, role in _DONE_BY.items() if heard else ():
        if part not in heard:
            yield wrong("processes", f"parts run apart and none does {part}: start `wardian {role}`")


def _silence_findings(session: Session, facts: RoomFacts, now: datetime) -> Iterator[Finding]:
    newest = {row.channel_id: row.at_ms for row in session.exec(select(ChannelState)).all()}
    now_ms = to_ms(now)
    last: dict[str, int] = {}
    for channel in facts.channels.values():
        if channel.placement_at(now_ms) is not None:
            last[channel.probe] = max(last.get(channel.probe, 0), newest.get(channel.id, 0))
    silent = [
        f"{probe} ({f'last heard {from_ms(at):%Y-%m-%d %H:%M} UTC' if at else 'never heard'})"
        for probe, at in sorted(last.items())
        if now_ms - at > _SILENT.total_seconds() * 1000
    ]
    if silent:
        yield wrong(
            "probes",
            f"silent for more than a day: {_some(silent)}; see whether each has power and reaches the broker, "
            "or take it out of the room file",
        )


def _unclaimed_findings(session: Session) -> Iterator[Finding]:
    sources = [f"{one.topic} {one.called}".strip() for one in list_sources(session)]
    if sources:
        yield note(
            "probes",
            f"messages wait that belong to no probe: of {_some(sources)}; claim them on the page Probes, "
            "or add a [[probe]] to the room file",
        )


def _enclosure_findings(facts: RoomFacts, now_ms: int) -> Iterator[Finding]:
    enclosures = sorted(facts.enclosures.values(), key=lambda enclosure: enclosure.key)
    if bare := [one.key for one in enclosures if one.profile_at(now_ms) is None]:
        yield note("enclosures", f"no profile, so nothing is checked: {_some(bare)}; give each one in the room file")
    if empty := [one.key for one in enclosures if in_force(one.placements, now_ms) is None]:
        yield note(
            "enclosures", f"no probe stands in: {_some(empty)}; place a [[probe.channel]] there in the room file"
        )


def _check_findings(session: Session, facts: RoomFacts, now: datetime) -> Iterator[Finding]:
    last: dict[int, datetime] = {}
    for check in calibrations_of(session):
        last.setdefault(check.channel_id, made_at(check))
    due = [
        f"{facts.channels[channel].key} (checked {at:%Y-%m-%d})"
        for channel, at in sorted(last.items())
        if channel in facts.channels and calibration_is_due(to_ms(at), to_ms(now))
    ]
    if due:
        yield note("probes", f"a new reference check is due: {_some(due)}; make it on the page Reference checks")


def _some(names: Sequence[str]) -> str:
    more = f" and {len(names) - _MOST_NAMED} more" if len(names) > _MOST_NAMED else ""
    return ", ".join(names[:_MOST_NAMED]) + more

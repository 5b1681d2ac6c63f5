"""The facts that held within a span: where channels stood, how they were checked, what was asked for."""

from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import Any

from sqlmodel import Session

from service.lookback.bodies import Body, instant
from service.lookback.spans import LookbackSpan
from service.model import (
    Calibration,
    DatedFact,
    Equipment,
    LightSchedule,
    MistingSchedule,
    Placement,
    Profile,
    ProfileAssignment,
    ProfileVersion,
    TargetOverride,
    to_ms,
)
from service.store.facts import EnclosureFact, RoomFacts, current
from service.store.readings import END_OF_TIME


def told_facts(session: Session, facts: RoomFacts, enclosure: EnclosureFact, span: LookbackSpan) -> list[Body]:
    """Return what held at any time of a span, in order of time, with who entered it and when."""
    start, end = span.start_ms, span.end_ms
    channels = {p.channel_id for p in enclosure.placements if p.meets(start, end)}
    of_channel = {key: facts.channels[key].key for key in channels}

    def rows(model: type[Any]) -> Iterable[Any]:
        return _of(session, model, enclosure, start, end)

    found = [
        *(_fact("placement", row, channel=of_channel[row.channel_id], zone=row.zone) for row in rows(Placement)),
        *_calibrations(session, of_channel, start, end),
        *_profiles(session, enclosure, start, end),
        *(
            _fact("override", row, check=row.check, low=row.low, high=row.high, share=row.share, reason=row.reason)
            for row in rows(TargetOverride)
        ),
        *(_fact("lights", row, on=f"{row.on:%H:%M}", off=f"{row.off:%H:%M}") for row in rows(LightSchedule)),
        *(
            _fact("misting", row, cycles=[{"at": at, "seconds": seconds} for at, seconds in row.cycles])
            for row in rows(MistingSchedule)
        ),
        *(
            _fact("equipment", row, equipment=row.kind, replace_after_months=row.replace_after_months)
            for row in rows(Equipment)
        ),
    ]
    return sorted(found, key=lambda fact: (fact["from"], fact["kind"], repr(fact)))


def _fact(kind: str, row: DatedFact, **content: Any) -> Body:  # noqa: ANN401 - columns of any table
    return {
        "kind": kind,
        "from": instant(to_ms(row.from_at)),
        "until": None if row.until_at is None else instant(to_ms(row.until_at)),
        **content,
        "entered_by": row.entered_by,
        "entered_at": instant(to_ms(row.entered_at)),
    }


def _span(row: DatedFact) -> tuple[int, int]:
    return to_ms(row.from_at), END_OF_TIME if row.until_at is None else to_ms(row.until_at)


def _meets(row: DatedFact, start: int, end: int) -> bool:
    first, last = _span(row)
    return first < end and start < last


def _of(session: Session, model: type[Any], enclosure: EnclosureFact, start: int, end: int) -> Iterable[Any]:
    rows = current(session, model)
    return [row for row in rows if row.enclosure_id == enclosure.id and _meets(row, start, end)]


def _calibrations(session: Session, channels: dict[int, str], start: int, end: int) -> Iterator[Body]:
    """Yield the reference checks by which the readings of a span were corrected."""
    checks = [row for row in current(session, Calibration) if row.channel_id in channels and _meets(row, start, end)]
    for row in checks:
        same = [other for other in checks if other.channel_id == row.channel_id]
        later = [to_ms(other.from_at) for other in same if _made_at(other) > _made_at(row)]
        if min(later, default=end) > start:
            yield _fact(
                "calibration", row, channel=channels[row.channel_id], reference=row.reference, reads=row.reads,
                uncertainty=row.uncertainty, points=_points(row), done_by=row.done_by,
            )  # fmt: skip


def _made_at(check: Calibration) -> datetime:
    return check.checked_at or check.from_at


def _points(check: Calibration) -> list[Body]:
    """Return every point of a check: of one an offset follows, of several a line."""
    first = {"reference": check.reference, "reads": check.reads, "uncertainty": check.uncertainty}
    return [{name: point[name] for name in first} for point in check.points or [first]]


def _profiles(session: Session, enclosure: EnclosureFact, start: int, end: int) -> Iterator[Body]:
    """Yield the profile versions that the enclosure followed."""
    versions = current(session, ProfileVersion)
    for assigned in _of(session, ProfileAssignment, enclosure, start, end):
        profile = session.get_one(Profile, assigned.profile_id)
        first, last = (max(start, _span(assigned)[0]), min(end, _span(assigned)[1]))
        for version in versions:
            if version.profile_id == assigned.profile_id and _meets(version, first, last):
                yield _fact("profile", version, profile=profile.key, species=profile.species, version=version.version)

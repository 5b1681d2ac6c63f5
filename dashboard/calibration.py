"""Reference checks as pages show them: which channels need one, how a point stands, and what a check came to."""

import math
from dataclasses import dataclass
from datetime import datetime
from typing import Final
from urllib.parse import quote
from zoneinfo import ZoneInfo

from dashboard.words import ago, clock, exact, quantity_name, span, unit_of, zone_name
from service.api.calibration_answers import CalibrationAnswer, PointAnswer
from service.climate.probe_health import calibration_is_due
from service.climate.reference_points import QUANTITIES_OF, Method
from service.model import from_ms, to_ms
from service.store.facts import ChannelFact, RoomFacts
from service.store.reference_readings import Found
from service.store.traceability import errors_within

CHECKED: Final = QUANTITIES_OF[Method.SIDE_BY_SIDE]
"""Quantities that a reference check is made of here."""
_DECIMALS: Final = {"relative_humidity": 1}
_MINUS: Final = "−"


def figure(value: float | None, quantity: str, *, signed: bool = False) -> str:
    """Return a value as a check tells it, finer than elsewhere: 0.1 %RH, 0.01 °C; a dash where it is not known."""
    if value is None or not math.isfinite(value):
        return "–"
    decimals = _DECIMALS.get(quantity, 2)
    text = f"{abs(value):.{decimals}f}"
    sign = "" if float(text) == 0 and not signed else _MINUS if value < 0 else "+" if signed else ""
    return f"{sign}{text}\N{NO-BREAK SPACE}{shown_unit(quantity)}"


def shown_unit(quantity: str) -> str:
    """Return the unit of a quantity as it is shown: checks are told in °C, as their references are."""
    return unit_of("%RH" if quantity == "relative_humidity" else "Cel")


@dataclass(frozen=True, slots=True)
class ChannelRow:
    """A channel in the list of those that can be checked."""

    href: str
    probe: str
    quantity: str
    where: str
    state: str
    word: str
    last: str
    last_exact: str
    correction: str
    uncertainty: str


@dataclass(frozen=True, slots=True)
class CheckRow:
    """A check that was made of a channel."""

    href: str
    number: int
    made: str
    by: str
    points: tuple[str, ...]
    correction: str
    uncertainty: str
    drift: str


@dataclass(frozen=True, slots=True)
class StandView:
    """How a reference point stands.

    Attributes
    ----------
    word : str
        ``settled``, ``still settling`` or ``cannot be taken``.
    said : str
        One sentence.
    figures : tuple of (str, str)
        What is known so far: name and value.
    can_take : bool
    """

    word: str
    shape: str
    said: str
    figures: tuple[tuple[str, str], ...]
    can_take: bool


def channel_href(channel: ChannelFact) -> str:
    """Return the address of a channel's checks."""
    return f"/calibration/{quote(channel.probe)}/{quote(channel.quantity)}"


def where_now(facts: RoomFacts, channel: ChannelFact, now: datetime) -> str:
    """Return where a channel stands now, in words."""
    placed = channel.placement_at(to_ms(now))
    enclosure = facts.enclosures.get(placed.enclosure_id) if placed else None
    if placed is None or enclosure is None:
        return "in no enclosure"
    return f"{enclosure.name}, {zone_name(placed.zone).lower()}"


def channel_rows(facts: RoomFacts, now: datetime) -> list[ChannelRow]:
    """Return every channel that can be checked, those first that need it: never checked, then due, then the others."""
    in_use = [facts.channels[key] for probe in facts.probes.values() for key in probe.channels]
    rows = [_channel_row(facts, channel, now) for channel in in_use if channel.quantity in CHECKED]
    order = {"due": 0, "never": 1, "known": 2}
    return sorted(rows, key=lambda row: (order[row.state], row.probe, row.quantity))


def _channel_row(facts: RoomFacts, channel: ChannelFact, now: datetime) -> ChannelRow:
    at = to_ms(now)
    check = channel.check_at(at)
    made = [c.checked_ms for c in channel.calibrations if c.checked_ms <= at]
    state = "never" if not made else "due" if calibration_is_due(max(made), at) else "known"
    words = {"never": "never checked", "due": "due", "known": "checked"}
    known = errors_within(channel, at, at + 1).uncertainty
    return ChannelRow(
        href=channel_href(channel),
        probe=channel.probe,
        quantity=quantity_name(channel.quantity),
        where=where_now(facts, channel, now),
        state=state,
        word=words[state],
        last=ago(from_ms(max(made)), now) if made else "–",
        last_exact=exact(from_ms(max(made)), facts.zone) if made else "",
        correction=formula(check.correction.slope, check.correction.offset, channel.quantity) if check else "none",
        uncertainty=f"±{figure(known, channel.quantity)}",
    )


def formula(slope: float, offset: float, quantity: str) -> str:
    """Return a correction in words: ``+0.4 °C``, or ``1.012 × reading − 2.6 %RH``."""
    shift = figure(offset, quantity, signed=True)
    if slope == 1:
        return shift
    return f"{slope:.3f} × reading {shift[0]} {shift[1:]}"


def check_row(answer: CalibrationAnswer, quantity: str, zone: ZoneInfo, now: datetime) -> CheckRow:
    """Return a check as a row of a channel's history."""
    correction = answer.correction
    return CheckRow(
        href=f"/reference-checks/{answer.id}",
        number=answer.id,
        made=clock(answer.made_at, zone, now),
        by=answer.by,
        points=tuple(point_words(point, quantity) for point in answer.points),
        correction=formula(correction.slope, correction.offset, quantity),
        uncertainty=f"±{figure(correction.uncertainty, quantity)}",
        drift=drift_words(answer, quantity),
    )


def point_words(point: PointAnswer, quantity: str) -> str:
    """Return a point in words: ``read 77.1 %RH at 75.3 ± 1.5 %RH (NaCl)``."""
    how = f" ({point.against})" if point.against else ""
    limit = figure(point.uncertainty, quantity)
    return f"read {figure(point.reads, quantity)} at {figure(point.reference, quantity)} ± {limit}{how}"


def drift_words(answer: CalibrationAnswer, quantity: str) -> str:
    """Return what a channel had drifted since the check before, in words."""
    if answer.months_since_the_last is None:
        return "first check"
    worst = max((point.as_found for point in answer.points), key=abs)
    return f"{figure(worst, quantity, signed=True)} in {answer.months_since_the_last:.1f} months"


def stand_view(found: Found, channel: ChannelFact, now: datetime, since: datetime | None) -> StandView:
    """Return how a reference point stands."""
    quantity = channel.quantity
    can_take = found.point is not None
    word = "settled" if can_take else "still settling" if found.is_waiting else "cannot be taken"
    said = "The probe has come to rest: the point can be taken." if can_take else _sentence(found.why_not or "")
    return StandView(
        word=word,
        shape="steady" if can_take else "drifting" if found.is_waiting else "blind",
        said=said,
        figures=tuple(_figures(found, quantity, now, since)),
        can_take=can_take,
    )


def _sentence(why: str) -> str:
    return f"{why[:1].upper()}{why[1:]}."


def _figures(found: Found, quantity: str, now: datetime, since: datetime | None) -> list[tuple[str, str]]:
    rows: list[tuple[str, str]] = []
    settling, expected = found.settling, found.expected
    if since is not None:
        rows.append(("It stands there", f"for {span((now - since).total_seconds())}"))
    if settling is not None:
        minutes = round((settling.end_ms - settling.start_ms) / 60_000)
        rows.append(
            ("It reads", f"{figure(settling.mean, quantity)}, mean of {settling.readings} readings in {minutes} min")
        )
        rows.append(("It moved by", f"{figure(settling.moved, quantity, signed=True)} in that time"))
    if found.temperature is not None:
        rows.append(("Temperature there", figure(found.temperature, "air_temperature")))
    if expected is not None:
        limit = figure(expected.uncertainty, quantity)
        rows.append(("It should read", f"{figure(expected.value, quantity)} ± {limit}"))
    if found.point is not None:
        shift = figure(found.point["reference"] - found.point["reads"], quantity, signed=True)
        rows.append(("Correction here", f"{shift}, known to ± {figure(found.point['uncertainty'], quantity)}, k = 2"))
    return rows

"""A reference check as a page that can be printed and laid into a folder."""

from dataclasses import dataclass
from zoneinfo import ZoneInfo

from dashboard.calibration import drift_words, figure, formula, shown_unit, where_now
from dashboard.calibration_steps import STEPS
from dashboard.words import clock, exact, quantity_name, span
from sensors.catalogue import CATALOGUE, expanded_uncertainty, repeat_uncertainty
from service.api.calibration_answers import CalibrationAnswer, PointAnswer
from service.climate.reference_points import SALTS
from service.climate.uncertainty import COVERAGE_FACTOR, expanded_from_limit
from service.store.facts import ChannelFact, RoomFacts
from service.store.traceability import element_of


@dataclass(frozen=True, slots=True)
class Record:
    """A check as the page that is printed tells it.

    Attributes
    ----------
    heads : tuple of (str, str)
        What was checked, when and by whom.
    points : tuple of tuple of (str, str)
        Of each point its figures: name and value.
    results : tuple of (str, str)
        What follows.
    parts : tuple of (str, str)
        What the uncertainty of a point is made of.
    """

    title: str
    heads: tuple[tuple[str, str], ...]
    points: tuple[tuple[tuple[str, str], ...], ...]
    results: tuple[tuple[str, str], ...]
    parts: tuple[tuple[str, str], ...]


def record_of(facts: RoomFacts, channel: ChannelFact, answer: CalibrationAnswer) -> Record:
    """Return a check as it is printed."""
    quantity = channel.quantity
    return Record(
        title=f"{channel.probe}, {quantity_name(quantity).lower()}",
        heads=tuple(_heads(facts, channel, answer)),
        points=tuple(tuple(_point(point, quantity, facts.zone)) for point in answer.points),
        results=tuple(_results(channel, answer)),
        parts=tuple(_parts(channel, answer)),
    )


def _heads(facts: RoomFacts, channel: ChannelFact, answer: CalibrationAnswer) -> list[tuple[str, str]]:
    model = CATALOGUE.get(channel.model)
    entered = f"{answer.entered_by}, {exact(answer.entered_at, facts.zone)}"
    rows = [
        ("Probe", channel.probe),
        ("Element", f"{channel.model}: {model.title}" if model else channel.model),
        ("Quantity", f"{quantity_name(channel.quantity)}, in {shown_unit(channel.quantity)}"),
        ("Stood then", where_now(facts, channel, answer.made_at)),
        ("Checked", exact(answer.made_at, facts.zone)),
        ("Checked by", answer.by),
        ("Entered by", entered),
    ]
    return [*rows, ("Note", answer.note)] if answer.note else rows


def _point(point: PointAnswer, quantity: str, zone: ZoneInfo) -> list[tuple[str, str]]:
    rows = [("Reference", _reference(point))]
    limit = f" ± {figure(point.reference_uncertainty, quantity)}, k = 2" if point.reference_uncertainty else ""
    rows.append(("Stood at", f"{figure(point.reference, quantity)}{limit}"))
    if point.temperature is not None:
        rows.append(("Temperature there", figure(point.temperature, "air_temperature")))
    rows.append(("The probe read", f"{figure(point.reads, quantity)}{_taken(point, quantity)}"))
    if point.from_ and point.until:
        when = f"{clock(point.from_, zone)} to {exact(point.until, zone)}"
        rows.append(("Readings of", f"{when}{_stood(point)}"))
    rows.append(("As found", f"off by {figure(point.as_found, quantity, signed=True)}, as it was shown until then"))
    rows.append(("Uncertainty of the point", f"± {figure(point.uncertainty, quantity)}, k = 2"))
    return rows


def _reference(point: PointAnswer) -> str:
    method = STEPS[point.method].title if point.method and point.method in STEPS else "not told"
    salt = SALTS.get(point.against or "")
    against = f"{salt.key}, {salt.title}" if salt else point.against
    return f"{method}: {against}" if against else method


def _taken(point: PointAnswer, quantity: str) -> str:
    if point.readings is None:
        return ""
    return f", mean of {point.readings} readings with a standard deviation of {_small(point.spread or 0.0, quantity)}"


def _stood(point: PointAnswer) -> str:
    if point.since is None or point.until is None:
        return ""
    return f", after it had stood there for {span((point.until - point.since).total_seconds())}"


def _results(channel: ChannelFact, answer: CalibrationAnswer) -> list[tuple[str, str]]:
    quantity, correction = channel.quantity, answer.correction
    kind = "shown = reading " if correction.slope == 1 else "shown = "
    text = formula(correction.slope, correction.offset, quantity)
    text = f"{text[0]} {text[1:]}" if correction.slope == 1 else text
    drift = element_of(channel.model, quantity).drift_per_month
    checked = f"{figure(correction.low, quantity)} to {figure(correction.high, quantity)}"
    return [
        ("Correction", f"{kind}{text}"),
        ("Uncertainty used", (f"± {figure(correction.uncertainty, quantity)}, k = 2, at the worse end of its use; "
                             f"± {drift:g} {shown_unit(quantity)} more for each month since")),
        ("Checked at readings of", checked if correction.low != correction.high else figure(correction.low, quantity)),
        ("Drift since the last check", drift_words(answer, quantity)),
    ]  # fmt: skip


def _parts(channel: ChannelFact, answer: CalibrationAnswer) -> list[tuple[str, str]]:
    element, quantity = element_of(channel.model, channel.quantity), channel.quantity
    spread = max((point.spread or 0.0) for point in answer.points)
    step = expanded_from_limit(element.resolution / 2)
    return [
        ("the reference", "as stated with each point"),
        ("the scatter of the readings", f"up to {_small(COVERAGE_FACTOR * spread, quantity)}"),
        ("the element's step", _small(step, quantity)),
        ("what it may read otherwise another time", _small(repeat_uncertainty(element), quantity)),
        ("without any check the element is known to", f"± {figure(expanded_uncertainty(element), quantity)}"),
    ]


def _small(value: float, quantity: str) -> str:
    """Return a part of an uncertainty by its two leading digits."""
    return f"{value:.2g}\N{NO-BREAK SPACE}{shown_unit(quantity)}"

"""The claim of a probe as a form: filled from what is proposed, previewed against the messages seen."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import Final

from dashboard.words import exact, measured, quantity_name, unit_of
from sensors.catalogue import CATALOGUE, OTHER, Figures
from sensors.payloads.measurement import Decoded
from sensors.payloads.proposing import Proposal
from sensors.quantities import QUANTITIES
from service.api.probe_answers import shown_payload
from service.errors import BadUse
from service.ingest.arrivals import Arrival
from service.ingest.claims import ChannelClaim, Claim, preview
from service.model import UnclaimedMessage, UnclaimedSource, to_ms
from service.store.facts import RoomFacts

SHOWN: Final = 5
MOST_PLACES: Final = 40
UNITS: Final = tuple(dict.fromkeys(unit for quantity in QUANTITIES.values() for unit in quantity.units))
UNPLACED: Final = frozenset({"battery", "signal"})
"""What is said of the probe itself: it stands in no zone."""
_PAYLOAD: Final = 160
_ROUND_S: Final = (1, 2, 5, 10, 15, 20, 30, 60, 120, 300, 600, 900, 1800, 3600)


@dataclass(frozen=True, slots=True)
class PlaceRow:
    """A number in the message: where it stands, what was seen there, what it is taken for."""

    index: int
    pointer: str
    seen: str
    quantity: str
    unit: str
    why: str
    accuracy: str


@dataclass(frozen=True, slots=True)
class PreviewRow:
    """What the form makes of one message."""

    at: str
    payload: str
    values: tuple[str, ...]
    reasons: tuple[str, ...]


def proposed_fields(
    source: UnclaimedSource, proposal: Proposal, messages: Sequence[UnclaimedMessage]
) -> dict[str, str]:
    """Return the form's fields as they are proposed."""
    fields = {
        "topic": source.topic, "format": proposal.format, "time": proposal.time_pointer, "each": proposal.each,
        "called": proposal.called, "called_at": proposal.called_at, "id": _key(proposal.called or source.topic),
        "model": "generic", "every": _cadence(messages), "since": "first",
    }  # fmt: skip
    written = {name: value for name, value in fields.items() if value is not None}
    for index, place in enumerate(proposal.places):
        written |= {
            f"pointer{index}": place.pointer,
            f"quantity{index}": place.quantity or "",
            f"unit{index}": place.unit or "",
            f"seen{index}": ", ".join(str(value)[:12] for value in place.values[:3]),
            f"why{index}": place.why,
        }
    return written


def _key(name: str) -> str:
    """Return an id that a name may become."""
    tidy = re.sub(r"[^a-z0-9._-]+", "-", name.lower().rsplit("urn:dev:", maxsplit=1)[-1]).strip("-._")
    return tidy[-64:].lstrip("-._") or "probe"


def _cadence(messages: Sequence[UnclaimedMessage]) -> str:
    """Return the seconds between messages, near to a round figure; empty when one alone was seen."""
    times = sorted(to_ms(message.received_at) for message in messages if message.resumed_at is None)
    gaps = [after - before for before, after in pairwise(times) if after - before > 500]  # noqa: PLR2004 - messages of one moment are no cadence
    if not gaps:
        return ""
    seconds = median(gaps) / 1000
    near = min(_ROUND_S, key=lambda whole: abs(whole - seconds))
    return str(near) if abs(near - seconds) <= 0.1 * near else f"{seconds:.0f}"


def place_rows(fields: Mapping[str, str]) -> list[PlaceRow]:
    """Return the rows of a form."""
    return [
        PlaceRow(
            index, fields[f"pointer{index}"], fields.get(f"seen{index}", ""), fields.get(f"quantity{index}", ""),
            fields.get(f"unit{index}", ""), fields.get(f"why{index}", ""), fields.get(f"accuracy{index}", ""),
        )
        for index in range(MOST_PLACES)
        if f"pointer{index}" in fields
    ]  # fmt: skip


def claim_of(fields: Mapping[str, str]) -> Claim:
    """Return what a form claims.

    Raises
    ------
    BadUse
        A figure in it cannot be read.
    """
    enclosure, zone = fields.get("enclosure") or None, fields.get("zone") or None
    written, model = fields.get("format", ""), fields.get("model", "")
    channels = []
    for row in place_rows(fields):
        if row.quantity:
            stands = row.quantity not in UNPLACED and enclosure is not None
            channels.append(
                ChannelClaim(
                    row.quantity, None if written == "scalar" else row.pointer, row.unit or None,
                    enclosure if stands else None, zone if stands else None,
                    Figures(_number(row.accuracy, f"accuracy of {row.quantity}")) if model == OTHER else None,
                )
            )  # fmt: skip
    every = fields.get("every", "").strip()
    return Claim(
        key=fields.get("id", "").strip(), model=model, topic=fields.get("topic", ""), format=written,
        channels=tuple(channels), every_s=_number(every, "every") if every else None,
        time_pointer=fields.get("time"), each=fields.get("each"), called=fields.get("called"),
        called_at=fields.get("called_at"),
    )  # fmt: skip


def _number(text: str, what: str) -> float:
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError as exc:
        raise BadUse(f"{what}: expected a number, got {text[:20]!r}") from exc
    if not 0 < value < 1e6:  # noqa: PLR2004 - catches NaN and infinity too
        raise BadUse(f"{what}: expected a number above 0, got {text[:20]!r}")
    return value


def preview_rows(facts: RoomFacts, claim: Claim, messages: Sequence[UnclaimedMessage]) -> list[PreviewRow]:
    """Return what a claim makes of the last messages; raises BadUse when its mapping could never work."""
    shown = messages[:SHOWN]
    arrivals = [
        Arrival(message.topic, message.payload, 0, 0, False, message.retained, to_ms(message.received_at))
        for message in shown
    ]
    found = preview(claim.mapping(), claim.topic, arrivals)
    return [_preview(facts, message, decoded) for message, decoded in zip(shown, found, strict=True)]


def _preview(facts: RoomFacts, message: UnclaimedMessage, decoded: Decoded) -> PreviewRow:
    values = []
    for one in decoded.measurements:
        beyond = "" if QUANTITIES[one.quantity].is_possible(one.value) else " (impossible)"
        values.append(
            f"{quantity_name(one.quantity)} {measured(one.value, unit_of(QUANTITIES[one.quantity].unit))}{beyond}"
        )
    payload = shown_payload(message.payload)[:_PAYLOAD]
    return PreviewRow(exact(message.received_at, facts.zone), payload, tuple(values), tuple(decoded.refusals))


def models() -> list[tuple[str, str]]:
    """Return the models of the catalogue: key and title."""
    return [(model.key, f"{model.key}: {model.title}") for model in CATALOGUE.values()]

"""A probe as a form: how it is heard, what its messages mean, and where each channel stood since when."""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from dashboard.number_fields import number_written
from dashboard.since import local_text, since_in
from service.errors import BadUse
from service.roomfile.editing import Document, entry

_HEAD: Final = ("model", "topic", "format", "every", "time", "each", "called", "called_at")
_FIGURES: Final = ("accuracy", "resolution", "low", "high", "response", "source")
_NO_HEAD: Final[dict[str, str]] = dict.fromkeys((*_HEAD, "each_whole", "id"), "")
_NO_CHANNEL: Final[dict[str, str]] = dict.fromkeys(("quantity", "where", "unit", *_FIGURES), "")
_NO_PLACE: Final[dict[str, str]] = dict.fromkeys(("quantity", "enclosure", "zone", "from", "until"), "")
_BLANK: Final = {"c": _NO_CHANNEL, "p": _NO_PLACE}
_WORDS: Final = frozenset({"source"})
_ROW: Final = re.compile(r"([cp])(\d{1,3})-(?:quantity|where)", re.ASCII)
_NUMBER: Final = re.compile(r"[+-]?\d{1,9}(?:[.,]\d{1,9})?", re.ASCII)


@dataclass(frozen=True, slots=True)
class ProbeFields:
    """The fields of a probe's form: `head` by name, then a row for each channel and for each place."""

    head: Mapping[str, str]
    channels: tuple[Mapping[str, str], ...]
    places: tuple[Mapping[str, str], ...]


def probe_fields(table: Mapping[str, Any] | None, zone: ZoneInfo) -> ProbeFields:
    """Return the fields that show a `[[probe]]` of a room file; None is a probe that is new."""
    if table is None:
        head = {**_NO_HEAD, "model": "generic", "format": "json"}
        return ProbeFields(head, (_NO_CHANNEL, _NO_CHANNEL), (_NO_PLACE, _NO_PLACE))
    whole = "yes" if table.get("each") == "" else ""
    head = {**_NO_HEAD, **{name: _text(table.get(name)) for name in _HEAD}, "each_whole": whole}
    channels: dict[str, Mapping[str, str]] = {}
    places: list[Mapping[str, str]] = []
    for channel in table["channel"]:
        low, high = channel.get("range", (None, None))
        figures = {name: _text(channel.get(name)) for name in _FIGURES} | {"low": _text(low), "high": _text(high)}
        where = _text(channel.get("pointer", channel.get("name")))
        quantity = channel["quantity"]
        channels[quantity] = {"quantity": quantity, "where": where, "unit": _text(channel.get("unit"))} | figures
        if "enclosure" in channel:
            span = {name: local_text(channel.get(name), zone) for name in ("from", "until")}
            places.append({"quantity": quantity, "enclosure": channel["enclosure"], "zone": channel["zone"]} | span)
    return ProbeFields(head, (*channels.values(), _NO_CHANNEL, _NO_CHANNEL), (*places, _NO_PLACE, _NO_PLACE))


def sent_probe(form: Mapping[str, str]) -> ProbeFields:
    """Return the fields as they were sent, to be shown again."""
    head = {name: form.get(name, "") for name in _NO_HEAD}
    channels, places = (tuple(blank | row for row in _rows(form, letter)) for letter, blank in _BLANK.items())
    return ProbeFields(head, (*channels, _NO_CHANNEL, _NO_CHANNEL), (*places, _NO_PLACE, _NO_PLACE))


def put_probe(document: Document, form: Mapping[str, str], key: str, now: datetime, zone: ZoneInfo) -> list[datetime]:
    """Enter a probe, or change one; return since when the places that are new hold, where the form says so.

    Raises
    ------
    BadUse
        A field cannot be read; there is a probe of that id; there is none.
    """
    probes = document.setdefault("probe", [])
    old = entry(document, "probe", key) if key else None
    identity = key or form.get("id", "").strip()
    if old is None and any(one["id"] == identity for one in probes):
        raise BadUse(f'there is a probe "{identity}" already: change that one, or take another id')
    known = _instants(old, zone)
    places = [_place(row, known, now, zone) for row in _rows(form, "p") if row.get("enclosure", "").strip()]
    channels = [table for row in _rows(form, "c") for table in _channel(row, form.get("format", ""), places)]
    fresh = {"id": identity} | _head(form) | {"channel": channels}
    document["probe"] = [fresh if one is old else one for one in probes] if old else [*probes, fresh]
    before = set(known.values())
    return [place["from"] for place in places if "from" in place and place["from"] not in before]


def _text(value: object) -> str:
    return "" if value is None else f"{value:.12g}" if isinstance(value, float) else str(value)


def _rows(form: Mapping[str, str], letter: str) -> Iterator[dict[str, str]]:
    """Yield the rows of a kind that were sent, each by the names of its fields, without those left empty."""
    numbers = {int(found[2]) for name in form if (found := _ROW.fullmatch(name)) and found[1] == letter}
    for number in sorted(numbers):
        stem = f"{letter}{number}-"
        row = {name.removeprefix(stem): value for name, value in form.items() if name.startswith(stem)}
        if row.get("quantity", "").strip():
            yield row


def _head(form: Mapping[str, str]) -> Document:
    head: Document = {name: form.get(name, "").strip() for name in ("model", "topic", "format")}
    if text := form.get("every", "").strip():
        head["every"] = number_written(text, _NUMBER, "seconds between readings")
    head |= {name: text for name in ("time", "each", "called") if (text := form.get(name, "").strip())}
    if form.get("each_whole"):
        head["each"] = ""
    if text := form.get("called_at", "").strip():
        head["called_at"] = int(text) if text.isascii() and text.isdigit() and len(text) < 4 else text  # noqa: PLR2004 - levels of a topic
    return head


def _channel(row: Mapping[str, str], written: str, places: Sequence[Document]) -> Iterator[Document]:
    """Yield a table for each place of a channel, or one for a channel that stands nowhere."""
    quantity = row["quantity"]
    head: Document = {"quantity": quantity}
    if written in {"json", "senml"}:
        head["pointer" if written == "json" else "name"] = row.get("where", "").strip()
    if text := row.get("unit", "").strip():
        head["unit"] = text
    head |= _figures(row)
    own = [place for place in places if place["quantity"] == quantity]
    for place in own:
        yield head | place
    if not own:
        yield head


def _figures(row: Mapping[str, str]) -> Document:
    said = {name: text for name in _FIGURES if (text := row.get(name, "").strip())}
    figures: Document = {
        name: text if name in _WORDS else number_written(text, _NUMBER, f"{name} of {row['quantity']}")
        for name, text in said.items()
    }
    if "low" in figures or "high" in figures:
        figures["range"] = [end for end in (figures.pop("low", None), figures.pop("high", None)) if end is not None]
    return figures


def _place(row: Mapping[str, str], known: Mapping[str, datetime], now: datetime, zone: ZoneInfo) -> Document:
    place: Document = {"quantity": row["quantity"], "enclosure": row["enclosure"], "zone": row.get("zone", "")}
    for name, what in (("from", "since"), ("until", "until")):
        text = row.get(name, "").strip()
        # What was not touched stays the instant that it was: an hour that came twice is two instants.
        at = known.get(text) or since_in(row, name, f"{row['quantity']}, {what}", now, zone)
        if at is not None:
            place[name] = at
    return place


def _instants(table: Mapping[str, Any] | None, zone: ZoneInfo) -> dict[str, datetime]:
    channels = () if table is None else table["channel"]
    return {
        local_text(channel[name], zone): channel[name]
        for channel in channels for name in ("from", "until") if name in channel
    }  # fmt: skip

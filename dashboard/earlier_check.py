"""A reference check that was made before, as its paper says: from a form to a `[[calibration]]` of a room file."""

import re
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from dashboard.number_fields import number_written
from dashboard.since import instant_in, since_in
from service.errors import BadUse
from service.roomfile.editing import Document
from service.store.facts import ChannelFact

MOST_POINTS: Final = 6
_FIGURES: Final = ("reference", "reads", "uncertainty")
_RECORD: Final = ("reference_uncertainty", "temperature", "readings", "spread")
_WORDS: Final = ("method", "against")
_TIMES: Final = ("since", "from", "until")
_NUMBER: Final = re.compile(r"[+-]?\d{1,6}(?:[.,]\d{1,9})?", re.ASCII)


def put_check(document: Document, form: Mapping[str, str], channel: ChannelFact, now: datetime, zone: ZoneInfo) -> None:
    """Enter a check of a channel with what it read at known values.

    Raises
    ------
    BadUse
        A field cannot be read, or the check would have been made in the future.
    """
    made = since_in(form, "at", "made", now, zone)
    if made is None:
        raise BadUse("made: when was the check made?")
    if made > now:
        raise BadUse("made: a check is entered once it was made; look at the date")
    check: Document = {"probe": channel.probe, "quantity": channel.quantity, "at": made}
    if (since := since_in(form, "from", "since", now, zone)) is not None:
        check["from"] = since
    points = list(_points(form, zone))
    if not points:
        raise BadUse("write for each point what was true, what the probe read, and how well that is known")
    check |= {name: text for name in ("by", "note") if (text := " ".join(form.get(name, "").split()))}
    is_bare = len(points) == 1 and set(points[0]) == set(_FIGURES)
    document.setdefault("calibration", []).append(check | (points[0] if is_bare else {"point": points}))


def _points(form: Mapping[str, str], zone: ZoneInfo) -> Iterator[Document]:
    for number in range(MOST_POINTS):
        said = {name: form.get(f"p{number}-{name}", "").strip() for name in (*_FIGURES, *_RECORD, *_WORDS, *_TIMES)}
        if not any(said.values()):
            continue
        if missing := [name for name in _FIGURES if not said[name]]:
            raise BadUse(f"point {number + 1}: {missing[0]} is missing")
        point: Document = {
            name: number_written(said[name], _NUMBER, f"point {number + 1}, {name}") for name in _FIGURES
        }
        point |= {
            name: number_written(said[name], _NUMBER, f"point {number + 1}, {name}") for name in _RECORD if said[name]
        }
        point |= {name: said[name] for name in _WORDS if said[name]}
        times = {name: instant_in(said, name, f"point {number + 1}, {name}", zone) for name in _TIMES}
        yield point | {name: at for name, at in times.items() if at is not None}

"""What changed shortly before something happened: lamp, move, profile, probe, feeding, care that was missed."""

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from itertools import pairwise
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from service.climate.ranges import DAY_MS
from service.lookback.bodies import Body, instant
from service.lookback.lives.stays import Stay
from service.lookback.noted import entry_words
from service.lookback.text import FACT_WORDS
from service.lookback.words import clock_words, counted, ms_of, times_words
from service.model import from_ms
from service.store.equipment_words import equipment_words

WINDOW_DAYS: Final = 14
"""What is "shortly before" (common practice, no source)."""
_FEWEST_MEALS: Final = 3
_LATE_MEAL: Final = 1.5
"""Longer than usual by this factor is told as such (common practice, no source)."""
_MONTH_DAYS: Final = 30.436875


def changes_before(
    facts: Iterable[Body],
    journal: Iterable[Body],
    stays: Sequence[Stay],
    event_ms: int,
    zone: ZoneInfo,
    cared: Iterable[Body] = (),
) -> list[Body]:
    """Return what changed in the `WINDOW_DAYS` before an event, the latest first.

    Parameters
    ----------
    facts, journal : iterable of dict
        Of the report; those of its enclosures.
    stays : sequence of Stay
        A stay that begins in the window is a move.
    event_ms : int
        [ms, UTC]
    zone : ZoneInfo
    cared : iterable of dict
        The care that was done, as `service.lookback.lives.cared.care_done` returns it.
    """
    first_ms = event_ms - WINDOW_DAYS * DAY_MS
    found: list[tuple[int, str, str | None, str]] = []
    for fact in facts:
        where = fact.get("enclosure")
        for edge, verb in (("from", ""), ("until", "ended: ")):
            at = fact[edge]
            if at is not None and first_ms <= ms_of(at) <= event_ms:
                found.append((ms_of(at), fact["kind"], where, f"{verb}{FACT_WORDS[fact['kind']](fact)}"))
    found += [
        (ms_of(entry["at"]), entry["kind"], entry["enclosure"], f"{entry_words(entry)}.")
        for entry in journal
        if first_ms <= ms_of(entry["at"]) <= event_ms
    ]
    found += [
        (ms_of(done["at"]), done["kind"], done["enclosure"], done["said"])
        for done in cared
        if first_ms <= ms_of(done["at"]) <= event_ms
    ]
    for number, stay in enumerate(stays):
        if number and first_ms <= stay.start_ms <= event_ms:
            found.append((stay.start_ms, "move", stay.enclosure.key, f"moved into {stay.enclosure.name}."))
    return [
        _body(*one, event_ms=event_ms, zone=zone)
        for one in sorted(set(found), key=lambda one: (-one[0], one[1], one[2] or "", one[3]))
    ]


def _body(at_ms: int, kind: str, where: str | None, said: str, *, event_ms: int, zone: ZoneInfo) -> Body:
    ago = (event_ms - at_ms) / DAY_MS
    when = "on the same day" if ago < 1 else f"{counted(round(ago), 'day')} before"
    at = instant(at_ms)
    return {
        "at": at,
        "days_before": round(ago, 2),
        "kind": kind,
        "enclosure": where,
        "sentence": f"{clock_words(at, zone)}, {when}: {said}",
    }


def feeding_words(meals: Sequence[datetime], refused: int, event_ms: int) -> list[str]:
    """Return what is known of an animal's feeding before an event.

    Parameters
    ----------
    meals : sequence of datetime
        When it was noted as fed before the event, the last first.
    refused : int
        How often it refused food in the `WINDOW_DAYS` before.
    event_ms : int
        [ms, UTC]
    """
    said: list[str] = []
    if not meals:
        said.append("No feeding was noted before.")
    else:
        since = (from_ms(event_ms) - meals[0]).total_seconds() / 86_400
        words = f"Last noted as fed {counted(round(since), 'day')} before"
        gaps = [(a - b).total_seconds() / 86_400 for a, b in pairwise(meals)]
        if len(gaps) >= _FEWEST_MEALS:
            usual = float(np.median(gaps))
            late = ", longer than usual" if since > _LATE_MEAL * usual else ""
            words += f"{late}: usually every {usual:.1f} days"
        said.append(f"{words}.")
    if refused:
        said.append(f"It refused food {times_words(refused)} in the {WINDOW_DAYS} days before.")
    return said


def overdue_words(facts: Iterable[Body], event_ms: int) -> Iterator[str]:
    """Yield the equipment that was past its replacement when something happened."""
    for fact in facts:
        months = fact.get("replace_after_months")
        if fact["kind"] != "equipment" or months is None or (fact["until"] and ms_of(fact["until"]) <= event_ms):
            continue
        late_ms = event_ms - ms_of(fact["from"]) - months * _MONTH_DAYS * DAY_MS
        if late_ms > DAY_MS:
            kind = equipment_words(fact["equipment"])
            yield (
                f"The {kind} of {fact['enclosure']} was {counted(round(late_ms / DAY_MS), 'day')} past its replacement "
                f"after {months:g} months."
            )

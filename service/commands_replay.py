"""`wardian replay`: what the watch makes of the stored readings, against what was recorded, or under a draft."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated, Literal

import orjson
import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

from service.errors import BadUse, NotFound, RoomFileInvalid
from service.main import now_ms
from service.model import from_ms, to_ms
from service.roomfile.reading import read_profile_file
from service.settings import load_settings
from service.store.engine import open_store
from service.store.facts import ProfileVersionFact, RoomFacts, load_facts
from service.store.readings import END_OF_TIME
from service.watch.replay import Derived, Difference, derive, differences, recorded, replay_steps

_WIDE = 200


def replay(
    start: Annotated[str, typer.Option("--from", help="Local date, or ISO 8601 time with offset.")],
    end: Annotated[str | None, typer.Option("--to", help="The same; a date is included. Default: now.")] = None,
    enclosure: Annotated[str | None, typer.Option(help="Only this enclosure.")] = None,
    profile: Annotated[Path | None, typer.Option(help="A draft: what would it have done?")] = None,
    output: Annotated[Literal["text", "json"], typer.Option("--format", help="text or json")] = "text",
) -> None:
    """Feed the stored readings through the watch again and compare the alarms; exit 1 where they differ."""
    store = open_store(load_settings().database_url)
    with store.read() as session:
        facts = load_facts(session)
        start_ms, end_ms = _instant(start, facts, "--from"), _end(end, facts)
        if start_ms >= end_ms:
            raise BadUse("--from lies after --to: nothing to replay")
        enclosure_id = _enclosure(facts, enclosure)
        steps = replay_steps(facts, start_ms, end_ms, enclosure_id)
        drafted = facts if profile is None else _under_draft(facts, profile)
        with _progress(steps if profile is None else 2 * steps) as advance:
            derived = derive(session, facts, start_ms, end_ms, enclosure_id, advance)
            if profile is None:
                there = recorded(session, facts, start_ms, end_ms, enclosure_id)
            else:
                there, derived = derived, derive(session, drafted, start_ms, end_ms, enclosure_id, advance)
    store.close()
    found = differences(there, derived, end_ms)
    if output == "json":
        typer.echo(orjson.dumps(_as_json(derived, found), option=orjson.OPT_INDENT_2).decode())
    else:
        _tell(facts, there, derived, found, draft=profile is not None)
    if found and profile is None:
        raise typer.Exit(1)


@contextmanager
def _progress(steps: int) -> Iterator[Callable[[int], None]]:
    """Show a bar on a terminal, and nothing elsewhere."""
    console = Console(stderr=True)
    columns = (TextColumn("[progress.description]{task.description}"), BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, disable=not console.is_terminal, transient=True) as progress:
        task = progress.add_task("Replaying", total=steps)
        yield lambda done: progress.advance(task, done)


def _under_draft(facts: RoomFacts, path: Path) -> RoomFacts:
    """Return the facts as if the draft's profiles had been in force all along."""
    versions = dict(facts.profile_versions)
    try:
        drafts = read_profile_file(path)
    except RoomFileInvalid as exc:
        raise BadUse("\n".join(exc.problems)) from exc
    for draft in drafts:
        if draft.id not in versions:
            followed = ", ".join(sorted(versions)) or "none"
            raise BadUse(f"{path}: no enclosure follows {draft.id!r}; those followed are: {followed}")
        versions[draft.id] = (ProfileVersionFact(0, END_OF_TIME, draft.id, draft.species, 0, draft.body()),)
    return replace(facts, profile_versions=versions)


def _enclosure(facts: RoomFacts, key: str | None) -> int | None:
    if key is None:
        return None
    if key not in facts.by_key:
        raise NotFound(f"there is no enclosure {key!r}; those there are: {', '.join(sorted(facts.by_key)) or 'none'}")
    return facts.by_key[key].id


def _instant(text: str, facts: RoomFacts, option: str, *, after: int = 0) -> int:
    """Read a local date (its start, or that of a later day) or an instant. [ms since 1970, UTC]."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as exc:
        raise BadUse(f"{option}: {text!r} is no date; write for example 2026-03-01") from exc
    if len(text) == len("2026-03-01"):
        moment = (moment + timedelta(days=after)).replace(tzinfo=facts.zone)
    if moment.tzinfo is None:
        raise BadUse(f"{option}: {text!r} has no offset from UTC; add one, or give a date alone")
    return to_ms(moment.astimezone(UTC))


def _end(text: str | None, facts: RoomFacts) -> int:
    return now_ms() if text is None else min(now_ms(), _instant(text, facts, "--to", after=1))


def _as_json(derived: Sequence[Derived], found: Sequence[Difference]) -> dict[str, object]:
    return {
        "alarms": [
            {
                "condition": alarm.condition, "enclosure": alarm.enclosure, "zone": alarm.zone, "place": alarm.place,
                "priority": alarm.priority, "raised_at": _iso(alarm.raised_ms), "acknowledged_at": None,
                "acknowledged_by": None, "returned_at": _iso(alarm.returned_ms), "peak": alarm.peak, "note": None,
            }
            for alarm in derived
        ],
        "differences": [
            {
                "kind": difference.kind, "condition": difference.condition, "place": difference.place,
                "raised_at": _iso(difference.raised_ms),
                "recorded_returned_at": _iso(difference.recorded_returned_ms),
                "derived_returned_at": _iso(difference.derived_returned_ms),
            }
            for difference in found
        ],
    }  # fmt: skip


def _iso(at_ms: int | None) -> str | None:
    return None if at_ms is None else from_ms(at_ms).isoformat(timespec="milliseconds")


def _tell(
    facts: RoomFacts, there: Sequence[Derived], derived: Sequence[Derived], found: Sequence[Difference], *, draft: bool
) -> None:
    before, after = ("now", "under the draft") if draft else ("recorded", "derived from the readings")
    typer.echo(f"{len(there)} alarms {before}, {len(derived)} {after}.")
    if not found:
        typer.echo(
            "The draft would change no alarm." if draft else "They are the same: same conditions, same instants."
        )
        return
    words = {"only recorded": f"only {before}", "only derived": f"only {after}"}
    table = Table("what", "condition", "place", "raised", "returned", box=None, pad_edge=False)
    for difference in found:
        first, second = (
            _local(end, facts) for end in (difference.recorded_returned_ms, difference.derived_returned_ms)
        )
        told = {"only recorded": first, "only derived": second}.get(difference.kind, f"{first} → {second}")
        kind = words.get(difference.kind, difference.kind)
        table.add_row(kind, difference.condition, difference.place, _local(difference.raised_ms, facts), told)
    console = Console()
    # Into a file or a pipe, no line is broken.
    console.print(table, width=None if console.is_terminal else _WIDE)


def _local(at_ms: int | None, facts: RoomFacts) -> str:
    return "stands" if at_ms is None else f"{from_ms(at_ms).astimezone(facts.zone):%Y-%m-%d %H:%M:%S}"

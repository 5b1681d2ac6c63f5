"""The commands that keep the store small: `seal`, `retention`, `pin`."""

import sys
import time
from collections.abc import Sequence
from contextlib import closing
from datetime import UTC, datetime
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import Progress, SpinnerColumn, TextColumn

from service.errors import BadUse, NotFound
from service.logs import configure_logs
from service.model import PinnedSpan, from_ms, to_ms
from service.settings import Settings, load_settings
from service.store.blocks import DAY_MS
from service.store.compacting import compact, plan_compaction
from service.store.engine import open_store
from service.store.facts import RoomFacts, load_facts
from service.store.retention import ChannelPlan, apply_retention, plan_retention
from service.store.sealing import Sealed, Sealer


def seal(
    smaller: Annotated[
        bool,
        typer.Option("--compact", help="Then write the SQLite file anew, smaller; stop Wardian first."),
    ] = False,
) -> None:
    """Seal the past days that are quiet, now: each becomes one compressed row. Wardian may run meanwhile."""
    url = _settings().database_url
    _seal(url)
    if smaller:
        _compact(url)


def _compact(url: str) -> None:
    """Say what it needs, do it, and say what it brought."""
    plan = plan_compaction(url)
    typer.echo(
        f"Compacting writes {plan.path} anew beside itself: at most {plan.needed / 1e6:.1f} MB, of "
        f"{plan.free / 1e6:.1f} MB that are free. Wardian must be stopped until it is done."
    )
    size = compact(plan)
    typer.echo(f"{plan.size / 1e6:.1f} MB before, {size / 1e6:.1f} MB now; every row compared and found the same.")


def _seal(url: str) -> None:
    sealed, began, console = Sealed(), time.perf_counter(), Console(stderr=True)
    columns = (SpinnerColumn(), TextColumn("{task.description}"))
    with (
        closing(open_store(url)) as store,
        Progress(*columns, console=console, disable=not console.is_terminal, transient=True) as progress,
    ):
        task = progress.add_task("Sealing")
        for sealed in Sealer(store).run(_now_ms()):
            progress.update(task, description=f"Sealing: {sealed.readings} readings")
    took = time.perf_counter() - began
    if not sealed.readings:
        typer.echo("Nothing to seal: every day that is over is sealed already.")
        return
    longest = f"the longest transaction took {sealed.longest_s * 1000:.0f} ms"
    typer.echo(f"{sealed.readings} readings sealed in {took:.1f} s; {longest}")


def retention(
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only say what would be deleted.")] = False,
    days: Annotated[int | None, typer.Option(help="Keep so many days; default: WARDIAN_KEEP_READINGS_DAYS.")] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask before deleting.")] = False,
) -> None:
    """Say which readings are older than the rule keeps, and delete them; summaries and pinned spans stay."""
    settings = _settings()
    keep_days = settings.retention_days if days is None else days
    if keep_days is None:
        typer.echo("Readings are kept for ever: WARDIAN_KEEP_READINGS_DAYS is empty.")
        return
    with closing(open_store(settings.database_url)) as store:
        with store.read() as session:
            facts = load_facts(session)
            try:
                plans = plan_retention(session, keep_days, _now_ms())
            except ValueError as exc:
                raise BadUse(f"--days: {exc}") from exc
        _tell(facts, plans, keep_days)
        if not dry_run and any(plan.days for plan in plans):
            _agree(yes)
            typer.echo(f"{sum(apply_retention(store, plans))} readings deleted.")


def pin(
    reason: Annotated[str, typer.Option(help="Why: told beside what is kept.")],
    start: Annotated[datetime, typer.Option("--from", help="UTC.", formats=["%Y-%m-%d", "%Y-%m-%dT%H:%M:%S"])],
    end: Annotated[
        datetime | None, typer.Option("--to", help="UTC; default: open.", formats=["%Y-%m-%d", "%Y-%m-%dT%H:%M:%S"])
    ] = None,
    enclosure: Annotated[str | None, typer.Option(help="Only what stood in this enclosure.")] = None,
    channel: Annotated[str | None, typer.Option(help="Only this channel, as probe/quantity.")] = None,
) -> None:
    """Pin a span: retention never deletes a day that it touches."""
    from_at, until_at = start.replace(tzinfo=UTC), None if end is None else end.replace(tzinfo=UTC)
    if until_at is not None and until_at <= from_at:
        raise BadUse("--to must lie after --from")
    with closing(open_store(_settings().database_url)) as store, store.write() as session:
        facts = load_facts(session)
        for option, key, known in (
            ("--enclosure", enclosure, facts.by_key | facts.retired),
            ("--channel", channel, facts.channel_by_key),
        ):
            if key is not None and key not in known:
                raise NotFound(f"{option}: there is no {key!r}; those there are: {', '.join(sorted(known)) or 'none'}")
        session.add(
            PinnedSpan(
                channel_id=None if channel is None else facts.channel_by_key[channel].id,
                enclosure_id=None if enclosure is None else (facts.by_key | facts.retired)[enclosure].id,
                from_at=from_at, until_at=until_at, reason=reason, entered_by="the command line",
                entered_at=datetime.now(UTC),
            )
        )  # fmt: skip
    typer.echo("Pinned.")


def _settings() -> Settings:
    settings = load_settings()
    configure_logs(settings.log)
    return settings


def _now_ms() -> int:
    return to_ms(datetime.now(UTC))


def _agree(yes: bool) -> None:
    if yes:
        return
    if not sys.stdin.isatty():
        raise BadUse("nothing was deleted: add --yes to delete without being asked")
    if not typer.confirm("Delete these readings for good?"):
        raise BadUse("nothing was deleted")


def _tell(facts: RoomFacts, plans: Sequence[ChannelPlan], keep_days: int) -> None:
    total = sum(plan.readings for plan in plans)
    size = sum(plan.size for plan in plans) / 1e6
    typer.echo(f"Older than {keep_days} days: {total} readings, {size:.1f} MB. The summary of each day stays.")
    for plan in plans:
        fact = facts.channels.get(plan.channel_id)
        name = fact.key if fact else f"channel {plan.channel_id}"
        pinned = f"; {plan.pinned} days are pinned and stay" if plan.pinned else ""
        if plan.days:
            first, last = (f"{from_ms(day * DAY_MS):%Y-%m-%d}" for day in (plan.days[0], plan.days[-1]))
            typer.echo(f"  {name}: {len(plan.days)} days from {first} to {last}, {plan.readings} readings{pinned}")
        elif pinned:
            typer.echo(f"  {name}: nothing{pinned}")

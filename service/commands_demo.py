"""`wardian demo`: a simulated room, shown."""

from typing import Annotated

import typer
from rich.console import Console

from service.demo import run_demo
from service.logs import configure_logs


def demo(
    days: Annotated[int, typer.Option(min=1, max=365, help="Days of history to make.")] = 30,
    port: Annotated[int, typer.Option(min=0, max=65_535, help="Port of the pages; 0 takes a free one.")] = 8780,
) -> None:
    """Show a simulated room with faults: real MQTT, loopback only, nothing kept afterwards but demo-data/."""
    configure_logs("text")
    run_demo(days, port, Console(stderr=True, highlight=False))

"""How log lines are written: for a person at a terminal, or as JSON for a collector."""

import logging
import sys
from contextlib import suppress
from typing import TextIO, cast

import structlog


class _Unfailing:
    """Standard error, which a full disk behind it must not turn into an error of the work that is logged."""

    def write(self, text: str) -> int:
        with suppress(OSError):
            sys.stderr.write(text)
        return len(text)

    def flush(self) -> None:
        with suppress(OSError):
            sys.stderr.flush()


def configure_logs(kind: str) -> None:
    """Write log lines to standard error as ``text`` or ``json``; events are constants, facts are fields."""
    as_json = kind == "json"
    # A traceback is told plainly: one that shows the values of variables would show passwords and routes.
    plain = structlog.dev.ConsoleRenderer(colors=sys.stderr.isatty(), exception_formatter=structlog.dev.plain_traceback)
    renderer = structlog.processors.JSONRenderer() if as_json else plain
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=as_json),
            structlog.processors.format_exc_info,
            renderer,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.INFO),
        logger_factory=structlog.PrintLoggerFactory(cast(TextIO, _Unfailing())),
        cache_logger_on_first_use=False,
    )
    # Libraries log through the standard module: only their warnings are of interest.
    logging.basicConfig(level=logging.WARNING, stream=sys.stderr, format="%(levelname)s %(name)s: %(message)s")

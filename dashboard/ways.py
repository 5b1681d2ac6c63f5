"""The ways between the pages, as they stand at the head of each."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

from fastapi import FastAPI
from starlette.routing import Match

from service.api.access import right_for
from service.api.sign_in import current_visitor

PLACES: Final = (
    ("/", "Room"),
    ("/alarms", "Alarms"),
    ("/probes", "Probes"),
    ("/profiles", "Profiles"),
    ("/animals", "Animals"),
    ("/care", "Care"),
    ("/look-back", "Look-back"),
    ("/lookback", "Look-back"),
    ("/people", "People"),
    ("/telling", "Telling"),
    ("/set-up", "Set up"),
)
"""In the order of a keeper's day: what is, what to do, whom it is for, what it was, who."""
_BELOW: Final = {
    "/probes": ("/calibration", "/reference-checks", "/unclaimed"),
    "/animals": ("/journal", "/clutches"),
    "/look-back": ("/compare",),
    "/set-up": ("/labels",),
    "/profiles": ("/new-profile",),
}
"""Pages whose path does not begin with that of their way."""


@dataclass(frozen=True, slots=True)
class Way:
    """A link at the head of a page; `is_here` when the page that is shown is it, or lies below it."""

    address: str
    name: str
    is_here: bool


def ways_of(app: FastAPI, asked: Callable[[], str]) -> Callable[[], list[Way]]:
    """Return what tells the ways that a visitor may go.

    Parameters
    ----------
    app : FastAPI
        With all its routes: a page that is not there has no way.
    asked : callable
        The path of the page that is shown.
    """
    places = [(address, name) for address, name in PLACES if _is_there(app, address)]

    def ways() -> list[Way]:
        visitor = current_visitor()
        if visitor is None or visitor.scopes is not None:
            return []
        allowed = [(a, name) for a, name in places if visitor.may(right_for("GET", a))]
        here = _here(asked(), [address for address, _ in allowed])
        return [Way(address, name, address == here) for address, name in allowed]

    return ways


def _is_there(app: FastAPI, address: str) -> bool:
    asked = {"type": "http", "method": "GET", "path": address, "root_path": "", "headers": []}
    return any(route.matches(asked)[0] is Match.FULL for route in app.routes)


def _here(path: str, addresses: Iterable[str]) -> str:
    """Return the way that a path lies on: enclosures lie on the Room's, others as `_BELOW` says."""
    for way, beginnings in _BELOW.items():
        if path.startswith(beginnings):
            return way
    for address in addresses:
        if address != "/" and (path == address or path.startswith(f"{address}/")):
            return address
    return "/" if path == "/" or path.startswith(("/enclosures/", "/d/")) else ""

"""Where the interface's routes lie, and how an application takes them."""

from typing import Final

from fastapi import APIRouter, FastAPI

PREFIX: Final = "/api/v1"


def take_routes(app: FastAPI, *routers: APIRouter) -> None:
    """Give an application the routes of its parts, as they are, in this order.

    `include_router` would describe each a second time for this application, which is most of the time that one takes
    to be made; what it could add to them (a prefix, a tag) their own routers say.
    """
    for router in routers:
        app.router.routes.extend(router.routes)

"""The HTTP interface: its routes, its errors and its description."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.metadata import version
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from service.api import (
    alarm_actions,
    alarm_holds,
    alarms,
    animals,
    calibrations,
    care,
    clutches,
    days,
    health,
    journal,
    live,
    lookback,
    probes,
    profiles,
    readings,
    rooms,
    search,
    telling,
    tokens,
    unclaimed,
)
from service.api.addresses import PREFIX, take_routes
from service.api.nul import NoNul
from service.api.parts import Parts
from service.api.problems import PROBLEM_TYPE, BodyLimit, FieldProblem, Problem, add_problem_handlers
from service.api.sign_in import Door
from service.api.trials import Trials


def create_api(parts: Parts) -> FastAPI:
    """Return the application that answers under /api/v1, and at /healthz, /readyz and /metrics.

    Its `state.parts` is `parts`, `state.hub` the `service.api.live.Hub`. Pages may be added to it with
    `take_routes`; they get the same error answers unless they set their own.
    """
    app = FastAPI(
        title="Wardian",
        summary="The climate of a room of animal enclosures: what is, what was, and what needs someone.",
        version=version("wardian"),
        openapi_url=f"{PREFIX}/openapi.json",
        # The interactive pages of the framework load their scripts from another host.
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        lifespan=_lifespan,
        telemetry={"tracing": False, "metrics": False},
    )
    app.state.parts = parts
    app.state.hub = live.Hub(parts)
    app.state.trials = Trials(parts)
    app.add_middleware(NoNul)
    app.add_middleware(BodyLimit)
    app.add_middleware(Door, parts=parts)
    add_problem_handlers(app)
    answering = (alarms, alarm_actions, alarm_holds, telling, probes, unclaimed, calibrations, readings, live)
    of_api = (health, rooms, search, profiles, care, tokens, days, lookback, animals, journal, clutches, *answering)
    take_routes(app, *(part.router for part in of_api))
    app.openapi = lambda: _described(app)
    return app


@asynccontextmanager
async def _lifespan(app: FastAPI) -> AsyncIterator[None]:
    yield
    await app.state.hub.close()


def _described(app: FastAPI) -> dict[str, Any]:
    """Return the OpenAPI description, with problem details in place of the framework's own errors."""
    if app.openapi_schema is None:
        description = get_openapi(
            title=app.title, version=app.version, summary=app.summary, openapi_version="3.1.0", routes=app.routes
        )
        schemas = description["components"]["schemas"]
        for name in ("HTTPValidationError", "ValidationError"):
            schemas.pop(name, None)
        for methods in description["paths"].values():
            for operation in methods.values():
                # The framework adds its own 422 to each route with a parameter; those that can refuse one say so.
                if PROBLEM_TYPE not in operation["responses"].get("422", {}).get("content", {PROBLEM_TYPE: None}):
                    del operation["responses"]["422"]
        template = "#/components/schemas/{model}"
        schemas["FieldProblem"] = FieldProblem.model_json_schema(ref_template=template)
        schemas["Problem"] = Problem.model_json_schema(ref_template=template)
        schemas["Problem"].pop("$defs", None)
        app.openapi_schema = description
    return app.openapi_schema

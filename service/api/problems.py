"""Errors as RFC 9457 problem details: one shape for every route."""

import secrets
from http import HTTPStatus
from typing import Any, Final

import orjson
import structlog
from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException
from starlette.routing import Match
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.errors import BadUse, NotFound, Refused, RoomFileInvalid, StoreUnusable, Unreachable, WardianError

PROBLEM_TYPE: Final = "application/problem+json"
LARGEST_BODY: Final = 1024 * 1024
"""Of any request. [bytes]"""

_log = structlog.get_logger(__name__)
_STATUS: Final[tuple[tuple[type[WardianError], int], ...]] = (
    (NotFound, 404),
    (Refused, 409),
    (RoomFileInvalid, 422),
    (BadUse, 422),
    (StoreUnusable, 503),
    (Unreachable, 503),
)
_METHODS: Final = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE")
_TRY_AGAIN_S: Final = "5"
_DETAIL: Final = {
    400: "the body is no JSON; send JSON as application/json",
    404: "there is no such page; the list stands in /api/v1/openapi.json",
    405: "this address does not take that method; the Allow header names those that it takes",
}


class FieldProblem(BaseModel):
    """What is wrong with one part of a request."""

    model_config = ConfigDict(extra="forbid")

    where: str = Field(description="Such as `query.points` or `body.readings[3].value`.")
    what: str


class Problem(BaseModel):
    """Problem details (RFC 9457)."""

    model_config = ConfigDict(extra="allow")

    type: str = Field(description="A URI reference; about:blank where the status says it all.")
    title: str
    status: int
    detail: str = Field(description="One sentence: what, where, how to mend.")
    instance: str = Field(description="The path that was asked for.")
    errors: list[FieldProblem] | None = Field(None, description="One for each part that is wrong.")


def documented(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """Return these statuses as OpenAPI responses with problem details."""
    return {
        status: {
            "description": HTTPStatus(status).phrase,
            "content": {PROBLEM_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}},
        }
        for status in statuses
    }


def problem(
    request: Request,
    status: int,
    detail: str,
    errors: list[dict[str, str]] | None = None,
    headers: dict[str, str] | None = None,
    more: dict[str, Any] | None = None,
) -> Response:
    """Return an answer with problem details; `more` are extension members."""
    body: dict[str, Any] = {
        "type": "about:blank",
        "title": HTTPStatus(status).phrase,
        "status": status,
        "detail": detail,
        "instance": request.url.path,
    }
    if errors is not None:
        body["errors"] = errors
    return Response(orjson.dumps(body | (more or {})), status, headers, media_type=PROBLEM_TYPE)


def add_problem_handlers(app: FastAPI) -> None:
    """Let every error that leaves a route become problem details."""
    app.add_exception_handler(WardianError, _of_ours)
    app.add_exception_handler(RequestValidationError, _of_validation)
    app.add_exception_handler(HTTPException, _of_http)
    app.add_exception_handler(Exception, _of_fault)


async def _of_ours(request: Request, exc: Exception) -> Response:
    status = next((status for kind, status in _STATUS if isinstance(exc, kind)), 500)
    errors = None
    if isinstance(exc, RoomFileInvalid):
        errors = [{"where": "body", "what": line} for line in exc.problems]
    headers = {"Retry-After": _TRY_AGAIN_S} if status == HTTPStatus.SERVICE_UNAVAILABLE else None
    if status >= HTTPStatus.INTERNAL_SERVER_ERROR:
        _log.error("request_failed", path=request.url.path, reason=str(exc))
    return problem(request, status, str(exc), errors, headers)


async def _of_validation(request: Request, exc: Exception) -> Response:
    found = exc.errors() if isinstance(exc, RequestValidationError) else []
    if any(error["type"] == "json_invalid" for error in found):
        return problem(request, 400, _DETAIL[400])
    errors = [{"where": _where(error["loc"]), "what": str(error["msg"])} for error in found]
    first = f"{errors[0]['where']}: {errors[0]['what']}" if errors else "the request is not of the documented form"
    more = f" (and {len(errors) - 1} more)" if len(errors) > 1 else ""
    return problem(request, 422, first + more, errors)


def _where(location: tuple[int | str, ...]) -> str:
    """Write a place in a request: body.readings[3].value."""
    parts = (f"[{part}]" if isinstance(part, int) else f".{part}" for part in location)
    return "".join(parts).removeprefix(".")


async def _of_http(request: Request, exc: Exception) -> Response:
    if not isinstance(exc, HTTPException):
        return await _of_fault(request, exc)
    said = exc.detail if exc.detail != HTTPStatus(exc.status_code).phrase else None
    detail = said or _DETAIL.get(exc.status_code) or HTTPStatus(exc.status_code).phrase
    headers = dict(exc.headers or {})
    if exc.status_code == HTTPStatus.METHOD_NOT_ALLOWED:
        headers["Allow"] = ", ".join(_methods_taken(request))
    return problem(request, exc.status_code, detail, headers=headers)


def _methods_taken(request: Request) -> list[str]:
    """Return the methods that an address takes: two routes may share one, each with its own."""
    return [
        method
        for method in _METHODS
        if any(route.matches({**request.scope, "method": method})[0] is Match.FULL for route in request.app.routes)
    ]


async def _of_fault(request: Request, exc: Exception) -> Response:
    # Whoever reads the answer can name the lines of the log that belong to it.
    number = secrets.token_hex(4)
    _log.error("request_failed", request=number, path=request.url.path, exc_info=exc)
    return problem(
        request,
        500,
        f"the service made an error; its log has the details, as request {number}",
        more={"request": number},
    )


class BodyLimit:
    """Ends the reading of a body that grows too large, whatever length it announced.

    The framework's own limit answers with plain text whenever the announced length is too large; this one raises where
    the body is read, so that the answer is problem details like every other.
    """

    def __init__(self, app: ASGIApp, largest: int = LARGEST_BODY) -> None:
        self._app = app
        self._largest = largest

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on with a counting `receive`."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        size = 0

        async def counted() -> Message:
            nonlocal size
            message = await receive()
            size += len(message.get("body", b""))
            if size > self._largest:
                raise HTTPException(
                    413,
                    f"the body is larger than {self._largest} bytes; send the readings in several requests",
                    {"Connection": "close"},
                )
            return message

        await self._app(scope, counted, send)

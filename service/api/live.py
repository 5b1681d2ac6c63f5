"""The live stream: readings and alarm transitions as server-sent events, resumed exactly where a client left off."""

import re
from typing import Annotated, Final

from fastapi import APIRouter, Header, Query, Request
from fastapi.responses import StreamingResponse
from sqlmodel import Session

from service.api.addresses import PREFIX
from service.api.hub import Hub, Position, position
from service.api.problems import documented

_POSITION: Final = r"^[0-9]{1,15}-[0-9]{1,15}$"
_EVENTS: Final = (
    "Events `readings` (newest values), `alarm` (an alarm with the transition that it made), `hold` (what is held "
    "back) and `pulse` (every 5 s). "
    "`id` is <write>-<transition>; sent back as Last-Event-ID the stream resumes there. Without one it begins with "
    "the newest reading of every placed channel."
)

router = APIRouter(prefix=PREFIX, tags=["live"])

__all__ = ["Hub", "Position", "live_position", "router"]


def live_position(session: Session) -> str:
    """Return where the stream stands for what that session reads: a page hands it on as `after`."""
    return str(position(session))


@router.get(
    "/live",
    response_class=StreamingResponse,
    responses={
        200: {"description": _EVENTS, "content": {"text/event-stream": {"schema": {"type": "string"}}}},
        **documented(422, 503),
    },
)
async def get_live(
    request: Request,
    after: Annotated[str | None, Query(pattern=_POSITION, description="Where to begin, as in Last-Event-ID.")] = None,
    last_event_id: Annotated[
        str | None, Header(description="Where the stream was left; has its way over `after`.")
    ] = None,
) -> StreamingResponse:
    """Stream what happens, from now or from where the client left off."""
    hub: Hub = request.app.state.hub
    # An identifier that is none of ours begins anew: a refusal would keep a browser from ever trying again.
    known = last_event_id if last_event_id and re.match(_POSITION, last_event_id) else after
    stream = await hub.open(Position.parse(known) if known else None)
    headers = {"Cache-Control": "no-store", "X-Accel-Buffering": "no"}
    return StreamingResponse(stream, media_type="text/event-stream", headers=headers)

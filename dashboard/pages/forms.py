"""Plain forms: what a browser without scripts sends, and where it goes back to."""

import re
from typing import Annotated, Final
from urllib.parse import parse_qsl

from fastapi import Depends, Request
from fastapi.responses import RedirectResponse

from service.errors import BadUse

_MOST_FIELDS: Final = 20
_MOST_FIELDS_LONG: Final = 600
"""Of a form with a row for each check, and that for each season."""
_HERE: Final = re.compile(r"/(?![/\\])[^\\\x00-\x20\x7f]*")
"""A path of this service: two slashes at the start would name another host."""


async def _form(request: Request) -> dict[str, str]:
    return await _fields(request, _MOST_FIELDS)


async def _long_form(request: Request) -> dict[str, str]:
    return await _fields(request, _MOST_FIELDS_LONG)


async def _fields(request: Request, most: int) -> dict[str, str]:
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    body = await request.body()
    if kind != "application/x-www-form-urlencoded" and (kind or body):
        raise BadUse("the body is no form; send it as application/x-www-form-urlencoded")
    try:
        fields = parse_qsl(body.decode("utf-8"), keep_blank_values=True, max_num_fields=most, errors="strict")
    except ValueError as exc:
        raise BadUse(f"the form cannot be read: expected UTF-8 and at most {most} fields") from exc
    return dict(fields)


Form = Annotated[dict[str, str], Depends(_form)]
"""The fields of a form; of a name that comes twice the last."""


LongForm = Annotated[dict[str, str], Depends(_long_form)]
"""The same of a form with many rows."""


def local_path(asked: str | None, otherwise: str = "/") -> str:
    """Return where to go next: the path that was asked for where it is one of this service, else another."""
    return asked if asked and _HERE.fullmatch(asked) else otherwise


def go_to(path: str) -> RedirectResponse:
    """Return an answer that shows another page by GET."""
    return RedirectResponse(path, 303, headers={"Cache-Control": "no-store"})

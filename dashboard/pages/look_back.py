"""The Look-back page: whose, when; the report on screen; and its files."""

from datetime import datetime
from typing import Annotated, Any, Literal
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Query, Response
from fastapi.responses import HTMLResponse, StreamingResponse

from dashboard.animals import choices
from dashboard.asked import degrees
from dashboard.life_lines import DAYS, life_lines
from dashboard.local_forms import field_value
from dashboard.pages.site import Pages
from dashboard.went_wrong import went_wrong
from service.errors import BadUse, NotFound
from service.lookback.forms.composing import document_of
from service.lookback.forms.drawn import pictures_of
from service.lookback.forms.making import ENDINGS, MEDIA, Form, Made, make, write
from service.lookback.forms.plain import plain_document
from service.lookback.lives.asking import Question
from service.lookback.words import ms_of
from service.model import from_ms
from service.store.animals import load_animals
from service.store.clutches import load_clutches
from service.store.facts import RoomFacts

Name = Annotated[str, Query(max_length=80)]
Edge = Annotated[str, Query(max_length=40, description="a local date, or an instant")]
Subject = Annotated[str, Query(max_length=100, description="such as animal:Amber, as the page's form sends it")]
Paper = Literal["a4", "us-letter"]
KINDS = ("animal", "clutch", "enclosure")


def look_back_router(pages: Pages) -> APIRouter:
    """Return the routes of the page."""
    router = APIRouter(include_in_schema=False)
    desk = _Desk(pages)

    @router.get("/look-back")
    def _page(
        of: Subject = "",
        animal: Name = "",
        clutch: Name = "",
        enclosure: Name = "",
        first: Annotated[str, Query(alias="from", max_length=40)] = "",
        to: Edge = "",
    ) -> HTMLResponse:
        given = {"animal": animal, "clutch": clutch, "enclosure": enclosure}
        return desk.page(_question(of, given, first, to))

    @router.get("/look-back/report.{form}")
    def _file(
        form: Literal["pdf", "html", "json", "csv", "text"],
        kind: Literal["animal", "clutch", "enclosure"],
        name: Name,
        first: Annotated[str, Query(alias="from", max_length=40)] = "",
        to: Edge = "",
        paper: Paper = "a4",
    ) -> Response:
        return desk.file(Form(form), Question(kind, name, first or None, to or None), paper)

    return router


def _question(of: str, given: dict[str, str], first: str, to: str) -> Question | None:
    """Return what is asked for, None where the form was not filled in yet."""
    kind, _, name = of.partition(":")
    if kind not in KINDS or not name:
        kind, name = next(((k, n) for k, n in given.items() if n), ("", ""))
    return Question(kind, name, first.strip() or None, to.strip() or None) if name else None


class _Desk:
    """Makes reports, and shows or sends them."""

    def __init__(self, pages: Pages) -> None:
        self._pages, self._parts = pages, pages.parts

    def page(self, question: Question | None) -> HTMLResponse:
        """Return the form, with the report below it where one was asked for."""
        with self._parts.store.read() as session:
            facts, now = self._parts.facts(session), self._parts.now()
            subjects = [
                ("Animals", [(f"animal:{one.name}", f"{one.name}, {one.species}") for one in load_animals(session)]),
                ("Clutches", [(f"clutch:{one.name}", one.name) for one in load_clutches(session)]),
                ("Enclosures", [(f"enclosure:{key}", name) for key, name in choices(facts)]),
            ]
        today = field_value(now, facts)[:10]
        shown: dict[str, Any] = {"subjects": subjects, "said": "", "report": None, "today": today}
        asked = {"of": "", "first": "", "last": ""}
        status = 200
        if question is not None:
            asked = {
                "of": f"{question.kind}:{question.name}", "first": question.first or "", "last": question.last or "",
            }  # fmt: skip
            try:
                made = make(self._parts.store, facts, question, now)
                shown["report"] = self._report(facts, made, question)
                asked |= _dates(made, facts)
            except BadUse as exc:
                shown["said"] = f"{str(exc)[:1].upper()}{str(exc)[1:]}."
                status = 404 if isinstance(exc, NotFound) else 422
        shown |= {} if shown["report"] else self._beginnings(facts, now)
        return self._pages.html("look_back.html", facts, now, status, asked=asked, **shown)

    def _beginnings(self, facts: RoomFacts, now: datetime) -> dict[str, Any]:
        """Return where a look-back may begin: what went wrong of late, and every life as a line."""
        with self._parts.store.read() as session:
            lines = life_lines(session, facts, now)
            return {"wrong": went_wrong(session, facts, now), "lines": lines, "days": DAYS}

    def _report(self, facts: RoomFacts, made: Made, question: Question) -> dict:
        pictures = pictures_of(self._parts.store, facts, made.report, made.stays, degrees())
        query = {"kind": question.kind, "name": question.name, "from": made.report["from"], "to": made.report["to"]}
        return {
            "document": plain_document(document_of(made.report, pictures, degrees=degrees())),
            "query": urlencode(query, quote_via=quote),
            "fingerprint": made.report["data"]["fingerprint"],
        }

    def file(self, form: Form, question: Question, paper: str) -> Response:
        """Return a report as a file; a bundle is sent as it is written."""
        with self._parts.store.read() as session:
            facts, now = self._parts.facts(session), self._parts.now()
        made = make(self._parts.store, facts, question, now)
        headers = {"Content-Disposition": _disposition(question, made, form), "Cache-Control": "no-store"}
        pieces = write(self._parts.store, facts, made, form, paper, degrees())
        if form is Form.CSV:
            return StreamingResponse(pieces, media_type=MEDIA[form], headers=headers)
        return Response(b"".join(pieces), media_type=MEDIA[form], headers=headers)


def _dates(made: Made, facts: RoomFacts) -> dict[str, str]:
    """Return the local dates of a report as the form's fields hold them."""
    edges = (ms_of(made.report["from"]), ms_of(made.report["to"]) - 1)
    first, last = (from_ms(at).astimezone(facts.zone).date() for at in edges)
    return {"first": first.isoformat(), "last": last.isoformat()}


def _disposition(question: Question, made: Made, form: Form) -> str:
    """Return how a file is called: in ASCII, and in the letters of its name (RFC 6266)."""
    last = made.report["to"][:10]
    plain = "".join(c if c.isascii() and (c.isalnum() or c in "-_") else "-" for c in question.name)
    called = f"look-back-{plain}-{last}.{ENDINGS[form]}"
    full = quote(f"look-back-{question.name}-{last}.{ENDINGS[form]}", safe="")
    return f"attachment; filename=\"{called}\"; filename*=UTF-8''{full}"

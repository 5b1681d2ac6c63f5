"""Makes a report and writes it in any of its forms."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Final

from service.lookback.bodies import Body
from service.lookback.degrees import Degrees
from service.lookback.forms.bundle import bundle_of
from service.lookback.forms.composing import document_of
from service.lookback.forms.document import Document
from service.lookback.forms.drawn import pictures_of
from service.lookback.forms.html import html_of
from service.lookback.forms.pdf import pdf_of
from service.lookback.lives.asking import Question, answer
from service.lookback.lives.stays import Stay, life_of_animal, life_of_clutch
from service.lookback.report import enclosure_report, to_bytes
from service.lookback.spans import enclosure_of, span_of
from service.lookback.text import text_of
from service.lookback.words import ms_of
from service.model import to_ms
from service.store.animals import animal_named
from service.store.clutches import clutch_named
from service.store.engine import Store
from service.store.facts import RoomFacts


class Form(StrEnum):
    """How a report is written."""

    TEXT = "text"
    JSON = "json"
    HTML = "html"
    PDF = "pdf"
    CSV = "csv"


MEDIA: Final = {
    Form.TEXT: "text/plain; charset=utf-8",
    Form.JSON: "application/json",
    Form.HTML: "text/html; charset=utf-8",
    Form.PDF: "application/pdf",
    Form.CSV: "application/zip",
}
ENDINGS: Final = {Form.TEXT: "txt", Form.JSON: "json", Form.HTML: "html", Form.PDF: "pdf", Form.CSV: "zip"}


@dataclass(frozen=True, slots=True)
class Made:
    """A report, and the stays that it is about."""

    report: Body
    stays: list[Stay]


def make(
    store: Store,
    facts: RoomFacts,
    question: Question,
    now: datetime,
    progress: Callable[[int], None] = lambda _: None,
    *,
    kept_too: bool = True,
) -> Made:
    """Return the report of an enclosure, an animal or a clutch.

    Parameters
    ----------
    store : Store
    facts : RoomFacts
    question : Question
    now : datetime
    progress : callable
        Told how many further days are done.
    kept_too : bool
        False assesses every day anew from its readings.

    Raises
    ------
    NotFound
        There is none of that name.
    BadUse
        The span cannot be.
    """
    if question.kind == "enclosure":
        enclosure, span = enclosure_of(facts, question.name), span_of(question.first, question.last, facts.zone, now)
        report = enclosure_report(store, facts, enclosure, span, to_ms(now), progress, kept_too=kept_too)
        return Made(report, [Stay(enclosure, span.start_ms, span.end_ms)])
    report = answer(store, facts, question, now, progress, kept_too=kept_too)
    return Made(report, stays_in(store, facts, report))


def stays_in(store: Store, facts: RoomFacts, report: Body) -> list[Stay]:
    """Return where the animal or the clutch of a report was in its span."""
    subject = report["subject"]
    with store.read() as session:
        if "animal" in subject:
            life = life_of_animal(facts, animal_named(session, subject["animal"]))
        else:
            life = life_of_clutch(facts, clutch_named(session, subject["clutch"]))
    return life.within(ms_of(report["from"]), ms_of(report["to"]))


def composed(store: Store, facts: RoomFacts, made: Made, paper: str = "", degrees: Degrees = "C") -> Document:
    """Return a report as a document, with its pictures."""
    return document_of(made.report, pictures_of(store, facts, made.report, made.stays, degrees), paper, degrees)


def write(
    store: Store, facts: RoomFacts, made: Made, form: Form, paper: str = "a4", degrees: Degrees = "C"
) -> Iterator[bytes]:
    """Yield a report in one of its forms; a bundle comes piece by piece, all others whole. Data stay in °C."""
    if form is Form.CSV:
        yield from bundle_of(store, facts, made.report, made.stays)
    elif form is Form.JSON:
        yield to_bytes(made.report)
    elif form is Form.TEXT:
        yield text_of(made.report, degrees).encode()
    elif form is Form.HTML:
        yield html_of(composed(store, facts, made, degrees=degrees), made.report)
    else:
        yield pdf_of(composed(store, facts, made, paper, degrees), paper)

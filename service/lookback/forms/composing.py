"""Makes a document of a report: summary first, then the days, and all that the summary rests on."""

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from service.lookback.bodies import Body
from service.lookback.degrees import Degrees
from service.lookback.forms.document import Bullets, Document, Paragraph, Picture, Section, Table, cells
from service.lookback.forms.in_fahrenheit import IN_FAHRENHEIT, document_in_fahrenheit
from service.lookback.forms.key import key_of, written
from service.lookback.forms.tables import (
    alarm_table,
    check_table,
    comparison_table,
    correction_table,
    day_table,
    egg_table,
    fact_table,
    gap_table,
    journal_table,
    missed_table,
    misting_table,
)
from service.lookback.text import CAUTION
from service.lookback.words import counted, long_day_words, ms_of, span_words
from service.model import from_ms

NO_DIAGNOSIS: Final = (
    "This report describes the climate that was measured around the animal. It makes no diagnosis: only a veterinarian "
    "can say what an animal suffers from and what to do about it."
)
VERDICT_WORDS: Final = {
    "met": "Every target was met",
    "not met": "At least one target was missed",
    "borderline": "Too close to a limit to tell",
    "no data": "Not known in full",
    None: "Nothing to judge yet",
}
_HOW_TO_READ: Final = (
    "A target is met or missed only where the reading with what the probe may be off by (expanded uncertainty, k = 2) "
    "lies wholly on one side of the limit; between them it is too close to tell. Where readings cover less than three "
    "quarters of the time, it is not known. Neither counts as met. Days are local days of {zone}; each is judged by "
    "the profile, the placements and the reference checks that were in force on it."
)


def document_of(report: Body, pictures: Sequence[Picture], paper: str = "", degrees: Degrees = "C") -> Document:
    """Return a report as a document.

    Parameters
    ----------
    report : dict
        Of an enclosure, an animal or a clutch.
    pictures : sequence of Picture
    paper : str
        Of a PDF: "a4" or "us-letter".
    degrees : str
        "C" or "F": how temperatures are written. The pictures are to be in the same.
    """
    sections = [
        Section("In short", tuple(_in_short(report))),
        Section("The days", tuple(_days(report, pictures))),
        *_details(report),
        Section("What this rests on", tuple(_basis(report, degrees))),
    ]
    title = _title(report["subject"])
    key = written(key_of(report, paper, degrees))
    document = Document(title, tuple(_about(report)), tuple(sections), report["data"]["fingerprint"], key)
    return document_in_fahrenheit(document) if degrees == "F" else document


def _title(subject: Body) -> str:
    if "enclosure" in subject:
        name, key = subject["name"], subject["enclosure"]
        return f"Look-back: {name} ({key})" if name != key else f"Look-back: {name}"
    name = subject.get("animal") or subject.get("clutch")
    noun = "" if "animal" in subject else "clutch "
    return f"Look-back: {noun}{name}, {subject['species']}"


def _about(report: Body) -> Iterable[tuple[str, str]]:
    zone, subject = ZoneInfo(report["time_zone"]), report["subject"]
    first, last = (from_ms(at).astimezone(zone).date() for at in (ms_of(report["from"]), ms_of(report["to"]) - 1))
    yield "Span", f"{span_words(first, last)} ({counted((last - first).days + 1, 'day')})"
    if report.get("event_at"):
        yield "What happened", f"{_event_words(report)} on {_moment(report['event_at'], zone)}"
    if subject.get("members", 1) > 1:
        yield "Group", f"of {subject['members']} when it was entered"
    yield "Verdict", VERDICT_WORDS[report["summary"]["verdict"]]
    yield "Times", f"by the clock of {report['time_zone']}"
    if report.get("as_of"):
        yield "As of", f"{_moment(report['as_of'], zone)}; what came later was not known"
    yield "Fingerprint", grouped(report["data"]["fingerprint"][:16])


def _event_words(report: Body) -> str:
    kinds = {"illness": "Ill", "death": "Died", "failed-clutch": "Clutch failed"}
    for entry in reversed(report["journal"]):
        if entry["at"] == report["event_at"] and entry["kind"] in kinds:
            return kinds[entry["kind"]]
    return "Over" if "clutch" in report["subject"] else "Event"


def grouped(digits: str) -> str:
    """Return a fingerprint in groups that can be read out."""
    return " ".join(digits[n : n + 8] for n in range(0, len(digits), 8))


def _moment(instant: str, zone: ZoneInfo) -> str:
    local = datetime.fromisoformat(instant).astimezone(zone)
    return f"{long_day_words(local.date())} {local:%H:%M}"


def _in_short(report: Body) -> Iterable[Paragraph | Bullets]:
    yield Paragraph(NO_DIAGNOSIS, "lead")
    parts = report["summary"].get("parts")
    if parts is None:
        yield Bullets("", tuple(report["summary"]["sentences"]))
        return
    for part in parts:
        yield Bullets(part["title"], tuple(part["sentences"]))


def _days(report: Body, pictures: Sequence[Picture]) -> Iterable[Paragraph | Picture | Table]:
    yield from pictures
    if not pictures:
        yield Paragraph("Nothing was measured in this span, so there is nothing to draw.")
    if report["days"]:
        yield day_table(report)
    else:
        yield Paragraph("No day of this span has begun, or nobody lived in a known enclosure then.")


def _details(report: Body) -> Iterable[Section]:
    """Yield the parts that have something to show."""
    zone = ZoneInfo(report["time_zone"])
    compared = report.get("compared") or {}
    beside = [
        comparison_table("With the four weeks before", compared.get("before", [])),
        comparison_table("With its neighbours", (compared.get("neighbours") or {}).get("checks", [])),
    ]
    found = (
        ("The clutch, day by day", [egg_table(report)]),
        ("Check by check", [check_table(report), missed_table(report)]),
        ("Compared", beside),
        ("Misting", [misting_table(report, zone)]),
        ("Alarms", [alarm_table(report, zone)]),
        ("When nothing was known", [gap_table(report, zone)]),
        ("Journal", [journal_table(report, zone)]),
        ("Put right afterwards", [correction_table(report, zone)]),
        ("What held in this time", [fact_table(report, zone)]),
    )
    for title, tables in found:
        shown = tuple(table for table in tables if table is not None)
        if shown:
            yield Section(title, shown)


def _basis(report: Body, degrees: Degrees) -> Iterable[Paragraph | Table]:
    data = report["data"]
    rows = [
        ("Readings", f"{data['readings']:,}"),
        ("Of them with approximate times, which judge nothing", f"{data['approximate']:,}"),
        ("Of them beyond what the probe can measure, which judge nothing", f"{data['refused']:,}"),
    ]
    yield Table("Counts", ("What", "How many"), tuple(cells(row) for row in rows), (0.75, 0.25), frozenset({1}))
    yield Paragraph(_HOW_TO_READ.format(zone=report["time_zone"]))
    if degrees == "F":
        yield Paragraph(IN_FAHRENHEIT)
    yield Paragraph(
        "Each day above carries the first digits of a fingerprint (SHA-256) of the readings and facts that it was "
        "judged from; the one below is of them all and of what is said here. The command wardian verify FILE says "
        "whether a report still matches the data, and which days do not."
    )
    yield Paragraph(f"Fingerprint: {grouped(data['fingerprint'])}", "small")
    yield Paragraph(CAUTION, "caution")

"""How a report is asked for again: what stands in the file itself, so that it can be verified."""

import re
from dataclasses import dataclass
from typing import Final
from urllib.parse import parse_qsl, quote

from service.lookback.bodies import Body
from service.lookback.degrees import Degrees

_MARK: Final = "wardian-look-back:"
_PATTERN: Final = re.compile(rb"wardian-look-back:([A-Za-z0-9%=;_.~+-]+)")
KINDS: Final = ("enclosure", "animal", "clutch")


@dataclass(frozen=True, slots=True)
class ReportKey:
    """What a report was asked for.

    Attributes
    ----------
    kind, name : str
        "enclosure", "animal" or "clutch", and its key or name.
    first, last : str
        Instants.
    event, as_of : str or None
        Instants.
    fingerprint : str
    paper : str
        Of a PDF.
    degrees : str
        "C" or "F": how temperatures are written in HTML and PDF.
    """

    kind: str
    name: str
    first: str
    last: str
    event: str | None
    as_of: str | None
    fingerprint: str
    paper: str = ""
    degrees: Degrees = "C"


def key_of(report: Body, paper: str = "", degrees: Degrees = "C") -> ReportKey:
    """Return the key of a report."""
    subject = report["subject"]
    kind = next(kind for kind in KINDS if kind in subject)
    return ReportKey(
        kind, subject[kind], report["from"], report["to"], report.get("event_at"), report.get("as_of"),
        report["data"]["fingerprint"], paper, degrees,
    )  # fmt: skip


def written(key: ReportKey) -> str:
    """Return a key as text of plain ASCII."""
    parts = {
        "kind": key.kind, "name": key.name, "from": key.first, "to": key.last, "event": key.event or "",
        "as_of": key.as_of or "", "paper": key.paper, "fingerprint": key.fingerprint,
    }  # fmt: skip
    parts |= {"degrees": key.degrees} if key.degrees != "C" else {}
    return _MARK + ";".join(f"{name}={quote(value, safe='')}" for name, value in parts.items())


def found_in(data: bytes) -> ReportKey | None:
    """Return the key that a file carries, None where it carries none."""
    found = _PATTERN.search(data)
    if found is None:
        return None
    parts = dict(parse_qsl(found[1].decode("ascii").replace("+", "%2B"), keep_blank_values=True, separator=";"))
    try:
        return ReportKey(
            parts["kind"], parts["name"], parts["from"], parts["to"], parts["event"] or None, parts["as_of"] or None,
            parts["fingerprint"], parts["paper"], "F" if parts.get("degrees") == "F" else "C",
        )  # fmt: skip
    except KeyError:
        return None

"""What every page is rendered with: the templates, the assets, and the time of the site."""

from dataclasses import dataclass
from datetime import datetime
from importlib import metadata
from typing import Any

from fastapi.responses import HTMLResponse
from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape

from dashboard.asked import asked_path, degrees
from dashboard.assets import Assets
from dashboard.fahrenheit import in_fahrenheit
from dashboard.racks import Line
from dashboard.words import exact, iso
from service.api.access import WALL
from service.api.parts import Parts
from service.api.sign_in import current_visitor
from service.people.roles import Right
from service.store.facts import RoomFacts


@dataclass(frozen=True)
class Pages:
    """Renders templates.

    Attributes
    ----------
    parts : Parts
    assets : Assets
    templates : Environment
        Escapes everything; an undefined name is an error.
    """

    parts: Parts
    assets: Assets
    templates: Environment

    def html(self, template: str, facts: RoomFacts, now: datetime, status: int = 200, **shown: Any) -> HTMLResponse:  # noqa: ANN401 - each template takes its own
        """Return a page; `shown` is what its template asks for beside what every page has."""
        page = self.templates.get_template(template).render(**_common(facts, now), **shown)
        page = in_fahrenheit(page) if degrees() == "F" else page
        return HTMLResponse(page, status, headers={"Cache-Control": "no-store"})


def pages_for(parts: Parts, assets: Assets) -> Pages:
    """Return the renderer of our templates."""
    templates = Environment(
        loader=PackageLoader("dashboard"),
        autoescape=select_autoescape(["html", "svg"]),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    templates.filters["rack_names"] = rack_names
    templates.globals["asset"] = assets.url
    templates.globals["visitor"] = current_visitor
    templates.globals["may_answer"] = lambda: _may(Right.ANSWER)
    templates.globals["may_manage"] = lambda: _may(Right.MANAGE)
    templates.globals["on_wall"] = _on_wall
    templates.globals["degrees"] = degrees
    templates.globals["asked_path"] = asked_path
    templates.globals["version"] = metadata.version("wardian")
    return Pages(parts, assets, templates)


def _may(right: Right) -> bool:
    visitor = current_visitor()
    return visitor is not None and visitor.may(right) and not _on_wall()


def _on_wall() -> bool:
    """Whether the page is shown to a screen that nobody signed in on: nothing leads away from it."""
    visitor = current_visitor()
    return (visitor is not None and visitor.scopes is not None) or asked_path() in {WALL, f"/fragments{WALL}"}


def _common(facts: RoomFacts, now: datetime) -> dict[str, object]:
    local = now.astimezone(facts.zone)
    return {
        "site": facts.site,
        "timezone": facts.timezone,
        "now_iso": iso(now),
        "now_exact": exact(now, facts.zone),
        "clock": f"{local:%H:%M}",
        "date": f"{local:%a} {local.day} {local:%b}",
        "zone_name": local.tzname() or facts.timezone,
    }


def rack_names(page: list[Line]) -> str:
    """Return what a page of racks is called: ``Racks A–D``."""
    racks = [rack for line in page for rack in line.racks]
    names = [rack.name for rack in racks if rack.name]
    others = " and others" if names and len(names) < len(racks) else ""
    if not names:
        return "Without a place"
    return f"Rack {names[0]}{others}" if len(names) == 1 else f"Racks {names[0]}–{names[-1]}{others}"

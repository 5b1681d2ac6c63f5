"""The page that says what Wardian is, what it never does, and the cautions."""

from fastapi import APIRouter
from fastapi.responses import HTMLResponse

from dashboard.pages.site import Pages


def about_router(pages: Pages) -> APIRouter:
    """Return the route of the page."""
    router = APIRouter(include_in_schema=False)

    @router.get("/about")
    def _about() -> HTMLResponse:
        with pages.parts.store.read() as session:
            facts = pages.parts.facts(session)
        return pages.html("about.html", facts, pages.parts.now())

    return router

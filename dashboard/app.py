"""The web application: the HTTP interface with the pages beside it."""

from fastapi import FastAPI
from starlette.middleware.gzip import GZipMiddleware

from dashboard.asked import Asked, asked_path
from dashboard.assets import Assets, static_router
from dashboard.headers import SecurityHeaders
from dashboard.pages.about import about_router
from dashboard.pages.aisle import aisle_router
from dashboard.pages.alarms import alarms_router, answers_router
from dashboard.pages.animals import animals_router
from dashboard.pages.calibration import calibration_router, record_router
from dashboard.pages.care import care_router
from dashboard.pages.charts import chart_router
from dashboard.pages.clutches import clutches_router
from dashboard.pages.compare import compare_router
from dashboard.pages.days import days_router
from dashboard.pages.enclosure import enclosure_router
from dashboard.pages.invitations import invitation_router, inviting_router
from dashboard.pages.journal import journal_router
from dashboard.pages.look_back import look_back_router
from dashboard.pages.mine import mine_router
from dashboard.pages.people import PeoplePage, people_router
from dashboard.pages.probe_form import probe_form_router
from dashboard.pages.probes import probes_router
from dashboard.pages.profiles import profiles_router
from dashboard.pages.room import room_router
from dashboard.pages.search import search_router
from dashboard.pages.set_up import set_up_router
from dashboard.pages.sign_in import first_owner_router, sign_in_router
from dashboard.pages.site import pages_for
from dashboard.pages.telling import telling_router
from dashboard.pages.wall import keys_router, wall_router
from dashboard.room import RoomViews
from dashboard.ways import ways_of
from service.api.addresses import take_routes
from service.api.app import create_api
from service.api.parts import Parts

_OF_PAGES = (
    enclosure_router, chart_router, days_router, alarms_router, answers_router, sign_in_router,
    first_owner_router, mine_router, invitation_router, search_router, probes_router, probe_form_router,
    profiles_router, care_router, aisle_router, set_up_router, keys_router, telling_router, calibration_router,
    record_router, animals_router, journal_router, clutches_router, look_back_router, compare_router,
    about_router,
)  # fmt: skip


def create_app(parts: Parts) -> FastAPI:
    """Return the HTTP interface with the pages, their static files and the headers that protect them.

    Parameters
    ----------
    parts : Parts
        The same as for `service.api.app.create_api`.
    """
    app = create_api(parts)
    assets = Assets()
    pages = pages_for(parts, assets)
    views = RoomViews(parts.rhythms)
    people = PeoplePage(pages)
    take_routes(
        app,
        room_router(pages, views),
        wall_router(pages, views),
        people_router(pages, people),
        inviting_router(pages, people),
        *(router(pages) for router in _OF_PAGES),
        static_router(assets),
    )
    pages.templates.globals["ways"] = ways_of(app, asked_path)
    app.add_middleware(Asked)
    # Streams of events pass it untouched; level 3 costs a large page a few milliseconds.
    app.add_middleware(GZipMiddleware, minimum_size=1_000, compresslevel=3)
    app.add_middleware(SecurityHeaders)
    return app

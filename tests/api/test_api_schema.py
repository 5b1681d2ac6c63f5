from collections.abc import Iterator
from pathlib import Path

import pytest
import schemathesis
from api_room import NOW, ROUTES, House, RoomBuilder, furnish, house_of
from hypothesis import HealthCheck, given, settings
from schemathesis.checks import CHECKS, load_all_checks
from schemathesis.specs.openapi import checks

from service.api.hub import LONGEST_QUEUE
from service.api.readings import LARGEST_BATCH
from service.api.requests import MOST_POINTS
from service.api.rooms import LONGEST_SPAN
from service.store.history import FEWEST_POINTS
from tests.empty_store import sqlite_store

load_all_checks()

FINITE = [route for route in ROUTES if route[1] != "/api/v1/live"]
"""The live stream does not end; tests of its own read it."""


@pytest.fixture(scope="module")
def furnished(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    folder = tmp_path_factory.mktemp("described")
    store = sqlite_store(folder / "wardian.db")
    room = RoomBuilder(store)
    furnish(room)
    room.alarm("rack-a-1", "basking-overheat", value=41.2, limit=40.0, unit="Cel", raised_at=NOW)
    yield house_of(store, room, folder)
    store.close()


@pytest.fixture(scope="module")
def described(furnished: House) -> schemathesis.BaseSchema:
    return schemathesis.openapi.from_asgi("/api/v1/openapi.json", furnished.app)


@pytest.mark.parametrize(("method", "path"), FINITE)
def test_every_answer_is_as_the_description_says(method: str, path: str, described: schemathesis.BaseSchema) -> None:
    strategy = described[path][method].as_strategy(generation_mode=schemathesis.GenerationMode.POSITIVE)
    strategy |= described[path][method].as_strategy(generation_mode=schemathesis.GenerationMode.NEGATIVE)

    @given(case=strategy)
    @settings(max_examples=25, deadline=None, database=None, derandomize=True, suppress_health_check=list(HealthCheck))
    def answers_as_described(case: schemathesis.Case) -> None:
        # What OpenAPI cannot say (from before to, a day that the calendar has) is refused though it fits the schema.
        case.call_and_validate(excluded_checks=[checks.positive_data_acceptance])

    answers_as_described()


def test_the_description_is_openapi_3_1_and_every_error_in_it_is_problem_details(furnished: House) -> None:
    description = furnished.app.openapi()
    assert description["openapi"].startswith("3.1")
    for path, methods in description["paths"].items():
        for operation in methods.values():
            for status, response in operation["responses"].items():
                if not status.startswith("2"):
                    assert list(response["content"]) == ["application/problem+json"], (path, status)
    assert "HTTPValidationError" not in str(description)
    assert len(CHECKS.get_all()) > 5


def test_every_route_and_limit_stands_in_the_guide(furnished: House) -> None:
    guide = (Path(__file__).parents[2] / "docs" / "api.md").read_text(encoding="utf-8")
    for method, path in ROUTES:
        assert f"`{method} {path}`" in guide
    for number in (FEWEST_POINTS, MOST_POINTS, LONGEST_SPAN.days, LARGEST_BATCH, LONGEST_QUEUE):
        assert f"{number:,}" in guide
    series = furnished.app.openapi()["paths"]["/api/v1/enclosures/{enclosure_id}/series"]["get"]
    for parameter in series["parameters"]:
        assert f"`{parameter['name']}`" in guide or parameter["in"] == "path"

"""Animals, the journal and clutches over HTTP, each correction with what stood before."""

import asyncio
from typing import Any

import httpx
import pytest
from api_room import House

API = "/api/v1"
CAME, MOVED = "2026-02-01T10:00:00Z", "2026-03-01T18:00:00Z"


class Asking:
    """Sends requests as someone at this computer."""

    def __init__(self, house: House) -> None:
        self._app = house.app

    def _ask(self, method: str, path: str, **sent: Any) -> httpx.Response:
        async def ask() -> httpx.Response:
            transport = httpx.ASGITransport(self._app)
            async with httpx.AsyncClient(transport=transport, base_url="http://wardian.test") as client:
                return await client.request(method, API + path, **sent)

        return asyncio.run(ask())

    def post(self, path: str, body: Any = None, status: int | None = None) -> Any:
        answer = self._ask("POST", path, json={} if body is None else body)
        assert answer.status_code == (status or (201 if path in {"/animals", "/journal", "/clutches"} else 200)), (
            answer.text
        )
        return answer.json()

    def get(self, path: str, status: int = 200) -> Any:
        answer = self._ask("GET", path)
        assert answer.status_code == status, answer.text
        return answer.json()


@pytest.fixture
def asking(house: House) -> Asking:
    return Asking(house)


def entered(asking: Asking, name: str = "Amber", **more: Any) -> Any:
    return asking.post(
        "/animals", {"name": name, "species": "Invented lizard", "enclosure": "rack-a-1", "since": CAME} | more
    )


def test_an_animal_is_followed_from_enclosure_to_enclosure(asking: Asking) -> None:
    entered(asking)
    asking.post("/animals/Amber/housings", {"enclosure": "rack-a-2", "since": MOVED})
    amber = asking.get("/animals/Amber")
    assert amber["enclosure"] == "rack-a-2"
    lived = [(h["enclosure"], h["from"], h["until"]) for h in amber["housings"] if h["counts"]]
    assert lived == [("rack-a-1", "2026-02-01T10:00:00.000Z", "2026-03-01T18:00:00.000Z"),
                     ("rack-a-2", "2026-03-01T18:00:00.000Z", None)]  # fmt: skip


def test_a_housing_is_corrected_and_what_was_entered_before_stays(asking: Asking) -> None:
    first = entered(asking)["housings"][0]
    corrected = {"enclosure": "rack-a-1", "since": "2026-01-20T09:00:00Z"}
    after = asking.post(f"/animals/Amber/housings/{first['id']}/correct", corrected)["housings"]
    assert [(h["from"], h["counts"], h["replaces"]) for h in after] == [
        ("2026-02-01T10:00:00.000Z", False, None), ("2026-01-20T09:00:00.000Z", True, first["id"]),
    ]  # fmt: skip
    again = asking.post(f"/animals/Amber/housings/{first['id']}/correct", corrected, 409)
    assert "corrected or taken back meanwhile" in again["detail"]


def test_nobody_lives_in_two_enclosures_at_one_time(asking: Asking) -> None:
    entered(asking)
    both = {"enclosure": "rack-a-2", "since": "2026-02-10T00:00:00Z", "until": "2026-02-20T00:00:00Z"}
    said = asking.post("/animals/Amber/housings", both, 409)["detail"]
    assert said == (
        "Amber would be in two enclosures at one time: it lived in Rack-A-1 from 2026-02-01 10:00 UTC on; "
        "correct that housing first"
    )
    early = {"enclosure": "rack-a-2", "since": "2026-01-02T00:00:00Z"}
    assert "correct that housing instead" in asking.post("/animals/Amber/housings", early, 409)["detail"]


def test_a_death_ends_the_housing_and_taking_it_back_lets_it_go_on(asking: Asking) -> None:
    entered(asking)
    noted = asking.post("/journal", {"kind": "death", "animal": "Amber", "at": "2026-03-09T07:00:00Z"})
    assert asking.get("/animals/Amber")["gone_at"] == "2026-03-09T07:00:00.000Z"
    assert asking.get("/animals/Amber")["enclosure"] is None
    assert "is gone since 2026-03-09" in asking.post("/journal", {"kind": "sale", "animal": "Amber"}, 409)["detail"]
    asking.post(f"/journal/{noted['id']}/correct", {"withdrawn": True})
    assert asking.get("/animals/Amber")["enclosure"] == "rack-a-1"


def test_a_group_lives_on_until_its_last_member_is_gone(asking: Asking) -> None:
    entered(asking, "Frogs", members=3)
    asking.post("/journal", {"kind": "death", "animal": "Frogs", "value": 2})
    assert asking.get("/animals/Frogs")["gone_at"] is None
    asking.post("/journal", {"kind": "sale", "animal": "Frogs", "value": 1})
    assert asking.get("/animals/Frogs")["gone_at"] is not None


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ({"kind": "death", "at": "2025-12-31T00:00:00Z"}, "before it was born on 2026-01-01"),
        ({"kind": "fed", "at": "2026-03-11T00:00:00Z"}, "lies in the future"),
        ({"kind": "weight"}, "a weight is missing; give it in grams"),
        ({"kind": "weight", "value": 0}, "0 cannot be"),
        ({"kind": "fed", "value": 3}, "has no number"),
        ({"kind": "feed"}, "did you mean 'fed'?"),
        ({"kind": "birth", "at": "2026-02-01T00:00:00Z"}, "would be born twice"),
    ],
)
def test_what_cannot_be_is_refused_in_a_sentence(asking: Asking, body: dict[str, Any], said: str) -> None:
    entered(asking)
    asking.post("/journal", {"kind": "birth", "animal": "Amber", "at": "2026-01-01T00:00:00Z"})
    assert said in asking.post("/journal", {"animal": "Amber"} | body, 422)["detail"]


def test_a_name_may_be_of_any_script_and_is_found_in_either_way_of_writing_it(asking: Asking) -> None:
    entered(asking, "Ame\u0301lie 琥珀 🦎")
    assert asking.get("/animals/Am\u00e9lie 琥珀 🦎")["name"] == "Am\u00e9lie 琥珀 🦎"
    said = asking.post("/animals", {"name": "Am\u00e9lie  琥珀 🦎", "species": "x"}, 409)["detail"]
    assert "already; give each its own name" in said
    assert "control character" in asking.post("/animals", {"name": "a\u0007b", "species": "x"}, 422)["detail"]
    assert "did you mean" in asking.get("/animals/Amelie 琥珀", 404)["detail"]


def test_entries_are_listed_by_what_they_are_about_and_corrected(asking: Asking) -> None:
    entered(asking)
    fed = asking.post("/journal", {"kind": "fed", "animal": "Amber", "at": "2026-03-08T18:00:00Z"})
    asking.post("/journal", {"kind": "lamp-changed", "enclosure": "rack-a-1", "note": "=100 W"})
    asking.post("/journal", {"kind": "weight", "animal": "Amber", "value": 412.5})
    assert [e["kind"] for e in asking.get("/journal?animal=Amber")["entries"]] == ["weight", "fed"]
    assert [e["note"] for e in asking.get("/journal?enclosure=rack-a-1")["entries"]] == ["=100 W"]
    new = asking.post(f"/journal/{fed['id']}/correct", {"at": "2026-03-07T18:00:00Z", "note": "two crickets"})
    assert (new["at"], new["replaces"]) == ("2026-03-07T18:00:00.000Z", fed["id"])
    page = asking.get("/journal?limit=2")
    assert [len(page["entries"]), len(asking.get(f"/journal?cursor={page['next']}")["entries"])] == [2, 1]


def test_a_clutch_is_entered_moved_corrected_and_hatches(asking: Asking) -> None:
    entered(asking)
    terms = {"laid": CAME, "eggs": 12, "base": 15.0, "needed_low": 700.0, "needed_high": 800.0, "basis": "earlier ones"}
    new = {"name": "A1", "species": "Invented lizard", "mother": "Amber", "enclosure": "rack-a-1"} | terms
    assert asking.post("/clutches", new)["places"][0]["zone"] == "egg-chamber"
    asking.post("/clutches/A1/places", {"enclosure": "rack-a-2", "zone": "ambient", "at": MOVED})
    assert asking.post("/clutches/A1/correct", terms | {"eggs": 11})["eggs"] == 11
    assert (
        "of 11 eggs cannot be"
        in asking.post("/clutches/A1/outcome", {"outcome": "hatched", "hatched": 12}, 422)["detail"]
    )
    done = asking.post("/clutches/A1/outcome", {"outcome": "partly hatched", "hatched": 9})
    assert (done["mother"], done["outcome"], done["places"][-1]["until"] is not None) == (
        "Amber",
        "partly hatched",
        True,
    )
    assert len(asking.get("/clutches")["clutches"]) == 1
    short = {"name": "A2", "species": "x", "laid": CAME, "eggs": 3, "needed_low": 100.0}
    assert "give it too" in asking.post("/clutches", short, 422)["detail"]

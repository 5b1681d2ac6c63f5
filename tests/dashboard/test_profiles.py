import re
from datetime import date, time
from zoneinfo import ZoneInfo

import pytest

from dashboard.app import create_app
from dashboard.profile_day import DayAsked, draw_day
from dashboard.profile_form import fields_of, table_of
from service.api.profile_trial import MOST_DAYS, alarm_changes
from service.api.profiles import DraftIn
from service.climate.targets import Target
from service.errors import BadUse
from service.model import ProfileVersion
from service.roomfile.editing import profile_draft
from service.roomfile.library import library
from service.roomfile.sane_targets import doubts_about
from service.roomfile.spec import TargetSpec
from service.store.readings import next_number
from service.watch.replay import Derived
from tests.builders import wait_until
from tests.dashboard.glasshouse import NOW, SOURCE, Glasshouse, Visitor
from tests.dashboard.past_room import DEAD_LAMP

DRAFT = {
    "species": "Lacerta exempli",
    "target": [
        {"check": "hot-spot", "low": 37.5, "high": 39.0, "source": "a book on lizards, page 7"},
        {"check": "hot-spot-peak", "high": 40.0, "source": SOURCE},
        {"check": "night-floor", "low": 20.0, "source": SOURCE},
        {"check": "misting-cycles", "share": 1.0, "source": SOURCE},
    ],
}

FIELDS = ("low", "high", "share", "source", "latitude")


@pytest.fixture
def keeper(past_house: Glasshouse) -> Visitor:
    """Someone in a room whose profile is as a room file would have it."""
    with past_house.store.write() as session:
        version = session.get_one(ProfileVersion, 1)
        wanted = [target for target in version.body["target"] if target["check"] != "misting-cycles"]
        version.body = {
            "target": [{"low": None, "high": None, "share": None} | t for t in wanted],
            "season": [],
            "notes": "",
        }
        session.add(version)
        next_number(session, "facts")
    return Visitor(create_app(past_house.parts))


def _form(targets: dict[str, str], **more: str) -> dict[str, str]:
    return {"species": "Lacerta exempli", "do": "save"} | targets | more


def test_a_trial_says_which_verdicts_and_alarms_a_draft_would_change(keeper: Visitor, past_house: Glasshouse) -> None:
    begun = keeper.post("/api/v1/profiles/sun-lizard/trial", json=DRAFT | {"days": 20})
    assert begun.status_code == 202
    address = f"/api/v1/profiles/sun-lizard/trial/{begun.json()['trial']}"
    wait_until(lambda: keeper.get(address).json()["state"] != "running", 60)
    said = keeper.get(address).json()
    assert (said["state"], said["done"], said["failed"]) == ("done", said["of"], None)
    tried = {one["id"]: one for one in said["enclosures"]}
    assert set(tried) == {"long", "new"}
    days = {day["date"]: day for day in tried["long"]["days"]}
    assert len(days) == 20
    assert DEAD_LAMP.isoformat() in days
    # The spot stands at 33.5 °C: within 31 to 36, below the draft's 37.5, on every day that was heard.
    changed = {name for name, day in days.items() if any(c["check"] == "hot-spot" for c in day["checks"])}
    assert len(changed) >= 17
    hot_spot = next(c for c in days["2026-03-25"]["checks"] if c["check"] == "hot-spot")
    assert (hot_spot["before"], hot_spot["after"]) == ("met", "not met")
    gone = next(c for c in days["2026-03-25"]["checks"] if c["check"] == "night-ceiling")
    assert (gone["before"], gone["after"]) == ("met", None)
    # At 33.5 °C a spot that should be 37.5 °C is called cold: alarms that did not come would have come.
    assert {a["condition"] for a in tried["long"]["alarms"] if a["change"] == "new"} >= {"basking-cold"}
    assert tried["new"]["alarms"] == []
    page = keeper.get(f"/profiles/sun-lizard/trial/{said['trial']}").text
    assert "would come" in page
    assert "Basking spot in its band: met at" in page
    with past_house.store.read() as session:
        assert len(past_house.parts.facts(session).profile_versions["sun-lizard"]) == 1
    saved = keeper.post(f"/profiles/sun-lizard/trial/{said['trial']}/save")
    assert saved.headers["location"] == "/profiles/sun-lizard"
    versions = keeper.get("/api/v1/profiles/sun-lizard").json()["versions"]
    assert [one["version"] for one in versions] == [1, 2]
    assert versions[1]["target"][0]["source"] == "a book on lizards, page 7"
    assert keeper.get("/api/v1/profiles/sun-lizard/trial/999").status_code == 404


def test_saving_makes_a_dated_version_and_the_one_before_stays(keeper: Visitor) -> None:
    form = _form({"hot-spot-low": "32,5", "hot-spot-high": "36", "hot-spot-source": "", "humidity-day-low": "50"})
    assert keeper.post("/profiles/sun-lizard/edit", data=form).headers["location"] == "/profiles/sun-lizard"
    versions = keeper.get("/api/v1/profiles/sun-lizard").json()["versions"]
    assert (versions[0]["until"], versions[1]["from"]) == ("2026-04-02T12:00:00.000Z", "2026-04-02T12:00:00.000Z")
    assert versions[1]["target"][0] == {
        "check": "hot-spot", "low": 32.5, "high": 36.0, "share": None, "source": "common practice, no source",
    }  # fmt: skip
    page = keeper.get("/profiles/sun-lizard").text
    assert "hot-spot 31 to 36 °C becomes 32.5 to 36 °C" in page
    # Saved again, nothing changes.
    keeper.post("/profiles/sun-lizard/edit", data=form)
    assert len(keeper.get("/api/v1/profiles/sun-lizard").json()["versions"]) == 2


@pytest.mark.parametrize(
    ("sent", "said"),
    [
        ({"hot-spot-low": "warm"}, "Basking spot in its band: &#39;warm&#39; is no number"),
        ({"hot-spot-low": "36", "hot-spot-high": "31"}, "&#34;low&#34; is 36, above &#34;high&#34;, 31"),
        ({"humidity-day-high": "120"}, "humidity-day: 120 lies outside 0 to 100"),
        ({}, "has no target"),
        (
            {"hot-spot-low": "31", "s0-name": "winter", "s0-hot-spot-low": "20", "s0-from": "13-40"},
            "no day of the year",
        ),
    ],
)
def test_what_cannot_be_is_not_saved_and_stays_in_the_form(sent: dict[str, str], said: str, keeper: Visitor) -> None:
    answer = keeper.post("/profiles/sun-lizard/edit", data=_form(sent))
    assert answer.status_code == 422
    assert said in answer.text
    drawn = keeper.post("/fragments/profile-day", data=_form(sent, id="sun-lizard"))
    assert drawn.status_code == 200
    assert "outside" in drawn.text or "went-wrong" in drawn.text


def test_a_shipped_profile_is_a_start_for_a_new_one(keeper: Visitor) -> None:
    assert "/new-profile?from=pogona-vitticeps" in keeper.get("/profiles").text
    page = keeper.get("/new-profile?from=pogona-vitticeps").text
    assert 'name="hot-spot-low" value="35"' in page
    fields = fields_of("x", "Pogona vitticeps", library()["pogona-vitticeps"].body())
    assert [season.name for season in fields.seasons][-1] == ""
    form = _form({"night-floor-low": "18"}, id="my-dragon")
    assert keeper.post("/new-profile", data=form).headers["location"] == "/profiles/my-dragon"
    assert keeper.post("/new-profile", data=form).status_code == 409
    assert "No enclosure follows it" in keeper.get("/profiles/my-dragon").text
    refused = keeper.post("/api/v1/profiles/my-dragon/trial", json=DRAFT)
    assert (refused.status_code, "nothing to try" in refused.json()["detail"]) == (422, True)


def test_a_day_that_follows_the_sun_goes_through_the_form_unchanged(keeper: Visitor) -> None:
    sun = {"photoperiod-latitude": "-19", "photoperiod-low": "11", "s0-name": "rains", "s0-from": "11-01",
           "s0-until": "03-01", "s0-photoperiod-latitude": "−12.5"}  # fmt: skip
    assert keeper.post("/profiles/sun-lizard/edit", data=_form(sun)).status_code == 303
    body = keeper.get("/api/v1/profiles/sun-lizard").json()["versions"][-1]
    assert (body["target"][0]["latitude"], body["season"][0]["target"][0]["latitude"]) == (-19, -12.5)
    page = keeper.get("/profiles/sun-lizard/edit").text
    assert 'name="photoperiod-latitude" value="-19"' in page
    assert 'name="s0-photoperiod-latitude" value="-12.5"' in page
    refused = keeper.post("/profiles/sun-lizard/edit", data=_form({"photoperiod-latitude": "80"}))
    assert (refused.status_code, "expected -66 to 66" in refused.text) == (422, True)


def test_every_shipped_profile_goes_through_the_form_unchanged() -> None:
    for key, spec in library().items():
        fields = fields_of(key, spec.species, spec.body())
        form = {"species": spec.species, "notes": fields.notes}
        parts = [("", fields.groups), *((season.prefix, season.groups) for season in fields.seasons)]
        for _, groups in parts:
            for row in (row for _, rows in groups for row in rows):
                form |= {f"{row.check}-{end}": getattr(row, end) for end in FIELDS}
        for season in fields.seasons:
            form |= {f"{season.prefix}name": season.name, f"{season.prefix}from": season.first}
            form |= {f"{season.prefix}until": season.last}
        again = profile_draft(table_of(form, key, NOW, ZoneInfo("Europe/Lisbon"))).body()
        for body in (again, wanted := spec.body()):
            for part in (body, *body["season"]):
                part["target"] = sorted(part["target"], key=lambda target: target["check"])
                part["target"] = [{**t, "source": " ".join(t["source"].split())} for t in part["target"]]
            body["notes"] = body["notes"].strip()
        assert again == wanted


def test_no_shipped_profile_is_impossible() -> None:
    for spec in library().values():
        assert [doubt for doubt in doubts_about(spec.targets) if doubt.is_impossible] == []


def test_contradictions_are_told() -> None:
    def target(check: str, low: float | None = None, high: float | None = None) -> TargetSpec:
        return TargetSpec(check, low, high, None, SOURCE)

    told = doubts_about([target("hot-spot", 31, 42), target("hot-spot-peak", high=40), target("night-floor", low=26),
                         target("night-ceiling", high=24)])  # fmt: skip
    assert [(one.check, one.is_impossible) for one in told] == [("hot-spot-peak", False), ("night-ceiling", False)]
    assert doubts_about([target("photoperiod", 12, 25)])[0].is_impossible
    with pytest.raises(BadUse, match="is 5, above"):
        profile_draft(
            DraftIn.model_validate(
                {"species": "x", "target": [{"check": "hot-spot", "low": 5, "high": 1, "source": "s"}]}
            ).table("x")
        )


def test_alarms_that_part_are_told_once() -> None:
    def alarm(raised: int, returned: int | None, condition: str = "too-dry") -> Derived:
        return Derived(condition, "a/ambient", "a", "ambient", "medium", raised, returned, None)

    before = [alarm(10, 20), alarm(30, 40), alarm(50, 99)]
    after = [alarm(10, 25), alarm(35, 45), alarm(50, None)]
    assert [(c.kind, c.alarm.raised_ms) for c in alarm_changes(before, after, 90)] == [
        ("ends otherwise", 10), ("gone", 30), ("new", 35),
    ]  # fmt: skip


def test_the_day_is_drawn_with_its_bands_stepping_at_lights_on_and_off() -> None:
    targets = {
        "hot-spot": Target(31, 36), "night-floor": Target(low=20), "night-ceiling": Target(high=24),
        "humidity-day": Target(50, 80), "hot-spot-peak": Target(high=40), "photoperiod": Target(12, 12),
    }  # fmt: skip
    zone, day = ZoneInfo("Europe/Lisbon"), date(2026, 3, 10)
    drawn = draw_day(DayAsked(targets, (time(6), time(18)), [time(8)], day, zone, "<a day>"), written=True)
    warm = re.search(r'band-warm" x="([\d.]+)%" width="([\d.]+)%"', drawn)
    assert warm
    assert (float(warm[1]), float(warm[2])) == (25.0, 50.0)
    nights = re.findall(r'band-middle" x="([\d.]+)%" width="([\d.]+)%"', drawn)
    assert [(float(x), float(width)) for x, width in nights] == [(0.0, 25.0), (75.0, 25.0)]
    assert "31.0–36.0\N{NO-BREAK SPACE}°C" in drawn
    assert "at most 40.0\N{NO-BREAK SPACE}°C" in drawn
    assert drawn.count('class="rain-due"') == 1
    assert "&lt;a day&gt;" in drawn
    # Without lights, as many hours as it asks for, about the middle of the day.
    plain = draw_day(DayAsked(targets, None, [], day, zone, ""))
    lit = re.search(r'class="lit" x="([\d.]+)%" width="([\d.]+)%"', plain)
    assert lit
    assert float(lit[2]) == 50.0
    assert MOST_DAYS == 90

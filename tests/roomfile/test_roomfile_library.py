import tomllib
from importlib import resources

import pytest

from service.climate.targets import CHECK_UNITS_AND_SHARES
from service.roomfile.library import library
from service.roomfile.spec import ProfileSpec, TargetSpec
from service.roomfile.toml_text import written

SPECIES = {
    "pogona-vitticeps": "Pogona vitticeps",
    "eublepharis-macularius": "Eublepharis macularius",
    "correlophus-ciliatus": "Correlophus ciliatus",
    "python-regius": "Python regius",
    "pantherophis-guttatus": "Pantherophis guttatus",
    "morelia-viridis": "Morelia viridis",
    "dendrobates-tinctorius": "Dendrobates tinctorius",
    "phelsuma-grandis": "Phelsuma grandis",
}
shipped = pytest.mark.parametrize("key", sorted(SPECIES))


def through_the_year(profile: ProfileSpec) -> list[dict[str, TargetSpec]]:
    """Return the targets of the year, and of each season laid over them."""
    year = {target.check: target for target in profile.targets}
    return [year, *(year | {target.check: target for target in season.targets} for season in profile.seasons)]


def test_the_library_holds_the_eight_species() -> None:
    assert {key: profile.species for key, profile in library().items()} == SPECIES


@shipped
def test_every_target_names_its_source_and_the_file_that_it_is_no_veterinary_advice(key: str) -> None:
    profile = library()[key]
    targets = [*profile.targets, *(target for season in profile.seasons for target in season.targets)]
    assert all(len(target.source) > 10 for target in targets)
    text = (resources.files("service.roomfile") / "profiles" / f"{key}.toml").read_text(encoding="utf-8")
    header = text[: text.index("[[profile]]")]
    assert "not veterinary advice" in header
    assert "independent high-limit cut-out" in header
    assert profile.notes


@shipped
def test_the_targets_of_a_profile_can_all_be_met_together(key: str) -> None:
    for targets in through_the_year(library()[key]):
        ceiling = targets["hot-spot-peak"].high
        assert ceiling is not None
        assert targets["cool-retreat"].high < ceiling
        assert targets["night-floor"].low < targets["night-ceiling"].high
        assert targets["night-ceiling"].high <= targets["cool-retreat"].high
        if "hot-spot" in targets:
            hot = targets["hot-spot"]
            assert hot.low < hot.high < ceiling
            assert hot.high > targets["cool-retreat"].high
            assert targets["warm-up"].high > 0
            assert targets["gradient"].low <= hot.high - targets["cool-retreat"].high
        drop = targets["night-drop"]
        assert 0 < drop.low < drop.high
        assert targets["night-floor"].low + drop.low < ceiling


@shipped
def test_humidity_alarms_lie_outside_the_humidity_bands(key: str) -> None:
    for targets in through_the_year(library()[key]):
        alarm = targets["humidity-alarm"]
        for check in ("humidity-day", "humidity-night"):
            assert alarm.low < targets[check].low
            assert alarm.high is None or alarm.high > (targets[check].high or 100)
        if "humidity-spikes" in targets:
            assert targets["misting-cycles"].share == 1


@shipped
def test_a_profile_states_only_checks_and_figures_that_can_be(key: str) -> None:
    limits = {"°C": (0, 45), "%RH": (0, 100), "h": (0, 24), "min": (0, 240), "a day": (0, 20), "": (None, None)}
    for targets in through_the_year(library()[key]):
        for check, target in targets.items():
            low, high = limits[CHECK_UNITS_AND_SHARES[check][0]]
            for end in (target.low, target.high):
                assert end is None or low <= end <= high


# Source: the figures named beside each; reproduced from the documents by way of the husbandry table of the sources.
FROM_LAW = {
    ("python-regius", "hot-spot-peak"): (None, 35),
    ("python-regius", "night-floor"): (23, None),
    ("python-regius", "night-ceiling"): (None, 25),
    ("python-regius", "humidity-day"): (60, 90),
    ("dendrobates-tinctorius", "cool-retreat"): (None, 26),
    ("phelsuma-grandis", "hot-spot-peak"): (None, 40),
    ("pogona-vitticeps", "hot-spot"): (35, 40),
    ("pogona-vitticeps", "photoperiod"): (12, 14),
    ("pantherophis-guttatus", "photoperiod"): (12, 16),
}


@pytest.mark.parametrize("place", FROM_LAW, ids="/".join)
def test_figures_of_laws_and_published_sheets_are_as_published(place: tuple[str, str]) -> None:
    key, check = place
    (target,) = (target for target in library()[key].targets if target.check == check)
    assert (target.low, target.high) == FROM_LAW[place]
    assert target.source != "common practice, no source"


def test_a_shipped_file_is_named_after_its_profile() -> None:
    for file in (resources.files("service.roomfile") / "profiles").iterdir():
        data = tomllib.loads(file.read_text(encoding="utf-8"))
        assert [profile["id"] for profile in data["profile"]] == [file.name.removesuffix(".toml")]
        assert written(data["profile"][0]["id"]).isascii()

"""Species profiles: what they ask for, their versions, new ones, and trials of drafts."""

from datetime import date, datetime
from typing import Annotated, Any, Final

from fastapi import APIRouter, Path, Request
from pydantic import BaseModel, ConfigDict, Field

from service.api.addresses import PREFIX
from service.api.answers import Answer, At
from service.api.parts import Parts
from service.api.problems import documented
from service.api.profile_saving import known_profile, save_profile
from service.api.profile_trial import MOST_DAYS, AlarmChange, followers
from service.api.requests import PartsDep
from service.api.sign_in import SignedIn
from service.api.trials import Trial, Trials
from service.errors import NotFound
from service.model import from_ms, to_ms
from service.roomfile.editing import profile_draft
from service.roomfile.sane_targets import doubts_about
from service.store.facts import ProfileVersionFact, RoomFacts
from service.store.readings import END_OF_TIME

_LARGEST: Final = 2**31 - 1
router = APIRouter(prefix=PREFIX, tags=["profiles"])
ProfileKey = Annotated[str, Path(min_length=1, max_length=64)]


class TargetIn(BaseModel):
    """What one check asks for, in the check's own unit; an end that is null is open."""

    model_config = ConfigDict(extra="forbid")

    check: str = Field(max_length=64)
    low: float | None = None
    high: float | None = None
    share: float | None = Field(None, description="Of the time, or of the cycles; null for the usual one.")
    source: str = Field(max_length=2000, description="Where the figure stands, or `common practice, no source`.")


class SeasonIn(BaseModel):
    """A window of the year whose targets replace the others; `from` and `until` are MM-DD, both included."""

    model_config = ConfigDict(extra="forbid")

    name: str = Field(max_length=200)
    from_: str = Field(alias="from", max_length=5)
    until: str = Field(max_length=5)
    target: list[TargetIn] = Field(max_length=64)


class DraftIn(BaseModel):
    """A draft of a profile."""

    model_config = ConfigDict(extra="forbid")

    species: str = Field(max_length=200)
    notes: str = Field("", max_length=4000)
    target: list[TargetIn] = Field(max_length=64)
    season: list[SeasonIn] = Field([], max_length=32)

    def table(self, key: str) -> dict[str, Any]:
        """Return it as a `[[profile]]` of a room file."""
        said = self.model_dump(by_alias=True, exclude_none=True)
        table = {"id": key, "species": said["species"]} | ({"target": said["target"]} if said["target"] else {})
        if self.notes.strip():
            table["notes"] = self.notes
        return table | ({"season": said["season"]} if said["season"] else {})


class NewProfileIn(DraftIn):
    """A draft with the key that it is to have."""

    id: str = Field(max_length=64)


class TrialIn(DraftIn):
    """A draft, and over how many past days to try it."""

    days: int = Field(30, ge=1, le=MOST_DAYS)


class DoubtAnswer(Answer):
    """What is doubtful about a target; an impossible one is not saved."""

    check: str
    sentence: str
    impossible: bool


class VersionAnswer(Answer):
    """A version of a profile; it holds from `from` until `until`."""

    version: int
    from_: At = Field(alias="from")
    until: At | None
    target: list[dict[str, Any]]
    season: list[dict[str, Any]]
    notes: str


class ProfileAnswer(Answer):
    """A profile, with its versions where one was asked for, and what is doubtful about the one in force."""

    id: str
    species: str
    version: int | None
    enclosures: list[str]
    versions: list[VersionAnswer] | None = None
    doubts: list[DoubtAnswer] | None = None


class ProfilesAnswer(Answer):
    """Every profile of the room, in order of their ids."""

    profiles: list[ProfileAnswer]


class SavedAnswer(Answer):
    """What saving a draft changed, a sentence a change; nothing where it was so already."""

    profile: str
    version: int | None
    changes: list[str]
    doubts: list[DoubtAnswer]


class CheckChangeAnswer(Answer):
    """A check whose verdict the draft changes."""

    check: str
    before: str | None
    after: str | None
    value_before: float | None
    value_after: float | None
    unit: str


class DayTriedAnswer(Answer):
    """A local day by the profile as it stood, and under the draft."""

    date: date
    before: str | None
    after: str | None
    checks: list[CheckChangeAnswer]


class AlarmChangeAnswer(Answer):
    """An alarm that the draft changes: `gone`, `new` or `ends otherwise`."""

    change: str
    condition: str
    zone: str
    priority: str
    raised_at: At
    returned_at: At | None
    returned_before: At | None
    peak: float | None


class EnclosureTriedAnswer(Answer):
    """An enclosure over the span of a trial."""

    id: str
    alarms_before: int
    alarms_after: int
    days: list[DayTriedAnswer]
    alarms: list[AlarmChangeAnswer]


class TrialAnswer(Answer):
    """A trial: `running`, `done` or `failed`, how far it has come, and once it is done what it found."""

    trial: int
    profile: str
    state: str
    done: int
    of: int
    failed: str | None
    days: int
    enclosures: list[EnclosureTriedAnswer] | None


def trials_of(request: Request) -> Trials:
    """Return the trials of the application."""
    return request.app.state.trials


@router.get("/profiles", responses=documented(503))
def list_profiles(parts: PartsDep) -> ProfilesAnswer:
    """Return every profile of the room; `version` is the one in force now."""
    with parts.store.read() as session:
        facts = parts.facts(session)
    return ProfilesAnswer(profiles=[_profile(parts, facts, key) for key in sorted(facts.profile_versions)])


@router.get("/profiles/{profile_id}", responses=documented(404, 422, 503))
def get_profile(parts: PartsDep, profile_id: ProfileKey) -> ProfileAnswer:
    """Return a profile with all its versions, the oldest first."""
    with parts.store.read() as session:
        facts = parts.facts(session)
    known_profile(facts, profile_id)
    short = _profile(parts, facts, profile_id)
    versions = [_version(one) for one in facts.profile_versions[profile_id]]
    now = facts.profile_version_at(profile_id, to_ms(parts.now()))
    doubts = _doubts(profile_draft(_table(profile_id, now))) if now else []
    return short.model_copy(update={"versions": versions, "doubts": doubts})


@router.post("/profiles", status_code=201, responses=documented(400, 409, 413, 422, 503))
def add_profile(parts: PartsDep, person: SignedIn, body: NewProfileIn) -> SavedAnswer:
    """Add a profile. 409: there is one of that id."""
    return _saved(parts, body.id, save_profile(parts, body.table(body.id), person.name, is_new=True))


@router.post("/profiles/{profile_id}/versions", responses=documented(400, 404, 413, 422, 503))
def add_version(parts: PartsDep, person: SignedIn, profile_id: ProfileKey, body: DraftIn) -> SavedAnswer:
    """Make a new version of a profile, in force from now on; the ones before stay as they were."""
    return _saved(parts, profile_id, save_profile(parts, body.table(profile_id), person.name, is_new=False))


@router.post("/profiles/{profile_id}/trial", status_code=202, responses=documented(400, 404, 409, 413, 422, 503))
def begin_trial(parts: PartsDep, request: Request, profile_id: ProfileKey, body: TrialIn) -> TrialAnswer:
    """Begin to try a draft over the last days; ask for the trial by its number. 409: too many are running."""
    with parts.store.read() as session:
        known_profile(parts.facts(session), profile_id)
    return _trial(trials_of(request).begin(profile_draft(body.table(profile_id)), body.days))


@router.get("/profiles/{profile_id}/trial/{trial}", responses=documented(404, 422, 503))
def get_trial(request: Request, profile_id: ProfileKey, trial: Annotated[int, Path(ge=1, le=_LARGEST)]) -> TrialAnswer:
    """Return how far a trial has come, and what it found. 404: there is none, or it is forgotten."""
    return _trial(trials_of(request).get(profile_id, trial))


def _profile(parts: Parts, facts: RoomFacts, key: str) -> ProfileAnswer:
    now_ms = to_ms(parts.now())
    version, known = facts.profile_version_at(key, now_ms), facts.profile_versions[key]
    if not known:
        raise NotFound(f"the profile {key!r} has no version")
    return ProfileAnswer(
        id=key, species=known[-1].species, version=version.version if version else None,
        enclosures=[enclosure.key for enclosure in followers(facts, key, now_ms)],
    )  # fmt: skip


def _version(fact: ProfileVersionFact) -> VersionAnswer:
    until = None if fact.end_ms == END_OF_TIME else from_ms(fact.end_ms)
    told = {"from": from_ms(fact.start_ms), "until": until, "version": fact.version}
    return VersionAnswer.model_validate(
        told
        | {"target": fact.body["target"], "season": fact.body.get("season", []), "notes": fact.body.get("notes", "")}
    )


def _table(key: str, version: ProfileVersionFact) -> dict[str, Any]:
    def bare(targets: list[dict[str, Any]]) -> list[dict[str, Any]]:
        return [{name: value for name, value in target.items() if value is not None} for target in targets]

    body = version.body
    table = {"id": key, "species": version.species, "target": bare(body["target"]), "notes": body.get("notes") or None}
    return table | {"season": [{**season, "target": bare(season["target"])} for season in body.get("season", [])]}


def _doubts(draft: Any) -> list[DoubtAnswer]:  # noqa: ANN401 - a ProfileSpec
    return [
        DoubtAnswer(check=one.check, sentence=one.sentence, impossible=one.is_impossible)
        for one in doubts_about(draft.targets)
    ]


def _saved(parts: Parts, key: str, changes: list[str]) -> SavedAnswer:
    with parts.store.read() as session:
        facts = parts.facts(session)
    now = facts.profile_version_at(key, to_ms(parts.now()))
    doubts = _doubts(profile_draft(_table(key, now))) if now else []
    return SavedAnswer(profile=key, version=now.version if now else None, changes=changes, doubts=doubts)


def _trial(trial: Trial) -> TrialAnswer:
    state = "running" if not trial.over.is_set() else "failed" if trial.failed else "done"
    return TrialAnswer(
        trial=trial.number, profile=trial.draft.id, state=state, done=min(trial.done, trial.of), of=trial.of,
        failed=trial.failed or None, days=trial.days, enclosures=_tried(trial) if trial.result else None,
    )  # fmt: skip


def _tried(trial: Trial) -> list[EnclosureTriedAnswer]:
    result = trial.result
    return [
        EnclosureTriedAnswer(
            id=one.key, alarms_before=len(one.alarms_before), alarms_after=len(one.alarms_after),
            days=[
                DayTriedAnswer(
                    date=day.day, before=day.before, after=day.after,
                    checks=[
                        CheckChangeAnswer(
                            check=c.check, before=c.before, after=c.after, value_before=c.value_before,
                            value_after=c.value_after, unit=c.unit,
                        )
                        for c in day.changes
                    ],
                )
                for day in one.days
            ],
            alarms=[_alarm(change) for change in one.alarm_changes],
        )
        for one in (result.enclosures if result else ())
    ]  # fmt: skip


def _alarm(change: AlarmChange) -> AlarmChangeAnswer:
    alarm = change.alarm
    return AlarmChangeAnswer(
        change=change.kind, condition=alarm.condition, zone=alarm.zone, priority=alarm.priority,
        raised_at=from_ms(alarm.raised_ms), returned_at=_instant(alarm.returned_ms),
        returned_before=_instant(change.returned_before_ms), peak=alarm.peak,
    )  # fmt: skip


def _instant(at_ms: int | None) -> datetime | None:
    return None if at_ms is None else from_ms(at_ms)

"""Reference checks over HTTP: what was checked, how a point stands, and entering one."""

from datetime import datetime
from typing import Annotated, Final

from fastapi import APIRouter, Path, Query
from pydantic import BaseModel, ConfigDict, Field, FiniteFloat
from sqlmodel import Session

from sensors.quantities import nearest
from service.api.addresses import PREFIX
from service.api.calibration_answers import (
    CalibrationAnswer,
    CalibrationsAnswer,
    ReadingAnswer,
    SaltAnswer,
    SaltsAnswer,
    calibration_answer,
    history_of,
    reading_answer,
)
from service.api.parts import Parts
from service.api.problems import documented
from service.api.requests import LARGEST_PAGE, IsoInstant, PartsDep
from service.api.sign_in import SignedIn
from service.climate.ranges import MINUTE_MS
from service.climate.reference_points import SALTS, Method, salt_humidity
from service.errors import BadUse, NotFound, Refused
from service.model import Calibration, to_ms
from service.store.calibrations import NewCheck, calibrations_of, enter_check, get_calibration, withdraw_check
from service.store.facts import ChannelFact, RoomFacts
from service.store.reference_readings import Asked, look_at

router = APIRouter(prefix=PREFIX, tags=["calibrations"])
MINUTES: Final = 10
"""How long a window is averaged, unless asked otherwise [min]."""
MOST_MINUTES: Final = 240
MOST_POINTS: Final = 12
LONGEST_TEXT: Final = 200
SOURCE: Final = "OIML R 121:1996, table 1, after Greenspan 1977, J. Res. NBS 81A, 89-96; k = 2"
_LONGEST_CURSOR: Final = 8
_LARGEST_ID: Final = 2**53 - 1
CheckId = Annotated[int, Path(ge=1, le=_LARGEST_ID)]
Text = Annotated[str | None, Field(min_length=1, max_length=LONGEST_TEXT, pattern=r"^[^\x00-\x1f\x7f]+$")]
Minutes = Annotated[int, Field(ge=1, le=MOST_MINUTES)]
Positive = Annotated[FiniteFloat, Field(gt=0)]


class PointIn(BaseModel):
    """A reference point: the readings that are averaged are the channel's own, of the minutes before `until`."""

    model_config = ConfigDict(extra="forbid")

    method: Method
    since: IsoInstant | None = Field(
        default=None, description="When the probe was put in; needed for all but a certificate."
    )
    until: IsoInstant | None = Field(
        default=None, description="The end of the readings that are averaged; by default now."
    )
    minutes: Minutes = MINUTES
    against: Text = Field(default=None, description="The salt's formula; the instrument or the certificate in words.")
    reference: FiniteFloat | None = Field(default=None, description="What the instrument showed. [unit]")
    reference_uncertainty: Positive | None = Field(default=None, description="Of the instrument, k = 2. [unit]")
    temperature: FiniteFloat | None = Field(
        default=None, description="Over a salt, where the probe has no thermometer. [°C]"
    )
    reads: FiniteFloat | None = Field(default=None, description="What the channel read; of a certificate alone. [unit]")

    def asked(self, now: datetime) -> Asked:
        """Return it as `look_at` takes it."""
        return Asked(
            method=self.method,
            until_ms=to_ms(self.until or now),
            window_ms=self.minutes * MINUTE_MS,
            since_ms=None if self.since is None else to_ms(self.since),
            against=self.against,
            reference=self.reference,
            reference_uncertainty=self.reference_uncertainty,
            temperature=self.temperature,
            reads=self.reads,
        )


class ReadingQuery(PointIn):
    """A reference point that is being made, and of which channel."""

    channel: Annotated[str, Field(min_length=3, max_length=100, description="As in `a3-top/relative_humidity`.")]


class CalibrationIn(BaseModel):
    """A reference check: one point gives an offset, two or more a line."""

    model_config = ConfigDict(extra="forbid", populate_by_name=True)

    channel: Annotated[str, Field(min_length=3, max_length=100)]
    points: Annotated[list[PointIn], Field(min_length=1, max_length=MOST_POINTS)]
    from_: IsoInstant | None = Field(
        default=None, alias="from", description="Since when it corrects; by default its last point."
    )
    by: Text = Field(default=None, description="Who made the check; by default who sends it.")
    note: Text = None
    extends: Annotated[int | None, Field(ge=1, le=_LARGEST_ID)] = Field(
        default=None, description="The newest check of the channel, to which these points are added."
    )


class WithdrawnAnswer(BaseModel):
    """A check that was taken back."""

    withdrawn: int


def channel_named(facts: RoomFacts, key: str) -> ChannelFact:
    """Return the channel of that key.

    Raises
    ------
    NotFound
        When there is none; the sentence names the nearest one.
    """
    channel = facts.channel_by_key.get(key)
    if channel is None:
        known = list(facts.channel_by_key)
        hint = nearest(key, known)[:200] if known else "the room has no probe yet"
        raise NotFound(f"there is no channel '{key[:80]}': {hint}")
    return channel


def enter(parts: Parts, session: Session, body: CalibrationIn, by: str) -> Calibration:
    """Take the points of a check from the channel's readings, and store it.

    Raises
    ------
    NotFound, BadUse, Refused
        As `look_at` and `enter_check`; Refused too where a point cannot be taken, with the reason.
    """
    facts, now = parts.facts(session), parts.now()
    channel = channel_named(facts, body.channel)
    points = []
    for number, point in enumerate(body.points, 1):
        if point.until is not None and point.until > now:
            raise BadUse(f"points[{number - 1}].until: the readings of a time to come are not known")
        found = look_at(session, facts, channel, point.asked(now))
        if found.point is None:
            which = f"point {number} of " if len(body.points) > 1 else ""
            raise Refused(f"{which}{channel.key}: {found.why_not}")
        points.append(found.point)
    at = max((point.until or now) for point in body.points)
    new = NewCheck(tuple(points), at, body.by or by, body.from_, body.note, body.extends)
    return enter_check(session, channel, new, by, now)


@router.get("/calibrations", responses=documented(404, 422, 503))
def get_calibrations(
    parts: PartsDep,
    channel: Annotated[str | None, Query(max_length=100, description="Only of this channel.")] = None,
    cursor: Annotated[str | None, Query(max_length=_LONGEST_CURSOR, pattern=r"^[0-9]+$")] = None,
    limit: Annotated[int, Query(ge=1, le=LARGEST_PAGE)] = 100,
) -> CalibrationsAnswer:
    """Return the reference checks that count, the last made first, each with the drift since the one before it."""
    first = 0 if cursor is None else int(cursor)
    with parts.store.read() as session:
        facts = parts.facts(session)
        rows = calibrations_of(session, None if channel is None else channel_named(facts, channel).id)
        page = [calibration_answer(history_of(facts, row.channel_id, rows), row) for row in rows[first : first + limit]]
    return CalibrationsAnswer(calibrations=page, next=str(first + limit) if len(rows) > first + limit else None)


@router.post("/calibrations", status_code=201, responses=documented(400, 401, 403, 404, 409, 413, 422, 503))
def post_calibration(parts: PartsDep, person: SignedIn, body: CalibrationIn) -> CalibrationAnswer:
    """Enter a reference check: history is seen anew through it, and no stored reading changes. 409: the reason why not.

    The channel's own readings are averaged, once they have settled. A point is refused while they still move, before
    the probe has stood long enough, outside the salt's table, without the reference's uncertainty, or where the
    correction is larger than such an element can need.
    """
    with parts.store.write() as session:
        row = enter(parts, session, body, person.name)
    parts.wake.notify()
    with parts.store.read() as session:
        rows = calibrations_of(session, row.channel_id)
        return calibration_answer(history_of(parts.facts(session), row.channel_id, rows), row)


@router.get("/calibrations/salts", responses=documented(422, 503))
def get_salts(temperature: Annotated[FiniteFloat, Query(ge=-50, le=100)] = 25.0) -> SaltsAnswer:
    """Return the salts, and the humidity of the air over each at a temperature."""
    return SaltsAnswer(temperature=temperature, salts=[_salt(key, temperature) for key in SALTS], source=SOURCE)


@router.get("/calibrations/reading", responses=documented(404, 422, 503))
def get_reading(
    parts: PartsDep,
    asked: Annotated[ReadingQuery, Query()],
) -> ReadingAnswer:
    """Say how a reference point stands: what the channel reads, what it should, and whether it has settled."""
    with parts.store.read() as session:
        facts = parts.facts(session)
        channel = channel_named(facts, asked.channel)
        return reading_answer(channel, look_at(session, facts, channel, asked.asked(parts.now())))


@router.post("/calibrations/{number}/withdraw", responses=documented(400, 401, 403, 404, 409, 413, 422, 503))
def post_withdraw(parts: PartsDep, person: SignedIn, number: CheckId) -> WithdrawnAnswer:
    """Take a reference check back: history is seen as before it. It stays on record. 409: it counts no more."""
    with parts.store.write() as session:
        withdraw(parts, session, number, person.name)
    parts.wake.notify()
    return WithdrawnAnswer(withdrawn=number)


def withdraw(parts: Parts, session: Session, number: int, by: str) -> ChannelFact:
    """Take a check back, and return the channel that it was of. Raises NotFound, Refused."""
    channel = parts.facts(session).channels[get_calibration(session, number).channel_id]
    withdraw_check(session, channel, number, by, parts.now())
    return channel


def _salt(key: str, temperature: float) -> SaltAnswer:
    salt = SALTS[key]
    known = salt_humidity(key, temperature) if salt.lowest <= temperature <= salt.highest else None
    return SaltAnswer(
        salt=key, name=salt.title, humidity=known and known.value, uncertainty=known and known.uncertainty,
        lowest=salt.lowest, highest=salt.highest, caution=salt.caution,
    )  # fmt: skip

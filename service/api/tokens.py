"""Keys for programs and walls: made, listed, revoked."""

from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Path
from pydantic import BaseModel, ConfigDict, Field

from service.api.addresses import PREFIX
from service.api.answers import Answer, At
from service.api.problems import documented
from service.api.requests import PartsDep
from service.api.sign_in import SignedIn
from service.people.tokens import LONGEST_LIFE, LONGEST_NAME, KeyScope, make_key, revoke_key
from service.store.tokens import tokens

router = APIRouter(prefix=PREFIX, tags=["people"])


class KeyIn(BaseModel):
    """A key that is to be made."""

    model_config = ConfigDict(extra="forbid")

    name: str = Field(min_length=1, max_length=LONGEST_NAME, description="What it is for.")
    scopes: list[KeyScope] = Field(min_length=1, max_length=len(KeyScope))
    days: float | None = Field(None, gt=0, le=LONGEST_LIFE.days, description="How long it lasts; null: until revoked.")


class KeyAnswer(Answer):
    """A key, without its secret."""

    number: int
    name: str
    scopes: list[str]
    made_at: At
    made_by: str
    expires_at: At | None
    seen_at: At | None
    revoked_at: At | None


class KeysAnswer(Answer):
    """Every key that was made, the newest first."""

    tokens: list[KeyAnswer]


class MadeAnswer(Answer):
    """A key that was made; `secret` is told this once."""

    number: int
    name: str
    secret: str


@router.get("/tokens", responses=documented(503))
def list_tokens(parts: PartsDep) -> KeysAnswer:
    """Return every key that was made, revoked ones too."""
    with parts.store.read() as session:
        rows = tokens(session)
    return KeysAnswer(
        tokens=[
            KeyAnswer(
                number=row.id or 0, name=row.name, scopes=row.scopes.split(), made_at=row.made_at,
                made_by=row.made_by, expires_at=row.expires_at, seen_at=row.seen_at, revoked_at=row.revoked_at,
            )
            for row in rows
        ]
    )  # fmt: skip


@router.post("/tokens", status_code=201, responses=documented(400, 413, 422, 503))
def post_token(parts: PartsDep, person: SignedIn, body: KeyIn) -> MadeAnswer:
    """Make a key; its secret is told in this answer and never again."""
    lasts = None if body.days is None else timedelta(days=body.days)
    made = make_key(parts.store, body.name, [str(one) for one in body.scopes], person.name, parts.now(), lasts)
    return MadeAnswer(number=made.number, name=made.name, secret=made.secret)


@router.post("/tokens/{number}/revoke", status_code=204, responses=documented(404, 422, 503))
def post_revoke(parts: PartsDep, person: SignedIn, number: Annotated[int, Path(ge=1, le=2**31 - 1)]) -> None:
    """Let a key open nothing any more."""
    revoke_key(parts.store, number, person.name, parts.now())

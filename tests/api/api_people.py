"""People of a furnished room, and browsers that visit it."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Final

import httpx
from api_room import NOW, House
from starlette.types import ASGIApp

from service.model import Person
from service.people.roles import Role, name_key
from service.people.signing_in import open_session
from service.store.engine import Store
from service.store.people import all_people

HERE: Final = "http://wardian.test"
PASSWORD: Final = "seven wet ferns"  # noqa: S105 - of people who are not there
OURS: Final = {"origin": HERE}
NAMES: Final = {"v": "Vera", "k": "Kim", "o": "Oda"}


def settle(store: Store, stored: str, **roles: Role) -> None:
    """Give people accounts with the one password, of which `stored` is what is kept."""
    wanted = roles or {NAMES["v"]: Role.VIEWER, NAMES["k"]: Role.KEEPER, NAMES["o"]: Role.OWNER}
    with store.write() as session:
        for name, role in wanted.items():
            person = {"name": name, "key": name_key(name), "role": role, "password": stored}
            session.add(Person(**person, made_at=NOW, made_by="test"))


def token_for(house: House, name: str) -> str:
    """Sign someone in, and return what their browser holds."""
    with house.store.write() as session:
        person = next(one for one in all_people(session) if one.name == name)
        return open_session(session, person.id or 0, house.clock[0])


@asynccontextmanager
async def visiting(
    app: ASGIApp, token: str | None = None, url: str = HERE, **sent: str
) -> AsyncIterator[httpx.AsyncClient]:
    """Visit as a browser that holds a token."""
    cookies = {} if token is None else {"wardian": token}
    transport = httpx.ASGITransport(app, raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url=url, cookies=cookies, headers=sent) as client:
        yield client

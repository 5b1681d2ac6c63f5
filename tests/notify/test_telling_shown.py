"""What is known of the telling is shown by the doctor, the metrics, the pages and over HTTP, and no secret with it."""

import asyncio
import re
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import httpx
import pytest
from typer.testing import CliRunner

from dashboard.app import create_app
from service.api.parts import Parts, Wake
from service.cli import app
from service.doctor_telling import telling_findings
from service.settings import Settings
from tests.empty_store import sqlite_store
from tests.notify.receivers import HookServer, Mailbox
from tests.notify.telling_room import TellingRoom

SECRET = "s3cret-path"  # noqa: S105 - what must not be shown


class Told:
    """A room in which one contact was told and another cannot be, with everything that shows it."""

    def __init__(self, folder: Path, mailbox: Mailbox, hook: HookServer) -> None:
        self.data = folder / "data"
        self.store = sqlite_store(self.data / "wardian.db")
        self.room, self.mailbox, self.hook = TellingRoom(self.store), mailbox, hook
        self.room.furnish()
        self.room.contact("Ana", mailbox.route)
        self.room.contact("Bo", hook.route)
        self.room.step(1, 10, "Bo")
        hook.status = 500
        self.alarm = self.room.raise_()
        self.room.pass_time(minutes=11)
        settings = Settings(data=self.data, public_url="https://wardian.example.org")
        clock = lambda: self.room.now  # noqa: E731 - the room's clock moves
        self.parts = Parts(self.store, settings, clock, dict, lambda _: None, Wake())  # type: ignore[arg-type]

    def ask(self, method: str, path: str, **form: str) -> httpx.Response:
        async def asked() -> httpx.Response:
            transport = httpx.ASGITransport(create_app(self.parts))
            async with httpx.AsyncClient(transport=transport, base_url="http://wardian.test") as client:
                return await client.request(method, path, data=form or None)

        answer = asyncio.run(asked())
        assert SECRET not in answer.text
        return answer

    def command(self, *words: str) -> str:
        result = CliRunner().invoke(app, words, env={"WARDIAN_DATA": str(self.data)})
        said = f"{result.output}{result.exception or ''}"
        assert SECRET not in said
        return said


@pytest.fixture
def told(tmp_path: Path, mailbox: Mailbox, hook: HookServer) -> Iterator[Told]:
    made = Told(tmp_path, mailbox, hook)
    yield made
    made.store.close()


def test_the_page_the_alarm_s_page_and_the_interface_show_who_was_told_and_who_cannot_be(told: Told) -> None:
    page = told.ask("GET", "/telling").text
    assert "last message got through" in page
    assert "does not get through since 12:10: web hook at 127.0.0.1 said 500 (its own error)" in page
    assert "10 min later" in page
    alarm = told.ask("GET", f"/alarms/{told.alarm}").text
    assert "Basking spot too hot: Frogs 1" in alarm
    assert f'action="/alarms/{told.alarm}/acknowledge"' in alarm
    assert told.ask("GET", "/alarms/4711").status_code == 404
    contacts = told.ask("GET", "/api/v1/contacts").json()
    assert [(one["name"], one["route"], one["usable"]) for one in contacts["contacts"]] == [
        ("Ana", "mail by 127.0.0.1", True), ("Bo", "web hook at 127.0.0.1", True),
    ]  # fmt: skip
    assert contacts["escalation"] == [{"step": 1, "after_minutes": 10.0, "contacts": ["Bo"]}]
    first = told.ask("GET", "/api/v1/deliveries?limit=1").json()
    assert [(one["contact"], one["state"]) for one in first["deliveries"]] == [("Bo", "waiting")]
    rest = told.ask("GET", f"/api/v1/deliveries?alarm={told.alarm}&cursor={first['next']}").json()
    assert [(one["contact"], one["state"]) for one in rest["deliveries"]] == [("Ana", "sent")]


def test_one_tap_on_the_alarm_s_page_acknowledges_and_comes_back_to_it(told: Told) -> None:
    answer = told.ask("POST", f"/alarms/{told.alarm}/acknowledge", back=f"/alarms/{told.alarm}")
    assert (answer.status_code, answer.headers["location"]) == (303, f"/alarms/{told.alarm}")
    assert "acknowledged by" in told.ask("GET", f"/alarms/{told.alarm}").text


def test_a_test_message_from_the_screen_over_http_and_from_the_command_line_says_what_came_of_it(told: Told) -> None:
    assert "Ana was sent a test message (mail by 127.0.0.1)" in told.ask("POST", "/telling/test", name="Ana").text
    assert "sent by someone at this computer" in told.mailbox.text()
    assert "https://wardian.example.org/alarms" in told.mailbox.text()
    failed = told.ask("POST", "/telling/test", name="Bo")
    assert "did not reach Bo: web hook at 127.0.0.1 said 500 (its own error)." in failed.text
    assert told.ask("POST", "/telling/test", name="Nobody").status_code == 404
    assert told.ask("POST", "/api/v1/contacts/Ana/test").json() == {"contact": "Ana", "route": "mail by 127.0.0.1"}
    assert told.ask("POST", "/api/v1/contacts/Bo/test").status_code == 409
    assert "Ana was sent a test message" in told.command("contact", "test", "Ana")
    assert "did not reach Bo" in told.command("contact", "test", "Bo")
    assert re.search(r"Bo +web hook at 127.0.0.1 .* said 500", told.command("contact", "list"))
    assert len(told.mailbox.mails) == 4
    assert told.ask("GET", "/telling").text.count("Test: Test house") == 6


def test_the_doctor_and_the_metrics_say_what_fails_and_what_waits(told: Told) -> None:
    with told.store.read() as session:
        found = [(one.mark, one.said) for one in telling_findings(session, "", told.room.now + timedelta(minutes=20))]
    assert ("well", "contact Ana (mail by 127.0.0.1) was last told 2026-03-02 12:00 UTC") in found
    assert any(mark == "wrong" and said.startswith("contact Bo cannot be told since") for mark, said in found)
    assert any("1 messages wait, the oldest for" in said for _, said in found)
    assert any("WARDIAN_PUBLIC_URL" in said for _, said in found)
    metrics = told.ask("GET", "/metrics").text
    assert 'wardian_messages_total{outcome="sent"} 1.0' in metrics
    assert "wardian_messages_waiting 1.0" in metrics
    assert "wardian_routes_failing 1.0" in metrics
    told.room.contact("Cy", f"nonsense://{SECRET}")
    with told.store.read() as session:
        (cy,) = [one for one in telling_findings(session, "", told.room.now) if "Cy" in one.said]
    assert cy.mark == "wrong"
    assert SECRET not in cy.said

"""A real nginx with the configuration of deploy/ before a real service: sign-in, cookie, live stream, limits."""

import json
import os
import ssl
import subprocess
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest
from sqlmodel import select

from service.ingest.embedded_broker import free_port
from service.model import SignInTry
from service.people.accounts import add_account
from service.people.roles import Role
from service.store.engine import open_store
from tests.builders import wait_until
from tests.deploy.deployed_broker import DEPLOY
from tests.documents import document
from tests.service_process import ServiceProcess

PASSWORD = "five small dart frogs"  # noqa: S105 - of this test alone
ELSEWHERE = "203.0.113.9"


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServiceProcess]:
    """Return a room that somebody can sign in to."""
    listen = {"WARDIAN_BROKER_LISTEN": f"127.0.0.1:{free_port()}"}
    process = ServiceProcess(tmp_path_factory.mktemp("proxied"), "embedded", free_port(), **listen)
    (process.folder / "room.toml").write_text(document("README.md").blocks("toml")[0].text, encoding="utf-8")
    process.command("room", "apply", "room.toml", "--yes")
    store = open_store(process.database)
    add_account(store, "Kim", PASSWORD, Role.OWNER, "a test", datetime.now(UTC))
    store.close()
    process.start()
    process.wait_ready()
    yield process
    assert process.stop() == 0


@pytest.fixture(scope="module")
def proxy(
    program: Callable[[str], str],
    service: ServiceProcess,
    certificates: Path,
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[tuple[str, str]]:
    """Return the proxy's address by https, and by http; only places, ports and the name are the test's."""
    folder, tls, plain = tmp_path_factory.mktemp("nginx"), free_port(), free_port()
    text = (DEPLOY / "proxy" / "nginx.conf").read_text(encoding="utf-8")
    for shipped, here in {
        "listen 80;": f"listen 127.0.0.1:{plain};",
        "listen 443 ": f"listen 127.0.0.1:{tls} ",
        "wardian.example.org": "localhost",
        "/etc/wardian-proxy/fullchain.pem": str(certificates / "broker.crt"),
        "/etc/wardian-proxy/key.pem": str(certificates / "broker.key"),
        "http://127.0.0.1:8780": service.url,
    }.items():
        assert shipped in text
        text = text.replace(shipped, here)
    (folder / "wardian.conf").write_text(text, encoding="utf-8")
    kinds = ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
    own = f"access_log off; {' '.join(f'{kind}_temp_path {folder}/{kind};' for kind in kinds)}"
    user = "user root; " if os.geteuid() == 0 else ""
    around = f"{user}daemon off; pid {folder}/pid; events {{}} http {{ {own} include {folder}/wardian.conf; }}"
    (folder / "nginx.conf").write_text(around, encoding="utf-8")
    command = [program("nginx"), "-c", folder / "nginx.conf", "-e", folder / "errors"]
    process = subprocess.Popen(command, stderr=subprocess.DEVNULL)
    # 504 and the like would be an answer too: it is there.
    wait_until(lambda: _answers(f"http://127.0.0.1:{plain}/"))
    yield f"https://localhost:{tls}", f"http://localhost:{plain}"
    process.terminate()
    process.wait(10)


def _answers(url: str) -> bool:
    try:
        httpx.get(url)
    except httpx.TransportError:
        return False
    return True


@pytest.fixture
def browser(proxy: tuple[str, str], certificates: Path) -> Iterator[httpx.Client]:
    """Return what speaks to the proxy as a browser would."""
    trusted = ssl.create_default_context(cafile=str(certificates / "ca.crt"))
    with httpx.Client(base_url=proxy[0], verify=trusted, headers={"Origin": proxy[0]}, timeout=20) as client:
        yield client


def signed_in(browser: httpx.Client, password: str = PASSWORD, **headers: str) -> httpx.Response:
    return browser.post("/sign-in", data={"name": "Kim", "password": password, "to": "/"}, headers=headers)


def test_someone_signs_in_through_the_proxy_and_sees_the_room_live(browser: httpx.Client) -> None:
    assert browser.get("/", headers={"Accept": "text/html"}).status_code == 303
    answer = signed_in(browser)
    assert answer.status_code == 303
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith("__Host-wardian=")
    assert {"Secure", "HttpOnly", "Path=/"} <= {part.strip() for part in cookie.split(";")}
    assert "max-age" in answer.headers["strict-transport-security"]
    assert "tile-rack-a-1" in browser.get("/").text
    with browser.stream("GET", "/api/v1/live", headers={"Accept-Encoding": "gzip"}) as live:
        assert live.headers["content-type"].startswith("text/event-stream")
        assert "content-encoding" not in live.headers
        lines = live.iter_lines()
        at = datetime.now(UTC) - timedelta(seconds=1)
        reading = {"probe": "a1-spot", "quantity": "surface_temperature", "value": 33.7, "at": at.isoformat()}
        assert browser.post("/api/v1/readings", json={"readings": [reading]}).status_code == 200
        # It comes with nothing after it: a proxy that waits for more would keep it back, and this would not end.
        assert "33.7" in next(line for line in lines if line.startswith("data:") and "33.7" in line)


def test_wrong_passwords_are_counted_for_the_address_that_the_proxy_sees(
    browser: httpx.Client, service: ServiceProcess
) -> None:
    signed_in(browser, "a wrong one indeed", **{"X-Forwarded-For": ELSEWHERE, "X-Forwarded-Proto": "http"})
    store = open_store(service.database)
    with store.read() as session:
        addresses = {found.address for found in session.exec(select(SignInTry)).all()}
    store.close()
    assert addresses == {"127.0.0.1"}


def test_a_body_of_a_full_batch_is_passed_on_and_a_larger_one_is_not(browser: httpx.Client) -> None:
    signed_in(browser)
    full = json.dumps({"readings": [], "x": "x" * 1_000_000})
    said = browser.post("/api/v1/readings", content=full, headers={"Content-Type": "application/json"})
    assert (said.status_code, said.headers["content-type"]) == (422, "application/problem+json")
    assert browser.post("/api/v1/readings", content=full + " " * 100_000).status_code == 413


def test_plain_http_is_sent_to_https(proxy: tuple[str, str]) -> None:
    answer = httpx.get(f"{proxy[1]}/alarms?page=2")
    assert (answer.status_code, answer.headers["location"]) == (301, "https://localhost/alarms?page=2")


def test_who_is_no_named_proxy_is_not_believed(service: ServiceProcess) -> None:
    apart = ServiceProcess(
        service.folder, "embedded", free_port(), WARDIAN_TRUSTED_PROXIES="192.0.2.1", WARDIAN_LOG="json"
    )
    apart.start("web")
    try:
        wait_until(lambda: _answers(f"{apart.url}/healthz"), 30)
        headers = {"Origin": apart.url, "X-Forwarded-For": ELSEWHERE, "X-Forwarded-Proto": "https"}
        with httpx.Client(base_url=apart.url) as client:
            cookie = signed_in(client, **headers).headers["set-cookie"]
            assert cookie.startswith("wardian=")
            assert "Secure" not in cookie
    finally:
        assert apart.stop() == 0

"""The web server, wired: who may reach it, and how it starts and stops."""

from collections.abc import Callable
from types import FrameType

import uvicorn

from dashboard.app import create_app
from service.api.parts import Parts, Wake
from service.errors import SettingInvalid
from service.people.roles import Doors
from service.settings import LOOPBACK, Settings, host_and_port, is_loopback
from service.store.engine import Store
from service.store.people import has_people


def require_safe_web(settings: Settings, store: Store) -> None:
    """Refuse to show the room to a network while nobody can sign in.

    Raises
    ------
    SettingInvalid
        When the web server would listen beyond loopback, and there is no account.
    """
    host, _port = host_and_port(settings.web)
    if is_loopback(host):
        return
    with store.read() as session:
        if has_people(session):
            return
    raise SettingInvalid(
        f"WARDIAN_WEB={settings.web} is reachable from other computers, and nobody has an account yet: make one with "
        "`wardian account add NAME --role owner`, or listen on 127.0.0.1"
    )


def doors_of(settings: Settings) -> Doors:
    """Return who comes in without signing in: on loopback, whoever sits at this computer until there is an account."""
    host, _port = host_and_port(settings.web)
    return Doors(hosts=LOOPBACK) if is_loopback(host) else Doors(opens_as=None)


def serve(parts: Parts, ready: Callable[[str], None]) -> None:
    """Serve the pages until told to stop by SIGINT or SIGTERM.

    Parameters
    ----------
    parts : Parts
    ready : callable
        Told the address once the server listens.

    Raises
    ------
    SettingInvalid
        When the port is taken.
    """
    host, port = host_and_port(parts.settings.web)
    config = uvicorn.Config(
        create_app(parts),
        host=host,
        port=port,
        log_config=None,
        access_log=False,
        timeout_graceful_shutdown=5,
        server_header=False,
        proxy_headers=bool(parts.settings.trusted_proxies),
        forwarded_allow_ips=parts.settings.trusted_proxies,
    )
    server = _Server(config, parts.wake, ready)
    try:
        server.run()
    except KeyboardInterrupt:
        return  # the server has stopped in order and passes the signal on
    except SystemExit as exc:
        raise SettingInvalid(f"WARDIAN_WEB={parts.settings.web}: the port is taken; stop what uses it") from exc


class _Server(uvicorn.Server):
    """A web server that says when it listens, and ends its live streams before it waits for them."""

    def __init__(self, config: uvicorn.Config, wake: Wake, ready: Callable[[str], None]) -> None:
        super().__init__(config)
        self._wake, self._ready = wake, ready

    async def startup(self, sockets: list | None = None) -> None:
        await super().startup(sockets)
        if self.started:
            port = self.servers[0].sockets[0].getsockname()[1]
            self._ready(f"http://{self.config.host}:{port}/")

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        self._wake.close()
        super().handle_exit(sig, frame)

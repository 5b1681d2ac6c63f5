"""What every answer tells the browser about where content may come from."""

from typing import Final

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

_POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src {styles}; img-src 'self' data:{images}; connect-src 'self'; "
    "font-src 'self'; manifest-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)
STRICT_POLICY: Final = _POLICY.format(styles="'self'", images="")
CHART_POLICY: Final = _POLICY.format(styles="'self' 'unsafe-inline'", images=" blob:")
"""For the pages that draw with plotly.js alone: it writes its own style rules and style attributes into the page, and
makes a picture of a chart by way of a blob of the page's own."""
_ALWAYS: Final = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}


class SecurityHeaders:
    """Adds the headers to every answer; a page that set a policy of its own keeps it."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.setdefault("Content-Security-Policy", STRICT_POLICY)
                for name, value in _ALWAYS.items():
                    headers.setdefault(name, value)
            await send(message)

        await self._app(scope, receive, send_with_headers)

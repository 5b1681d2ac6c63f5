"""Style sheets, scripts and plotly.js under addresses that change with their content: browsers keep them for good."""

import gzip
import hashlib
import mimetypes
import re
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Final

from fastapi import APIRouter, Request, Response
from fastapi.responses import PlainTextResponse

_FOREVER: Final = "public, max-age=31536000, immutable"
_SHEET: Final = "css/wardian.css"
_IMPORT: Final = re.compile(r'@import url\("([^"]+)"\) ?([a-z]*);\n?')
_LEAST_GZIP: Final = 500
"""Smaller files do not gain. [bytes]"""
_TYPES: Final = {".js": "text/javascript; charset=utf-8", ".css": "text/css; charset=utf-8", ".svg": "image/svg+xml"}


@dataclass(frozen=True, slots=True)
class Asset:
    """A static file in memory, as it is and compressed."""

    content: bytes
    compressed: bytes | None
    media_type: str


class Assets:
    """The static files; all of ours share one digest, so that modules find each other by relative addresses."""

    def __init__(self) -> None:
        folder = Path(str(resources.files("dashboard") / "static"))
        plotly = Path(str(resources.files("plotly") / "package_data" / "plotly.min.js"))
        self._files = {str(path.relative_to(folder)): _asset(path) for path in sorted(folder.rglob("*.*"))}
        self._files[_SHEET] = _together(self._files[_SHEET].content.decode(), folder / "css")
        digest = hashlib.sha256()
        for name, asset in self._files.items():
            digest.update(name.encode() + b"\0" + asset.content)
        self._ours = digest.hexdigest()[:16]
        self._plotly_path = plotly
        self._plotly: Asset | None = None
        self._plotly_digest = hashlib.sha256(plotly.read_bytes()).hexdigest()[:16]

    def url(self, name: str) -> str:
        """Return the address of one of our files, such as ``css/wardian.css``.

        Raises
        ------
        KeyError
            If there is no such file.
        """
        if name not in self._files:
            raise KeyError(f"no static file is called {name}; there are {', '.join(self._files)}")
        return f"/static/{self._ours}/{name}"

    @property
    def plotly_url(self) -> str:
        """The address of plotly.js, taken from the installed plotly package."""
        return f"/static/{self._plotly_digest}/plotly.js"

    def answer(self, digest: str, name: str, request: Request) -> Response:
        """Return a file, compressed where the browser takes that; 404 for another digest: it is another version's."""
        if name == "plotly.js" and digest == self._plotly_digest:
            asset = self._plotly_asset()
        elif digest == self._ours and name in self._files:
            asset = self._files[name]
        else:
            return PlainTextResponse("No such file.", status_code=404)
        headers = {"Cache-Control": _FOREVER, "Vary": "Accept-Encoding"}
        if asset.compressed is not None and "gzip" in request.headers.get("accept-encoding", ""):
            return Response(
                asset.compressed, media_type=asset.media_type, headers=headers | {"Content-Encoding": "gzip"}
            )
        return Response(asset.content, media_type=asset.media_type, headers=headers)

    def _plotly_asset(self) -> Asset:
        """Compress it when it is first asked for: it is large, and a room screen never needs it."""
        if self._plotly is None:
            self._plotly = _asset(self._plotly_path)
        return self._plotly


def _together(sheet: str, folder: Path) -> Asset:
    """Return a style sheet with what it imports in its place: a page waits for one file before it is painted."""

    def put(found: re.Match[str]) -> str:
        content = (folder / found[1]).read_text(encoding="utf-8")
        return f"@media {found[2]} {{\n{content}}}\n" if found[2] else content

    return _packed(_IMPORT.sub(put, sheet).encode(), "text/css; charset=utf-8")


def _asset(path: Path) -> Asset:
    media_type = _TYPES.get(path.suffix) or mimetypes.guess_type(path.name)[0] or "application/octet-stream"
    return _packed(path.read_bytes(), media_type)


def _packed(content: bytes, media_type: str) -> Asset:
    compressed = gzip.compress(content, 6, mtime=0) if len(content) >= _LEAST_GZIP else None
    return Asset(content, compressed, media_type)


def static_router(assets: Assets) -> APIRouter:
    """Return the route of the static files."""
    router = APIRouter(include_in_schema=False)

    @router.get("/static/{digest}/{name:path}")
    def _static(digest: str, name: str, request: Request) -> Response:
        return assets.answer(digest, name, request)

    return router

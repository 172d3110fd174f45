"""The pages and what they are made of, as files; clips; schemas; and whether the server lives."""

import mimetypes
from pathlib import Path
from typing import Any

from fastapi import APIRouter
from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.staticfiles import NotModifiedResponse, StaticFiles
from starlette.types import Scope

from server.routes.asking import parts_of
from server.wire.errors import NotKnown
from server.wire.schemas import SCHEMAS, schema_of

__all__ = ["WebFiles", "files", "pages"]

# What a machine believes of a file's ending is anybody's guess; a browser runs no module of another type.
_TYPES = {
    ".css": "text/css",
    ".html": "text/html",
    ".ico": "image/vnd.microsoft.icon",
    ".js": "text/javascript",
    ".json": "application/json",
    ".png": "image/png",
    ".svg": "image/svg+xml",
    ".wav": "audio/wav",
    ".webmanifest": "application/manifest+json",
    ".woff2": "font/woff2",
}
for _ending, _type in _TYPES.items():
    mimetypes.add_type(_type, _ending)

_ASK_AGAIN = "no-cache"
"""Kept by browsers, but asked about each time: a changed page is there at the next reload, another costs a 304."""

_LONGEST_PAGE = 40

_FOR_EVER = "public, max-age=31536000, immutable"

files = APIRouter()
pages = APIRouter()


class WebFiles(StaticFiles):
    """The folder ``web``, but only what pages are made of."""

    async def get_response(self, path: str, scope: Scope) -> Response:
        """As StaticFiles has it. Raises: NotKnown: there is none."""
        parts = Path(path).parts
        if "node_modules" in parts or Path(path).suffix not in _TYPES:
            raise NotKnown(f"{path[:80]}: no such file here")
        try:
            response = await super().get_response(path, scope)
        except HTTPException as none:
            raise NotKnown(f"{path[:80]}: no such file here") from none
        response.headers["cache-control"] = _ASK_AGAIN
        if parts[-1] == "service-worker.js":
            response.headers["service-worker-allowed"] = "/"
        return response


@files.get("/api/health")
async def health(request: Request) -> dict[str, Any]:
    """Whether the server lives, and whether its voice does."""
    ok, sentence = parts_of(request).voice.status
    return {"ok": True, "voice_ok": ok, "voice_sentence": sentence}


@files.get("/api/schemas")
async def schemas() -> dict[str, Any]:
    """Every schema, and what it is of."""
    return {name: {"about": about, "url": f"/api/schemas/{name}.json"} for name, (about, _) in SCHEMAS.items()}


@files.get("/api/schemas/{name}.json")
async def schema(name: str) -> dict[str, Any]:
    """One schema."""
    if name not in SCHEMAS:
        raise NotKnown(f"schema {name[:40]!r}: expected one of {', '.join(SCHEMAS)}")
    return schema_of(name)


@files.get("/clips/{clip}.wav")
async def clip(request: Request, clip: str) -> FileResponse:
    """A rendered clip. Its name follows from its text and voice, so it never changes."""
    path = parts_of(request).voice.path_of(clip)
    if path is None:
        raise NotKnown(f"clip {clip[:40]}: none here; it is rendered again when its cue comes up again")
    return FileResponse(path, media_type="audio/wav", headers={"cache-control": _FOR_EVER})


@pages.get("/")
async def home(request: Request) -> Response:
    """Where everything begins."""
    return _page(request, "home")


@pages.get("/{page}")
async def page(request: Request, page: str) -> Response:
    """A page that needs no race."""
    return _page(request, page)


@pages.get("/{page}/{code}")
async def page_of_race(request: Request, page: str, code: str) -> Response:
    """A page of a race. Which one, and who asks, it finds out by itself: the ticket never comes in the address."""
    return _page(request, page)


def _page(request: Request, page: str) -> Response:
    path = parts_of(request).settings.web_dir / "pages" / f"{page}.html"
    # Its length first: to ask a disk for a name too long for it is an error.
    if len(page) > _LONGEST_PAGE or not page.isidentifier() or not path.is_file():
        raise NotKnown(f"page {page[:40]!r}: there is none here; begin at /")
    response = FileResponse(path, stat_result=path.stat(), headers={"cache-control": _ASK_AGAIN})
    if request.headers.get("if-none-match") == response.headers.get("etag"):
        return NotModifiedResponse(Headers(raw=response.raw_headers))
    return response

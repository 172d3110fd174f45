"""The pages and what they are made of, as files; clips; schemas; and whether the server lives."""

import json
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
from server.routes.edition import PAGE_TYPES, edition_of
from server.wire.errors import NotKnown
from server.wire.schemas import SCHEMAS, schema_of

__all__ = ["WebFiles", "files", "pages"]

for _ending, _type in PAGE_TYPES.items():
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
        if "node_modules" in parts or Path(path).suffix not in PAGE_TYPES:
            raise NotKnown(f"{path[:80]}: no such file here")
        try:
            response = await super().get_response(path, scope)
        except HTTPException as none:
            raise NotKnown(f"{path[:80]}: no such file here") from none
        response.headers["cache-control"] = _ASK_AGAIN
        return response


@files.get("/api/health")
async def health(request: Request) -> dict[str, Any]:
    """Whether the server lives, and whether its voice does; and which edition of the pages it has."""
    parts = parts_of(request)
    ok, sentence = parts.voice.status
    edition = edition_of(parts.settings.web_dir).name
    return {"ok": True, "voice_ok": ok, "voice_sentence": sentence, "edition": edition}


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


@files.get("/sw.js")
async def worker(request: Request) -> Response:
    """The worker that keeps pages for when there is no network, with what it is to keep."""
    web_dir = parts_of(request).settings.web_dir
    edition = edition_of(web_dir)
    first = f"const EDITION = {json.dumps(edition.name)}\nconst FILES = {json.dumps(edition.files)}\n"
    text = first + (web_dir / "sw.js").read_text("utf-8")
    return Response(text, media_type="text/javascript", headers={"cache-control": _ASK_AGAIN})


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
    web_dir = parts_of(request).settings.web_dir
    path = web_dir / "pages" / f"{page}.html"
    # Its length first: to ask a disk for a name too long for it is an error.
    if len(page) > _LONGEST_PAGE or not page.isidentifier() or not path.is_file():
        raise NotKnown(f"page {page[:40]!r}: there is none here; begin at /")
    # A page may be the same in two editions, and what it is made of not: so its tag names the edition too.
    edition = edition_of(web_dir).name
    headers = {"cache-control": _ASK_AGAIN, "x-edition": edition, "etag": f'"{page}-{edition}"'}
    response = FileResponse(path, stat_result=path.stat(), headers=headers)
    if request.headers.get("if-none-match") == response.headers.get("etag"):
        return NotModifiedResponse(Headers(raw=response.raw_headers))
    return response

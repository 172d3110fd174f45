"""server/routes/edition.py and what pages.py makes of it: no page outlives an upgrade."""

import json
import os
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from server.routes.edition import PAGE_TYPES, edition_of
from tests.server.serving import ROOT, serving, settings_for


@pytest.fixture
def web(tmp_path: Path) -> Path:
    """Pages of one's own."""
    shutil.copytree(ROOT / "web", tmp_path / "web", ignore=shutil.ignore_patterns("node_modules"))
    return tmp_path / "web"


def test_an_edition_is_named_by_content_and_not_by_time(web: Path) -> None:
    first = edition_of(web)
    os.utime(web / "pages" / "home.html", (1, 1))
    assert edition_of(web) == first
    page = web / "pages" / "home.html"
    page.write_text(page.read_text("utf-8") + "<!-- changed -->", "utf-8")
    assert edition_of(web).name != first.name
    assert edition_of(web).files == first.files


def test_another_way_to_keep_pages_is_another_edition(web: Path) -> None:
    first = edition_of(web)
    (web / "sw.js").write_text("// keeps nothing", "utf-8")
    assert edition_of(web).name != first.name


def test_an_edition_is_made_of_what_pages_are_made_of_and_nothing_else(web: Path) -> None:
    (web / "node_modules").mkdir()
    (web / "node_modules" / "tool.js").write_text("", "utf-8")
    (web / "notes.txt").write_text("", "utf-8")
    files = edition_of(web).files
    assert {"pages/home.html", "lib/html.js", "styles/tokens.css", "icons/icon.svg"} <= set(files)
    assert all(Path(name).suffix in PAGE_TYPES for name in files)
    assert not {"node_modules/tool.js", "notes.txt", "sw.js", "eslint.config.js", "package.json"} & set(files)


async def test_a_page_is_not_taken_for_the_same_when_only_what_it_is_made_of_has_changed(
    tmp_path: Path, web: Path
) -> None:
    async with serving(replace(settings_for(tmp_path / "data"), web_dir=web)) as here:
        first = await here.call("GET", "/bars/ABC234")
        tag = {"If-None-Match": first.headers["etag"]}
        assert first.headers["x-edition"] == edition_of(web).name
        assert (await here.http.get("/bars/ABC234", headers=tag)).status_code == 304
        lib = web / "lib" / "html.js"
        lib.write_text(lib.read_text("utf-8") + "\n", "utf-8")
        again = await here.http.get("/bars/ABC234", headers=tag)
        assert again.status_code == 200
        assert again.headers["x-edition"] == edition_of(web).name != first.headers["x-edition"]


async def test_the_worker_is_told_its_edition_and_every_file_of_it_is_there(tmp_path: Path) -> None:
    async with serving(settings_for(tmp_path / "data")) as here:
        answer = await here.call("GET", "/sw.js")
        assert answer.headers["content-type"].startswith("text/javascript")
        assert answer.headers["cache-control"] == "no-cache"
        edition, files, *_ = answer.text.splitlines()
        health = (await here.call("GET", "/api/health")).json()
        assert edition == f"const EDITION = {json.dumps(health['edition'])}"
        for name in json.loads(files.removeprefix("const FILES = ")):
            assert (await here.http.get(f"/web/{name}")).status_code == 200, name

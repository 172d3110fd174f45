"""Pages without their server: they open, at once, of one edition, and say so; and a race goes on being called."""

import asyncio
import json
import os
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import ROOT, LiveServer
from tests.server.serving import serving, settings_for
from tests.web.test_race_end_to_end import NOTE_CUES, everybody_joins, prepare

WITHIN_MS = 1_000
"""A page stands so soon, or nobody waits for it."""


async def kept(browser: Any, address: str) -> Any:
    """A page whose worker has kept everything."""
    page = await (await browser.new_context()).new_page()
    await page.goto(address)
    await page.wait_for_function("() => navigator.serviceWorker.controller !== null")
    return page


async def opened_in_ms(page: Any) -> float:
    """How long the page that was loaded last took to stand: until its modules had run."""
    return float(await page.evaluate("() => performance.getEntriesByType('navigation')[0].domContentLoadedEventEnd"))


@pytest.mark.parametrize("path", ["/", "/join", "/race/ABC234", "/briefing/ABC234", "/bars/ABC234#a-ticket"])
async def test_every_page_opens_at_once_without_the_server_and_says_so(
    live_server: LiveServer, browser: Any, path: str
) -> None:
    page = await kept(browser, live_server.url + path)
    live_server.kill()
    await page.reload()
    await page.wait_for_selector("text=/server does not answer|No connection/")
    assert await opened_in_ms(page) < WITHIN_MS


@pytest.mark.skipif(os.name != "posix", reason="a server is stopped in its tracks by a POSIX signal")
async def test_a_network_that_swallows_everything_is_waited_for_no_longer_than_a_second(
    live_server: LiveServer, browser: Any
) -> None:
    page = await kept(browser, live_server.url)
    live_server.pause()
    try:
        await page.reload()
        await page.wait_for_selector("text=server does not answer")
        assert await opened_in_ms(page) < WITHIN_MS
    finally:
        live_server.go_on()


async def test_when_the_server_is_back_the_page_says_so_and_offers_to_load_again(
    live_server: LiveServer, browser: Any
) -> None:
    page = await kept(browser, live_server.url)
    live_server.kill()
    await page.reload()
    live_server.start()
    await page.get_by_role("button", name="Load again").click()
    await page.wait_for_function("() => document.documentElement.dataset.offline === undefined")
    assert await page.locator(".offline").count() == 0


async def test_what_the_server_says_is_never_kept(live_server: LiveServer, browser: Any) -> None:
    page = await kept(browser, live_server.url)
    await page.wait_for_selector("#rehearsals li")
    paths = await page.evaluate(
        """async () => {
          const shelves = await Promise.all((await caches.keys()).map((name) => caches.open(name)))
          const kept = await Promise.all(shelves.map((shelf) => shelf.keys()))
          return kept.flat().map(({ url }) => new URL(url).pathname)
        }"""
    )
    assert paths
    assert [path for path in paths if not path.startswith(("/web/", "/clips/"))] == []
    live_server.kill()
    assert await page.evaluate("() => fetch('/api/rehearsals').then(() => 'answered', () => 'nothing')") == "nothing"


async def test_an_upgrade_is_seen_at_the_next_load_and_leaves_nothing_of_the_old_edition(
    tmp_path: Path, browser: Any
) -> None:
    web = tmp_path / "web"
    shutil.copytree(ROOT / "web", web, ignore=shutil.ignore_patterns("node_modules"))
    async with serving(replace(settings_for(tmp_path / "data"), web_dir=web)) as here:
        page = await kept(browser, f"http://127.0.0.1:{here.port}/")
        # The page itself stays as it was; what has changed lies beneath it.
        for changed, more in (("styles/base.css", "body { --edition: new; }"), ("lib/html.js", "self.edition = 'new'")):
            file = web / changed
            file.write_text(f"{file.read_text('utf-8')}\n{more}\n", "utf-8")
        await page.reload()
        assert await page.evaluate("self.edition") == "new"
        assert await page.evaluate("getComputedStyle(document.body).getPropertyValue('--edition').trim()") == "new"
        now = (await here.call("GET", "/api/health")).json()["edition"]
        async with asyncio.timeout(20):  # browsers let a page settle before they change its worker
            while await page.evaluate("() => caches.keys()") != [f"pages {now}"]:
                await asyncio.sleep(0.1)
    await page.reload()
    assert await page.evaluate("document.documentElement.dataset.offline !== undefined")
    assert await page.evaluate("self.edition") == "new", "and without the server too"


async def test_a_live_page_from_before_an_upgrade_says_so_once_the_server_answers(tmp_path: Path, browser: Any) -> None:
    web = tmp_path / "web"
    shutil.copytree(ROOT / "web", web, ignore=shutil.ignore_patterns("node_modules"))
    settings = replace(settings_for(tmp_path / "data"), web_dir=web)
    async with serving(settings) as here:
        port = here.port
        page = await kept(browser, f"http://127.0.0.1:{port}/bars/ABC234#a-ticket")
    await page.reload()
    await page.wait_for_selector("text=No connection")
    assert await page.get_by_text("newer pages").count() == 0
    changed = web / "lib" / "html.js"
    changed.write_text(changed.read_text("utf-8") + "\n// changed\n", "utf-8")
    async with serving(settings, port=port):
        await page.wait_for_selector("text=The server has newer pages than this device kept")


async def test_a_browser_finds_nothing_that_keeps_the_pages_from_being_installed(
    live_server: LiveServer, browser: Any
) -> None:
    page = await kept(browser, live_server.url)
    devtools = await page.context.new_cdp_session(page)
    errors = (await devtools.send("Page.getInstallabilityErrors"))["installabilityErrors"]
    # Nothing installs from a private window, and a test's windows are.
    assert [error["errorId"] for error in errors if error["errorId"] != "in-incognito"] == []
    manifest = await devtools.send("Page.getAppManifest")
    assert manifest["errors"] == []
    assert json.loads(manifest["data"])["start_url"] == "/"


# A race


OFFSET = "live.clock.now - Date.now()"


async def test_a_bar_screen_loaded_anew_without_the_server_goes_on_calling_on_time_and_hands_over_when_it_is_back(
    live_server: LiveServer, browser: Any
) -> None:
    _, _, links = await asyncio.to_thread(prepare, live_server)
    pages = await everybody_joins(browser, {name: links[name] for name in ("Director", "Maya")})
    await pages["Director"].get_by_role("button", name="10 s").click()
    await pages["Director"].get_by_role("button", name="Start the countdown").click()
    maya = pages["Maya"]
    await maya.wait_for_function("() => navigator.serviceWorker.controller && live.clock.now > 6000", timeout=40_000)
    before = await maya.evaluate(OFFSET)
    coming = await maya.evaluate("live.timeline.coming.filter((cue) => live.player.words(cue)).map((cue) => cue.id)")
    assert await maya.evaluate("live.timeline.known > 60000")

    await asyncio.to_thread(live_server.kill)
    await maya.reload()
    assert await opened_in_ms(maya) < WITHIN_MS
    await maya.wait_for_selector("text=/No connection: calling on alone.*Opened with what was known/")
    await maya.evaluate(NOTE_CUES)
    # The clock is kept to within what it owns up to, and a reload is short.
    off = abs(await maya.evaluate(OFFSET) - before)
    assert off <= await maya.evaluate("live.clock.error")
    assert off < 50
    # Her own switches come every 40 s; whatever is hers within 30 s is called in time, once, and heard.
    await maya.wait_for_function("() => live.clock.now > 36000", timeout=60_000, polling=200)
    shown = [cue for cue in await maya.evaluate("shown") if cue["id"] in coming]
    assert len(shown) >= 3
    assert len({cue["id"] for cue in shown}) == len(shown)
    assert max(abs(cue["at"] - cue["due"]) for cue in shown) < 500, "on a machine as busy as a test's"
    assert len([at for at in await maya.evaluate("starts") if at is not None]) >= 3

    await asyncio.to_thread(live_server.start)
    await maya.wait_for_function("() => live.socket.link === 'open' && live.recalled === null", timeout=30_000)
    assert await maya.evaluate("live.state.phase") == "racing"
    assert await maya.locator("link-strip li[data-key=link]").count() == 0


async def test_a_lobby_loaded_anew_without_the_server_shows_who_one_is_and_that_nothing_new_comes(
    live_server: LiveServer, browser: Any
) -> None:
    _, _, links = await asyncio.to_thread(prepare, live_server)
    (maya,) = (await everybody_joins(browser, {"Maya": links["Maya"]})).values()
    await maya.wait_for_function("() => navigator.serviceWorker.controller !== null")
    await asyncio.to_thread(live_server.kill)
    await maya.reload()
    await maya.wait_for_selector("text=You are Maya")
    await maya.wait_for_selector("text=/No connection: nothing new comes in/")


async def test_nothing_of_a_race_that_is_taken_off_the_list_stays_on_the_device(
    live_server: LiveServer, browser: Any
) -> None:
    code, _, links = await asyncio.to_thread(prepare, live_server)
    (maya,) = (await everybody_joins(browser, {"Maya": links["Maya"]})).values()
    kept_now = f"""async () => {{
      const {{ recallRace }} = await import('/web/lib/kept-race.js')
      const race = await recallRace('{code}', live.ticket, Date.now())
      return race && race.welcome.you.rider
    }}"""
    assert await maya.evaluate(kept_now) == "maya"
    await maya.evaluate(f"async () => (await import('/web/lib/keep.js')).forgetRace('{code}')")
    assert await maya.evaluate(kept_now) is None

"""What must work beside the voice: sound that a browser shuts, a screen that stays on, a buzz, the verb."""

import os
from collections.abc import AsyncIterator
from typing import Any

import pytest

from tests.conftest import CHROMIUM_FLAGS
from tests.web.stage import PHONE, PHONE_ACROSS, Stage, cue, here, lobby, racing, troubled, welcome
from tests.web.test_live_pages import reads


@pytest.fixture
async def strict_browser(chromium_path: str, playwright_driver: None) -> AsyncIterator[Any]:
    """A browser as people have it: no sound before the first touch."""
    from playwright.async_api import async_playwright

    as_root = hasattr(os, "geteuid") and os.geteuid() == 0
    flags = [flag for flag in CHROMIUM_FLAGS if "autoplay" not in flag]
    flags += ["--autoplay-policy=document-user-activation-required", *(["--no-sandbox"] if as_root else [])]
    async with async_playwright() as playwright:
        chromium = await playwright.chromium.launch(executable_path=chromium_path, args=flags)
        try:
            yield chromium
        finally:
            await chromium.close()


# Sound that is shut


@pytest.mark.parametrize("rider", [None, "maya"])
async def test_the_lobby_says_that_sound_is_blocked_and_one_tap_opens_it(
    strict_browser: Any, rider: str | None
) -> None:
    stage = await Stage.open(strict_browser, "/lobby/TEST23", [welcome(rider), lobby(), here()], viewport=PHONE)
    await reads(stage, "sound-check [role=status]", "Sound is blocked: tap once.")
    assert await stage.page.evaluate("live.voice.open") is False
    await stage.page.get_by_role("button", name="Play the sound").click()
    await stage.page.wait_for_function("() => live.voice.open")
    await stage.page.wait_for_function(
        "() => !document.querySelector('sound-check [role=status]').textContent.includes('blocked')"
    )


async def test_whoever_was_let_in_to_sound_in_the_lobby_sounds_in_the_race_without_another_touch(
    strict_browser: Any,
) -> None:
    stage = await Stage.open(strict_browser, "/lobby/TEST23", [welcome("maya"), lobby(), here()], viewport=PHONE)
    await stage.page.get_by_role("button", name="Play the sound").click()
    await stage.page.wait_for_function("() => live.voice.open")
    await stage.tell(racing(revision=30))
    await stage.page.wait_for_selector("big-cue .verb span")
    assert await stage.page.evaluate("live.voice.open")
    assert (await stage.page.inner_text(".bars .sound")).strip() == ""


@pytest.mark.parametrize(("path", "rider"), [("/bars/TEST23", "ana"), ("/desk/TEST23", None)])
async def test_a_page_opened_in_the_middle_of_a_race_says_that_it_wants_a_touch_for_its_sound(
    strict_browser: Any, path: str, rider: str | None
) -> None:
    stage = await Stage.open(strict_browser, path, [welcome(rider), racing()], clock_ms=300_000)
    await stage.page.wait_for_selector("text=/Touch for sound|touch this page or press a key to let it sound/")
    await stage.page.mouse.click(200, 300)
    await stage.page.wait_for_function("() => live.voice.open")
    await stage.page.wait_for_function("() => !/Touch for sound|to let it sound/.test(document.body.innerText)")


# A screen that stays on

LOCKS = """
window.locks = []
Object.defineProperty(navigator, 'wakeLock', { value: { request: async (what) => {
  if (window.refuse) throw new DOMException('not now', 'NotAllowedError')
  locks.push(what)
  return { addEventListener() {}, release() {} }
} } })
"""


async def test_a_live_page_keeps_its_screen_on_and_asks_again_when_it_is_seen_again(browser: Any) -> None:
    stage = await Stage.open(
        browser,
        "/bars/TEST23",
        [welcome("ana"), racing()],
        clock_ms=300_000,
        before=lambda page: page.add_init_script(LOCKS),
    )
    await stage.page.wait_for_function("() => locks.length === 1")
    # A browser lets go of it whenever the page is hidden.
    await stage.page.evaluate("() => document.dispatchEvent(new Event('visibilitychange'))")
    await stage.page.wait_for_function("() => locks.length === 2")
    assert await stage.page.evaluate("locks") == ["screen", "screen"]


@pytest.mark.parametrize("refused", [False, True])
async def test_the_lobby_warns_of_a_dark_screen_only_if_it_cannot_be_kept_on(browser: Any, refused: bool) -> None:
    async def before(page: Any) -> None:
        await page.add_init_script(LOCKS)
        await page.add_init_script(f"window.refuse = {str(refused).lower()}")

    stage = await Stage.open(browser, "/lobby/TEST23", [welcome("ana"), lobby(), here()], viewport=PHONE, before=before)
    warning = stage.page.get_by_text("Set the phone’s own screen timeout")
    await stage.page.wait_for_selector("sound-check")
    if refused:
        await warning.wait_for()
    else:
        await stage.page.wait_for_function("() => locks.length === 1")
        await stage.page.evaluate(
            "() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))"
        )
        assert not await warning.is_visible()


async def test_on_this_machine_a_browser_really_keeps_the_screen_on(live_server: Any, browser: Any) -> None:
    page = await browser.new_page()
    await page.goto(live_server.url)
    kept = await page.evaluate("async () => (await import('/web/lib/wake-lock.js')).keepAwake()")
    assert kept is True


# A buzz

BUZZ = "window.buzzes = []; navigator.vibrate = (pattern) => buzzes.push(pattern)"


async def test_what_must_not_be_missed_is_felt_by_whom_it_is_for_and_by_nobody_else(browser: Any) -> None:
    cues = (
        cue("stand_by", 301_200, "ana"),
        cue("terrain", 301_900, None, to=(), place="climb 1"),
        cue("switch", 302_600, "otto", to=("otto", "ana"), too_late_ms=700),
        cue("stop", 303_400, None, to=(), priority=0, too_late_ms=10_000),
    )
    felt = {}
    for rider in ("ana", "ben"):
        stage = await Stage.open(
            browser,
            "/bars/TEST23",
            [welcome(rider), racing(cues=cues)],
            viewport=PHONE,
            clock_ms=300_000,
            before=lambda page: page.add_init_script(BUZZ),
        )
        await stage.page.wait_for_function("() => live.clock.now > 303600")
        felt[rider] = await stage.page.evaluate("buzzes")
    assert [sum(pattern) for pattern in felt["ana"]] == [240, 200, 1_400]
    assert [sum(pattern) for pattern in felt["ben"]] == [1_400], "only the stop"


# The verb


@pytest.mark.parametrize("glass", [PHONE, PHONE_ACROSS], ids=["upright", "across"])
async def test_the_verb_fills_the_screen_and_nothing_lies_over_it(browser: Any, glass: dict[str, int]) -> None:
    stage = await Stage.open(
        browser, "/bars/TEST23", [welcome("ana"), racing(cues=(cue("close_gap", 301_000, "ana"),))],
        viewport=glass, clock_ms=300_000,
    )  # fmt: skip
    await stage.page.wait_for_selector("big-cue[data-field=now]")
    box = await stage.page.locator("big-cue").bounding_box()
    assert box["width"] == glass["width"]
    # Beside it are the riders' own taps and one line of the order.
    assert box["height"] >= glass["height"] / 2
    covered = await stage.page.evaluate(
        """() => {
          const verb = document.querySelector('big-cue .verb').getBoundingClientRect()
          const at = document.elementFromPoint(verb.x + verb.width / 2, verb.y + verb.height / 2)
          return !document.querySelector('big-cue').contains(at)
        }"""
    )
    assert covered is False


async def test_a_trouble_of_another_takes_nothing_from_the_own_verb(browser: Any) -> None:
    stage = await Stage.open(browser, "/bars/TEST23", [welcome("ana"), troubled()], viewport=PHONE, clock_ms=300_000)
    await reads(stage, "big-cue .verb", "Follow")

"""The voice on the pages before the race, in a real browser against the real server and its real engine."""

import asyncio
import re
from collections.abc import Iterator
from typing import Any

import pytest

from tests.conftest import LiveServer
from tests.web.test_setup_pages import DESK, PHONE, TEAM, make_race, new_page, saved, type_team

HEARD = """
const usual = HTMLMediaElement.prototype.play
window.heard = []
HTMLMediaElement.prototype.play = function () {
  const one = { clip: this.src, seconds: 0, ended: false }
  window.heard.push(one)
  this.addEventListener('ended', () => { one.seconds = this.currentTime; one.ended = true })
  return usual.call(this)
}
"""
"""What the page has played, and how far."""

ROWS = [[0, 20], [3_000, 22], [5_000, 110], [7_000, 25], [9_000, 20]]
GENEROUS_MS = 60_000
"""For a busy machine; a phrase is rendered in a hundredth of a second."""


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LiveServer]:
    """One running server, with its voice, for all of these tests."""
    shared = LiveServer(tmp_path_factory.mktemp("voice") / "data")
    try:
        shared.start()
        yield shared
    finally:
        shared.stop()


async def slide(page: Any, label: str, value: int) -> None:
    """Move a slider and let it go."""
    await (
        page.locator("setup-voice")
        .get_by_label(label)
        .evaluate(
            """(slider, value) => {
          slider.value = value
          for (const kind of ['input', 'change']) slider.dispatchEvent(new Event(kind, { bubbles: true }))
        }""",
            str(value),
        )
    )


async def played(page: Any, count: int) -> list[dict[str, Any]]:
    """What was played to its end, once there is so much of it."""
    await page.wait_for_function(
        "(count) => window.heard.filter((one) => one.ended).length >= count", arg=count, timeout=GENEROUS_MS
    )
    heard: list[dict[str, Any]] = await page.evaluate("window.heard")
    return heard


async def kept(server: LiveServer, code: str, ticket: str, language: str) -> dict[str, Any]:
    """The voice as the server has it, once the last change has come to it."""
    async with asyncio.timeout(GENEROUS_MS / 1000):
        while True:
            choice: dict[str, Any] = server.call("GET", f"/api/races/{code}/voice", ticket=ticket)["choice"]
            if choice["language"] == language:
                return choice
            await asyncio.sleep(0.05)


def open_race(server: LiveServer, *, languages: tuple[str, ...] = ("en", "en", "de")) -> tuple[str, str]:
    """A race with an open lobby. Answers its code and the director's ticket."""
    made = server.call("POST", "/api/races", {"name": "Spoken race"})
    path, ticket = f"/api/races/{made['code']}", made["ticket"]
    figures = {"mass_kg": 70, "critical_power_w": 300, "w_prime_j": 18_000, "drag_area_m2": 0.22}
    riders = [
        {"name": name, "language": tongue, **figures}
        for name, tongue in zip(("Maya", "Otto", "Ana"), languages, strict=True)
    ]
    server.call("PUT", f"{path}/riders", riders, ticket)
    server.call("PUT", f"{path}/rules", {"counted": 3}, ticket)
    server.call("PUT", f"{path}/course-table", {"name": "Nine", "rows": ROWS}, ticket)
    server.call("POST", f"{path}/plan", {"method": "steady"}, ticket)
    server.call("POST", f"{path}/open", None, ticket)
    return made["code"], ticket


@pytest.mark.parametrize("viewport", [DESK, PHONE], ids=["desk", "phone"])
async def test_a_voice_is_chosen_heard_and_there_after_a_reload(
    server: LiveServer, browser: Any, viewport: dict[str, int]
) -> None:
    async with new_page(browser, viewport) as page:
        await page.add_init_script(HEARD)
        code, ticket = await make_race(page, server)
        part = page.locator("setup-voice")
        await part.get_by_label("Voice for English").select_option(label="English (Received Pronunciation)")
        await saved(page)
        await part.get_by_role("button", name="Hear it: English").click()
        usual = (await played(page, 1))[0]
        await slide(page, "Pace", 100)
        await slide(page, "Loudness", 60)
        await part.get_by_label("Team voice speaks").select_option(label="español")
        await saved(page)
        await part.get_by_role("button", name="Hear it: español").click()
        await part.get_by_text("100 words a minute").wait_for()
        assert (await played(page, 2))[1]["clip"] != usual["clip"]
        await kept(server, code, ticket, "es")
        await page.reload()
        await page.locator("#setup").wait_for(state="visible")
        await part.get_by_text("60 %").wait_for(timeout=60_000)
        assert await part.get_by_label("Pace").input_value() == "100"
        assert await part.get_by_label("Team voice speaks").input_value() == "es"
    choice = await kept(server, code, ticket, "es")
    assert (choice["rate"], choice["loudness"], choice["voices"]["en"]) == (100, 0.6, "en-gb-x-rp")


async def test_the_voice_of_each_language_somebody_hears_can_be_chosen_and_no_other(
    server: LiveServer, browser: Any
) -> None:
    async with new_page(browser, DESK) as page:
        await make_race(page, server)
        await type_team(page)
        await page.locator(".rider").nth(1).get_by_label("Hears").select_option(label="Deutsch")
        await saved(page)
        await page.locator("setup-voice li").nth(1).wait_for()
        rows = await page.locator("setup-voice li").all_inner_texts()
        heard = [re.split(r"\s*\n\s*", row)[:2] for row in rows]
        assert heard == [["English", "team voice, Maya, Ana, Kofi"], ["Deutsch", "Otto"]]


async def test_a_respelled_name_is_heard_from_the_riders_form(server: LiveServer, browser: Any) -> None:
    async with new_page(browser, DESK) as page:
        await page.add_init_script(HEARD)
        await make_race(page, server)
        await type_team(page, ({**TEAM[0], "Name": "Jörg"}, TEAM[1]))
        await saved(page)
        async with page.expect_response("**/voice/hear") as plain:
            await page.get_by_role("button", name="Hear Jörg").click()
        await page.locator(".rider").first.get_by_label("Spoken as").fill("Yorg")
        async with page.expect_response("**/voice/hear") as respelled:
            await page.get_by_role("button", name="Hear Jörg").click()
        assert (await (await plain.value).json())["text"] == "Jörg, you're next"
        assert (await (await respelled.value).json())["text"] == "Yorg, you're next"
        heard = await played(page, 1)  # the second took the place of the first, if that still played
        assert len({one["clip"] for one in heard}) == 2
        await page.locator(".rider").first.get_by_label("Spoken as").fill("")
        await page.locator(".rider").first.get_by_label("Name").fill("")
        await page.locator(".rider").first.get_by_role("button", name="Hear").click()
        await page.get_by_text("spoken name: found ''; expected 1 to 24 printable characters").wait_for()


async def test_the_lobby_says_when_all_is_rendered_and_lets_the_director_change_the_voice(
    server: LiveServer, browser: Any
) -> None:
    code, ticket = open_race(server)
    async with new_page(browser, DESK) as page:
        await page.add_init_script(HEARD)
        await page.goto(f"{server.url}/lobby/{code}#{ticket}")
        await page.get_by_text(re.compile(r"All \d+ calls are ready to be said")).wait_for(timeout=GENEROUS_MS)
        await page.get_by_text("Voice, pace, loudness").click()
        await page.get_by_role("button", name="Hear it: Deutsch").click()
        await played(page, 1)
        await page.locator("setup-voice").get_by_label("Team voice speaks").select_option(label="français")
        await page.wait_for_function("() => live.welcome.language === 'fr'")
        assert await page.evaluate("Object.keys(live.state.sound_check[0].said)") == ["fr", "en"]
        await page.get_by_text(re.compile(r"The voice prepares the calls: \d+ of \d+")).wait_for()
        await page.get_by_text(re.compile(r"All \d+ calls are ready to be said")).wait_for(timeout=GENEROUS_MS)


async def test_the_desk_speaks_the_directors_language_and_a_riders_phone_the_riders(
    server: LiveServer, browser: Any
) -> None:
    code, ticket = open_race(server)
    server.call("PUT", f"/api/races/{code}/voice", {"language": "it"}, ticket)
    links = server.call("POST", f"/api/races/{code}/open", None, ticket)["riders"]
    async with new_page(browser, DESK) as desk, new_page(browser, PHONE) as bars:
        await desk.goto(f"{server.url}/lobby/{code}#{ticket}")
        await bars.goto(next(link["url"] for link in links if link["rider"] == "ana"))
        await bars.wait_for_function("() => window.live?.state?.phase === 'lobby'")
        await desk.get_by_role("button", name="10 s").click()
        await desk.get_by_role("button", name="Start the countdown").click()
        await desk.locator(".desk").wait_for()
        await bars.wait_for_selector("big-cue .verb")
        await desk.keyboard.press("3")
        await desk.keyboard.press("e")
        await desk.get_by_text("Ana, piano").first.wait_for(timeout=GENEROUS_MS)
        said = "[...live.timeline.coming].find((cue) => cue.kind === 'stand_by' && cue.rider === 'ana')?.said"
        await bars.wait_for_function(f"() => {said} !== undefined")
        assert await bars.evaluate(f"Object.keys({said})") == ["it", "de"]
        assert await bars.evaluate("document.querySelector('.bars').lang") == "de"

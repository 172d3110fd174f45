"""The set-up page's plan: worked out, broken off, found again; wishes, what if, turns by hand, names, the briefing."""

import asyncio
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import LiveServer
from tests.web.test_setup_pages import DESK, PHONE, give_course, make_plan, make_race, new_page, saved, type_team

LONG = "0\t100\n9\t110\n14\t360\n20\t120\n31\t130\n34\t290\n38\t110\n60\t100"
"""Sixty kilometres and two climbs: a search that takes a while."""


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LiveServer]:
    """One running server for all of these tests: each makes a race of its own."""
    shared = LiveServer(tmp_path_factory.mktemp("plans") / "data")
    try:
        shared.start()
        yield shared
    finally:
        shared.stop()


async def ready_race(page: Any, server: LiveServer, tmp_path: Path) -> tuple[str, str]:
    """A race with a course and four riders, saved. Answers its code and the director's ticket."""
    made = await make_race(page, server)
    await give_course(page, tmp_path)
    await type_team(page)
    await saved(page)
    return made


async def long_race(page: Any, server: LiveServer) -> tuple[str, str]:
    """The same on a course that takes long to plan for."""
    made = await make_race(page, server)
    await page.get_by_text("No file? Type a table").click()
    await page.get_by_label("Distance and height").fill(LONG)
    await page.get_by_role("button", name="Draw this course").click()
    await page.locator("setup-course setup-silhouette").wait_for(timeout=20_000)
    await type_team(page)
    await saved(page)
    return made


def columns(page: Any) -> Any:
    return page.locator(".whatif-table thead th")


async def test_a_plan_is_found_again_after_a_reload_and_a_cancelled_one_leaves_nothing(
    server: LiveServer, browser: Any
) -> None:
    async with new_page(browser, DESK) as page:
        code, ticket = await long_race(page, server)
        step = page.locator("setup-plan > setup-work")
        await page.get_by_role("button", name="Work out the plan").click()
        await step.locator(".work-words", has_text="%").wait_for(timeout=20_000)
        await page.reload()
        await step.locator(".work-words", has_text="%").wait_for(timeout=20_000)
        assert await page.get_by_role("button", name="Working it out").is_disabled()
        await step.get_by_role("button", name="Cancel").click()
        await step.wait_for(state="hidden")
        await page.get_by_role("button", name="Work out the plan", disabled=False).wait_for()
        async with asyncio.timeout(10):  # the page doesn't wait for the server to break it off
            while not server.call("GET", f"/api/races/{code}/work", ticket=ticket)["over"]:
                await asyncio.sleep(0.05)
        assert server.call("GET", f"/api/races/{code}", ticket=ticket)["plan"] is None
        await page.get_by_role("button", name="Work out the plan").click()
        await step.locator(".work-words", has_text="%").wait_for(timeout=20_000)
        await page.reload()
        await page.locator(".plan-finish").wait_for(timeout=60_000)
        assert await step.is_hidden()


async def test_a_wish_is_kept_honoured_and_told_in_the_briefing(
    server: LiveServer, browser: Any, tmp_path: Path
) -> None:
    async with new_page(browser, PHONE) as page:
        code, ticket = await ready_race(page, server, tmp_path)
        await page.get_by_text("A rider who should lead shortly").click()
        await page.get_by_label("Ana on climbs").select_option("doesn’t lead")
        await saved(page)
        await page.reload()
        await page.get_by_text("Wishes: Ana doesn’t lead on climbs").wait_for()
        await make_plan(page)
        plan = server.call("GET", f"/api/races/{code}", ticket=ticket)["plan"]
        climb = next(rule for rule in plan["rules"] if rule["name"] == "climb 1")
        assert {turn["rider"]: turn["length_s"] for turn in climb["turns"]}["ana"] == 0
        for rider in ("Maya", "Otto", "Kofi"):
            await page.get_by_label(f"{rider} on climbs").select_option("doesn’t lead", force=True)
        await saved(page)
        await page.get_by_role("button", name="Work out the plan").click()
        await page.locator(".no-plan", has_text="nobody who leads on climb 1").wait_for(timeout=20_000)
        for rider in ("Maya", "Otto", "Kofi"):
            await page.get_by_label(f"{rider} on climbs").select_option("leads as planned", force=True)
        await saved(page)
        await make_plan(page)
        await page.goto(f"{server.url}/briefing/{code}#{ticket}")
        await page.get_by_text("Agreed: Ana doesn’t lead on climbs.").wait_for()
        await page.get_by_text("you don’t lead here, as agreed").wait_for()


async def test_what_if_stands_beside_the_plan_and_one_tap_takes_it(
    server: LiveServer, browser: Any, tmp_path: Path
) -> None:
    async with new_page(browser, DESK) as page:
        code, ticket = await ready_race(page, server, tmp_path)
        await page.locator(".counted-row label").filter(has_text="3").click()  # the time counts on rider number 3
        await saved(page)
        await make_plan(page)
        before = await page.locator(".plan-finish b").text_content()
        what_if = page.locator("setup-whatif")
        await what_if.get_by_label("Rider").select_option("Maya")
        await what_if.get_by_label("By how many per cent").fill("−5,5")
        await what_if.get_by_role("button", name="Try it").click()
        await columns(page).filter(has_text="Maya 5.5 % weaker").wait_for(timeout=60_000)
        await what_if.get_by_label("What if").select_option("a rider is left out")
        await what_if.get_by_label("Rider").select_option("Ana")
        await what_if.get_by_role("button", name="Try it").click()
        await columns(page).filter(has_text="without Ana").wait_for(timeout=60_000)
        await page.reload()
        await columns(page).filter(has_text="without Ana").wait_for()
        assert await columns(page).count() == 3
        assert await page.locator(".plan-finish b").text_content() == before
        await page.get_by_role("button", name="Take as the plan: without Ana").click()
        await page.get_by_role("columnheader", name="with Ana", exact=True).wait_for()
        names = [await one.input_value() for one in await page.locator(".cell-name input").all()]
        assert names == ["Maya", "Otto", "Kofi"]
        assert len(server.call("GET", f"/api/races/{code}", ticket=ticket)["plan"]["order"]) == 3
        await page.get_by_role("button", name="Take as the plan: with Ana", exact=True).click()
        await columns(page).filter(has_text="without Ana").wait_for()
        assert await page.locator(".plan-finish b").text_content() == before


async def test_what_cannot_be_tried_is_told_where_it_was_asked(
    server: LiveServer, browser: Any, tmp_path: Path
) -> None:
    async with new_page(browser, DESK) as page:
        await ready_race(page, server, tmp_path)
        await make_plan(page)
        what_if = page.locator("setup-whatif")
        said = what_if.locator("> .refusal")
        await what_if.get_by_label("By how many per cent").fill("a lot")
        await what_if.get_by_role("button", name="Try it").click()
        await said.filter(has_text="per cent: found “a lot”; expected a number").wait_for()
        await what_if.get_by_label("What if").select_option("a rider is left out")
        await what_if.get_by_role("button", name="Try it").click()
        await said.filter(has_text="found 4 with 3 riders").wait_for()
        await page.get_by_text("Change turns or order by hand").click()
        await page.get_by_label("Ana on climb 1, seconds").fill("twice")
        await page.get_by_role("button", name="See what happens").click()
        await said.filter(has_text="Ana on climb 1: found “twice”; expected seconds").wait_for()
        await page.get_by_label("Ana on climb 1, seconds").fill("80")
        await page.get_by_role("button", name="See what happens").click()
        await columns(page).filter(has_text="Ana on climb 1: 80 s instead of").wait_for(timeout=30_000)
        assert await said.text_content() == ""


async def test_parts_of_the_course_can_be_named_and_the_plan_stays(
    server: LiveServer, browser: Any, tmp_path: Path
) -> None:
    async with new_page(browser, DESK) as page:
        await ready_race(page, server, tmp_path)
        await make_plan(page)
        finish = await page.locator(".plan-finish b").text_content()
        await page.get_by_text("1 climb, 2 flats").click()
        await page.get_by_label("Name of climb 1").fill("Heron hill")
        await page.get_by_label("Name of landmark top of climb 1").fill("The mast")
        await page.keyboard.press("Tab")
        await page.locator(".turns thead", has_text="Heron hill").first.wait_for()
        await page.locator(".times", has_text="The mast").wait_for()
        assert await page.locator(".plan-finish b").text_content() == finish
        await page.get_by_label("Name of climb 1").fill("")
        await page.keyboard.press("Tab")
        await page.locator("setup-course .refusal", has_text="expected 1 to 40 printable characters").wait_for()


async def test_what_a_choice_buys_is_told_as_it_is_found_and_stays_when_the_rest_is_broken_off(
    server: LiveServer, browser: Any, tmp_path: Path
) -> None:
    async with new_page(browser, DESK) as page:
        await ready_race(page, server, tmp_path)
        await make_plan(page)
        await page.get_by_role("button", name="Work out what each choice buys").click()
        first = page.locator(".effect-table [data-effect=climbs]")
        await first.wait_for(timeout=60_000)
        await page.locator(".effects").get_by_role("button", name="Cancel").click()
        await page.locator(".effects setup-work").wait_for(state="hidden")
        assert await page.get_by_role("button", name="Work out what each choice buys").is_enabled()
        told = await first.locator("td.number").text_content()
        await page.reload()
        await first.wait_for()
        assert await first.locator("td.number").text_content() == told

"""The pages before the race in a real browser against the real server: home, set-up, briefing, join.

Riders, course and figures are made up.
"""

import re
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

from tests.conftest import LiveServer

DESK = {"width": 1440, "height": 900}
PHONE = {"width": 390, "height": 844}

TEAM = (
    {"Name": "Maya", "Body mass": "58", "Critical power": "255", "W′": "15.5", "Drag area": "0.215"},
    {"Name": "Otto", "Body mass": "78", "Critical power": "330", "W′": "21", "Drag area": "0.245"},
    {"Name": "Ana", "Body mass": "54,5", "Critical power": "238", "W′": "14", "Drag area": "0.205"},
    {"Name": "Kofi", "Body mass": "70", "Critical power": "305", "W′": "19.5", "Drag area": "0.235"},
)
"""As somebody types them: W′ in kilojoules, one decimal comma."""


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LiveServer]:
    """One running server for all of these tests: each makes a race of its own."""
    shared = LiveServer(tmp_path_factory.mktemp("setup") / "data")
    try:
        shared.start()
        yield shared
    finally:
        shared.stop()


def course_file(path: Path) -> Path:
    """Twelve made-up kilometres along a meridian: flat, three kilometres up at 6 %, flat."""
    points = []
    for step in range(241):
        at_m = step * 50
        height_m = 100 + 0.06 * min(max(at_m - 5_000, 0), 3_000)
        # One degree of latitude is about 111.1 km on the WGS84 ellipsoid around 45 degrees.
        points.append(f'<trkpt lat="{45 + at_m / 111_100:.7f}" lon="7.0"><ele>{height_m:.1f}</ele></trkpt>')
    path.write_text(f"<gpx><trk><name>Heron road</name><trkseg>{''.join(points)}</trkseg></trk></gpx>", "utf-8")
    return path


@asynccontextmanager
async def new_page(browser: Any, viewport: dict[str, int], **more: Any) -> AsyncIterator[Any]:
    """A page of its own, which fails the test if a script on it throws."""
    context = await browser.new_context(viewport=viewport, **more)
    page = await context.new_page()
    thrown: list[str] = []
    page.on("pageerror", lambda error: thrown.append(str(error)))
    try:
        yield page
    finally:
        await context.close()
    assert not thrown, thrown


async def make_race(page: Any, server: LiveServer, name: str = "Heron road evening") -> tuple[str, str]:
    """From home to a new race's set-up page. Answers its code and the director's ticket."""
    await page.goto(server.url)
    await page.get_by_label("Name of the race").fill(name)
    await page.keyboard.press("Enter")
    await page.wait_for_url("**/race/*")
    await page.locator("#setup").wait_for(state="visible")
    parts = urlsplit(page.url)
    return parts.path.rsplit("/", 1)[1], parts.fragment


async def type_team(page: Any, team: tuple[dict[str, str], ...] = TEAM) -> None:
    """Riders into the table, a row each, and out of the last field so that they are saved."""
    rows = page.locator(".rider")
    for index, rider in enumerate(team):
        if await rows.count() <= index:
            await page.get_by_role("button", name="Add a rider").click()
        for label, text in rider.items():
            await rows.nth(index).get_by_label(label).first.fill(text)
    await page.keyboard.press("Tab")


async def saved(page: Any) -> None:
    """Wait until the page says that everything is saved."""
    await page.locator("#saving[data-state=saved]").wait_for(timeout=10_000)


async def give_course(page: Any, tmp_path: Path) -> None:
    """Choose the course file and wait until it is drawn."""
    await page.set_input_files("#course-file", course_file(tmp_path / "heron.gpx"))
    await page.locator("setup-course setup-silhouette").wait_for(timeout=20_000)


async def make_plan(page: Any) -> None:
    """Ask for the plan and wait for it."""
    await page.get_by_role("button", name="Work out the plan").click()
    await page.locator(".plan-finish").wait_for(timeout=60_000)


# From nothing to links


async def test_a_new_director_gets_from_a_file_to_links(server: LiveServer, browser: Any, tmp_path: Path) -> None:
    async with new_page(browser, DESK) as page:
        code, ticket = await make_race(page, server)
        await give_course(page, tmp_path)
        await type_team(page)
        await saved(page)
        await make_plan(page)
        await page.get_by_role("button", name="Open the lobby").click()
        await page.locator(".join-code").wait_for()
        assert await page.locator(".join-code").text_content() == code
        assert await page.locator(".rider-name").all_text_contents() == ["Maya", "Otto", "Ana", "Kofi"]
        assert await page.locator("setup-links img.qr").count() == 1 + 4
    kept = server.call("GET", f"/api/races/{code}", ticket=ticket)
    # Kilojoules as typed are joules on the wire, a decimal comma is a decimal point.
    assert [rider["w_prime_j"] for rider in kept["riders"]] == [15_500, 21_000, 14_000, 19_500]
    assert kept["riders"][2]["mass_kg"] == 54.5
    assert kept["phase"] == "lobby"


async def test_codes_to_scan_are_drawn_under_the_servers_content_rules(
    server: LiveServer, browser: Any, tmp_path: Path
) -> None:
    async with new_page(browser, PHONE) as page:
        await make_race(page, server)
        await give_course(page, tmp_path)
        await type_team(page)
        await saved(page)
        await make_plan(page)
        await page.get_by_role("button", name="Open the lobby").click()
        await page.locator("img.qr").first.wait_for()
        drawn = await page.eval_on_selector_all("img.qr", "all => all.map(one => one.naturalWidth)")
        assert len(drawn) == 5
        assert min(drawn) > 0


async def test_a_course_can_be_typed_as_a_table(server: LiveServer, browser: Any) -> None:
    async with new_page(browser, DESK) as page:
        code, ticket = await make_race(page, server)
        await page.get_by_text("No file? Type a table").click()
        await page.get_by_label("Name of the course").fill("Quay and hill")
        await page.get_by_label("Distance and height").fill("km\tm\n0\t12\n4,5\t18\n7\t140\n11\t20")
        await page.get_by_role("button", name="Draw this course").click()
        await page.locator("setup-course setup-silhouette").wait_for(timeout=20_000)
        await page.get_by_text("Quay and hill").first.wait_for()
    kept = server.call("GET", f"/api/races/{code}", ticket=ticket)
    assert kept["course"]["length_m"] == pytest.approx(11_000, abs=1)


# Refusals stand where they were caused


async def test_a_refused_figure_is_told_beside_its_field_and_leaves_with_its_cause(
    server: LiveServer, browser: Any
) -> None:
    async with new_page(browser, DESK) as page:
        await make_race(page, server)
        await type_team(page)
        await saved(page)
        row = page.locator(".rider").nth(2)
        power = row.get_by_label("Critical power")
        await power.fill("4.4")
        await page.keyboard.press("Tab")
        await row.get_by_text("watts per kilogram").wait_for()
        assert await power.get_attribute("aria-invalid") == "true"
        described = await power.get_attribute("aria-describedby")
        sentence = await page.locator(f"#{described}").text_content()
        assert sentence is not None
        assert sentence.startswith("rider Ana, critical power: found 4.4 W")
        assert await page.get_by_role("button", name="Work out the plan").is_disabled()
        await power.fill("238")
        await page.keyboard.press("Tab")
        await saved(page)
        assert await power.get_attribute("aria-invalid") is None
        assert await row.locator(".refusal").text_content() == ""


async def test_joules_typed_as_kilojoules_are_refused_in_kilojoules(server: LiveServer, browser: Any) -> None:
    async with new_page(browser, DESK) as page:
        await make_race(page, server)
        await type_team(page, ({**TEAM[0], "W′": "15500"}, TEAM[1]))
        said = page.locator(".rider").first.locator(".refusal")
        await said.filter(has_text="found").wait_for()
        assert "found 15500; expected 3 to 45 kJ" in (await said.text_content() or "")


async def test_a_refused_rule_is_told_beside_its_field_in_the_forms_own_unit(server: LiveServer, browser: Any) -> None:
    async with new_page(browser, DESK) as page:
        await make_race(page, server)
        field = page.get_by_label("Keep in reserve")
        await field.fill("90")
        await page.keyboard.press("Tab")
        refusal = page.locator(".field.refused .refusal")
        await refusal.wait_for()
        assert await refusal.text_content() == "Keep in reserve: found 90; expected 0 to 50 % of W′"
        assert await refusal.get_attribute("id") in (await field.get_attribute("aria-describedby") or "").split()


async def test_a_file_that_is_no_course_is_refused_beside_the_file(
    server: LiveServer, browser: Any, tmp_path: Path
) -> None:
    letter = tmp_path / "letter.gpx"
    letter.write_text("Dear team, see you at eight.", "utf-8")
    async with new_page(browser, DESK) as page:
        await make_race(page, server)
        await page.set_input_files("#course-file", letter)
        refusal = page.locator("#course-file-refusal")
        await refusal.filter(has_text="letter.gpx").wait_for()
        described = await page.locator("#course-file").get_attribute("aria-describedby")
        assert "course-file-refusal" in (described or "").split()
        await give_course(page, tmp_path)
        assert await refusal.text_content() == ""


# Nothing is lost


async def test_a_reload_loses_nothing_whether_accepted_refused_or_half_typed(
    server: LiveServer, browser: Any, tmp_path: Path
) -> None:
    async with new_page(browser, DESK) as page:
        await make_race(page, server)
        await give_course(page, tmp_path)
        await type_team(page)
        await saved(page)
        await page.get_by_label("Longest turn").fill("75")
        await page.keyboard.press("Tab")
        await page.get_by_label("Keep in reserve").fill("90")  # refused
        await page.keyboard.press("Tab")
        await page.locator(".field.refused").wait_for()
        await page.get_by_role("button", name="Add a rider").click()
        await page.locator(".rider").nth(4).get_by_label("Name").first.fill("Le")  # in the middle of a word
        await page.reload()
        await page.locator("setup-course setup-silhouette").wait_for()
        assert await page.get_by_label("Longest turn").input_value() == "75"
        assert await page.get_by_label("Keep in reserve").input_value() == "90"
        assert await page.locator(".rider").nth(4).get_by_label("Name").first.input_value() == "Le"
        assert await page.locator(".rider").nth(2).get_by_label("Body mass").input_value() == "54,5"
        await page.locator(".field.refused").wait_for()  # and it is told again why


async def test_what_was_typed_while_the_server_was_away_arrives_when_it_is_back(
    live_server: LiveServer, browser: Any
) -> None:
    async with new_page(browser, DESK) as page:
        code, ticket = await make_race(page, live_server)
        await type_team(page)
        await saved(page)
        live_server.kill()
        await page.locator(".rider").first.get_by_label("Body mass").fill("57")
        await page.keyboard.press("Tab")
        await page.locator("#saving[data-state=waiting]").wait_for()
        live_server.start()
        await page.reload()
        await saved(page)
        assert await page.locator(".rider").first.get_by_label("Body mass").input_value() == "57"
    kept = live_server.call("GET", f"/api/races/{code}", ticket=ticket)
    assert kept["riders"][0]["mass_kg"] == 57


async def test_what_found_no_server_is_sent_on_request_without_a_reload(live_server: LiveServer, browser: Any) -> None:
    async with new_page(browser, DESK) as page:
        code, ticket = await make_race(page, live_server)
        await type_team(page)
        await saved(page)
        live_server.kill()
        await page.get_by_label("Longest turn").fill("75")
        await page.keyboard.press("Tab")
        await page.locator("#saving[data-state=waiting]").wait_for()
        live_server.start()
        await page.get_by_role("button", name="Send now").click()
        await saved(page)
    assert live_server.call("GET", f"/api/races/{code}", ticket=ticket)["rules"]["longest_turn_s"] == 75


async def test_a_page_kept_open_does_not_push_old_figures_over_newer_ones(server: LiveServer, browser: Any) -> None:
    async with new_page(browser, DESK) as page:
        code, ticket = await make_race(page, server)
        await type_team(page)
        await saved(page)
        riders = server.call("GET", f"/api/races/{code}", ticket=ticket)["riders"]
        told = {"drag_area_estimated", "initials", "mark", "hue"}  # what the server says, and nobody tells it
        riders = [{key: rider[key] for key in rider if key not in told} for rider in riders]
        riders[0]["mass_kg"] = 60.5  # somebody else, on another device
        server.call("PUT", f"/api/races/{code}/riders", riders, ticket=ticket)
        await page.reload()
        await page.locator("#setup").wait_for(state="visible")
        assert await page.locator(".rider").first.get_by_label("Body mass").input_value() == "60.5"
        await saved(page)
    assert server.call("GET", f"/api/races/{code}", ticket=ticket)["riders"][0]["mass_kg"] == 60.5


async def test_a_removed_rider_can_be_put_back(server: LiveServer, browser: Any) -> None:
    async with new_page(browser, DESK) as page:
        await make_race(page, server)
        await type_team(page)
        await page.get_by_role("button", name="Remove Otto").click()
        names = page.locator(".cell-name input")
        assert [await one.input_value() for one in await names.all()] == ["Maya", "Ana", "Kofi"]
        await page.get_by_role("button", name="Put back").click()
        assert [await one.input_value() for one in await names.all()] == ["Maya", "Otto", "Ana", "Kofi"]
        await saved(page)


async def test_a_roster_saved_in_one_race_is_at_hand_in_the_next(server: LiveServer, browser: Any) -> None:
    async with new_page(browser, DESK) as page:
        await make_race(page, server)
        await type_team(page)
        await page.get_by_text("Save these riders").click()
        await page.get_by_label("Keep these riders under the name").fill("Evening four")
        await page.get_by_role("button", name="Keep", exact=True).click()
        code, ticket = await make_race(page, server, "Another evening")
        await page.get_by_text("Saved rosters (1)").click()
        await page.get_by_role("button", name="Use Evening four").click()
        await saved(page)
    kept = server.call("GET", f"/api/races/{code}", ticket=ticket)
    assert [rider["name"] for rider in kept["riders"]] == ["Maya", "Otto", "Ana", "Kofi"]


# Typing less


PASTED = "Rider\tWeight (kg)\tCP\tW′ (J)\tCdA\nMaya\t58\t255\t15500\t0,215\nOtto\t78\t330\t21000\t181"
"""Out of a spreadsheet: its own headings, joules, a decimal comma, and for Otto a height instead of a drag area."""


async def test_rows_pasted_from_a_spreadsheet_fill_the_table(server: LiveServer, browser: Any) -> None:
    async with new_page(browser, DESK) as page:
        code, ticket = await make_race(page, server)
        await page.locator(".rider").first.get_by_label("Name").first.focus()
        await page.evaluate(
            """text => {
              const clipboardData = new DataTransfer()
              clipboardData.setData('text/plain', text)
              const how = { clipboardData, bubbles: true, cancelable: true }
              document.activeElement.dispatchEvent(new ClipboardEvent('paste', how))
            }""",
            PASTED,
        )
        await page.locator("#stations [data-step=riders] .status", has_text="2 riders").wait_for()
    maya, otto = server.call("GET", f"/api/races/{code}", ticket=ticket)["riders"]
    assert (maya["w_prime_j"], maya["drag_area_m2"], maya["drag_area_estimated"]) == (15_500, 0.215, False)
    assert (otto["height_cm"], otto["drag_area_estimated"]) == (181, True)


async def test_changing_the_unit_of_w_prime_changes_no_riders_figure(server: LiveServer, browser: Any) -> None:
    async with new_page(browser, DESK) as page:
        code, ticket = await make_race(page, server)
        await type_team(page)
        await saved(page)
        await page.get_by_label("joules (J)", exact=True).check()
        assert await page.locator(".rider").first.get_by_label("W′").input_value() == "15500"
        await saved(page)
    kept = server.call("GET", f"/api/races/{code}", ticket=ticket)
    assert kept["riders"][0]["w_prime_j"] == 15_500


async def test_a_duplicate_is_another_rider_with_the_same_figures(server: LiveServer, browser: Any) -> None:
    async with new_page(browser, DESK) as page:
        code, ticket = await make_race(page, server)
        await type_team(page)
        await saved(page)
        await page.get_by_role("button", name="Duplicate Maya").click()
        await page.keyboard.type("Mira")  # the new row's name has the focus
        await page.keyboard.press("Tab")
        await page.locator("#stations [data-step=riders] .status", has_text="5 riders").wait_for()
    riders = server.call("GET", f"/api/races/{code}", ticket=ticket)["riders"]
    assert [rider["name"] for rider in riders] == ["Maya", "Mira", "Otto", "Ana", "Kofi"]
    assert riders[0]["id"] != riders[1]["id"]
    assert riders[0]["mass_kg"] == riders[1]["mass_kg"]


# The plan


async def test_a_changed_figure_takes_the_plan_away_and_a_new_one_can_be_made(
    server: LiveServer, browser: Any, tmp_path: Path
) -> None:
    async with new_page(browser, DESK) as page:
        await make_race(page, server)
        await give_course(page, tmp_path)
        await type_team(page)
        await saved(page)
        await make_plan(page)
        before = await page.locator(".plan-finish b").text_content()
        await page.locator(".rider").nth(1).get_by_label("Critical power").fill("250")
        await page.keyboard.press("Tab")
        await page.locator(".plan-finish").wait_for(state="detached")
        await make_plan(page)
        assert await page.locator(".plan-finish b").text_content() != before


async def test_planning_can_be_called_off_and_asked_for_again(server: LiveServer, browser: Any, tmp_path: Path) -> None:
    async with new_page(browser, DESK) as page:
        await make_race(page, server)
        await give_course(page, tmp_path)
        await type_team(page)
        await saved(page)
        held: list[Any] = []
        await page.route("**/api/races/*/plan", lambda route: held.append(route))
        await page.get_by_role("button", name="Work out the plan").click()
        await page.get_by_role("button", name="Cancel").click()
        await page.get_by_role("progressbar").wait_for(state="hidden")
        assert await page.locator(".plan-finish").count() == 0
        assert len(held) == 1
        await page.unroute("**/api/races/*/plan")
        await make_plan(page)


async def test_why_there_is_no_plan_is_told_where_it_was_asked_for(
    server: LiveServer, browser: Any, tmp_path: Path
) -> None:
    sentence = "Ana cannot hold the line on climb 1, short by 31 W; slow down there, or count on fewer"
    async with new_page(browser, DESK) as page:
        await make_race(page, server)
        await give_course(page, tmp_path)
        await type_team(page)
        await saved(page)
        told = {"code": "no_plan", "sentence": sentence}
        await page.route("**/api/races/*/plan", lambda route: route.fulfill(status=422, json=told))
        await page.get_by_role("button", name="Work out the plan").click()
        await page.locator("setup-plan .refusal", has_text=sentence).wait_for()


async def test_the_plan_page_shows_each_rider_on_each_stretch(server: LiveServer, browser: Any, tmp_path: Path) -> None:
    async with new_page(browser, DESK) as page:
        code, ticket = await make_race(page, server)
        await give_course(page, tmp_path)
        await type_team(page)
        await saved(page)
        await make_plan(page)
        plan = server.call("GET", f"/api/races/{code}", ticket=ticket)["plan"]
        rows = page.locator("setup-plan .turns tbody tr")
        assert await rows.count() == len(plan["order"])
        first = plan["rules"][0]
        for row, rider in zip(await rows.all(), plan["order"], strict=True):
            turn = next(one for one in first["turns"] if one["rider"] == rider)
            cell = await row.locator("td").first.inner_text()
            wanted = f"{turn['length_s']:.0f} s" if turn["length_s"] else "follows"
            assert cell.startswith(wanted)
        assert await page.locator(".silhouette-lanes li").count() == len(plan["order"])


# The briefing


async def test_the_briefing_has_a_page_for_all_and_one_for_each_rider_when_printed(
    server: LiveServer, browser: Any, tmp_path: Path
) -> None:
    async with new_page(browser, DESK) as page:
        code, _ = await make_race(page, server)
        await give_course(page, tmp_path)
        await type_team(page)
        await saved(page)
        await make_plan(page)
        await page.get_by_role("link", name="Briefing to print").click()
        await page.wait_for_url(f"**/briefing/{code}")
        sheets = page.locator(".brief")
        await sheets.first.wait_for()
        heads = await page.locator(".brief h1").all_text_contents()
        assert heads[0] == "Team"
        assert sorted(heads[1:]) == ["Ana", "Kofi", "Maya", "Otto"]
        printed = await page.pdf(prefer_css_page_size=True)
        assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 5


async def test_a_riders_page_tells_turn_power_and_wheels_on_each_stretch(
    server: LiveServer, browser: Any, tmp_path: Path
) -> None:
    async with new_page(browser, PHONE) as page:
        code, ticket = await make_race(page, server)
        await give_course(page, tmp_path)
        await type_team(page)
        await saved(page)
        await make_plan(page)
        plan = server.call("GET", f"/api/races/{code}", ticket=ticket)["plan"]
        await page.goto(f"{server.url}/briefing/{code}#{ticket}")
        otto = page.locator(".brief", has=page.get_by_role("heading", name="Otto", exact=True))
        await otto.wait_for()
        lines = await otto.locator(".brief-stretches li").all_inner_texts()
        assert len(lines) == len(plan["rules"])
        for line, rule in zip(lines, plan["rules"], strict=True):
            mine = next(turn for turn in rule["turns"] if turn["rider"] == "otto")
            assert rule["name"] in line
            if mine["length_s"]:
                assert f"{mine['length_s']:.0f} s" in line
                assert f"{mine['power_w']:.0f} W" in line
            else:
                assert "Follow" in line


def made_up_draft(stretches: int, riders: int) -> dict[str, Any]:
    """A race as the server would tell it, with so many equal stretches and a landmark at each one's beginning."""
    names = ("Maya", "Otto", "Ana", "Kofi", "Lene", "Ines", "Lio", "Ben", "Ida", "Tom")[:riders]
    spans = [(3_000.0 * index, 3_000.0 * (index + 1)) for index in range(stretches)]
    terrains = [("flat", "climb", "descent")[index % 3] for index in range(stretches)]
    course = {
        "name": "Many hills",
        "length_m": 3_000.0 * stretches,
        "profile": [
            (start, 100.0 + 90 * (terrain == "descent")) for (start, _), terrain in zip(spans, terrains, strict=True)
        ]
        + [(3_000.0 * stretches, 100.0)],
        "stretches": [
            {"name": f"{terrain} {index + 1}", "terrain": terrain, "start_m": start, "end_m": end}
            | {"rise_m": 90.0, "mean_grade": 0.03}
            for index, ((start, end), terrain) in enumerate(zip(spans, terrains, strict=True))
        ],
        "landmarks": [{"name": f"foot of climb {index}", "at_m": start + 1} for index, (start, _) in enumerate(spans)],
        "has_height": True,
        "notes": [],
    }
    turns = [{"rider": name.lower(), "length_s": 35.0, "power_w": 312.0} for name in names]
    plan = {
        "method": "optimised",
        "order": [name.lower() for name in names],
        "finish_s": 300.0 * stretches,
        "bound_s": None,
        "equal_turns_s": None,
        "rules": [
            {"name": stretch["name"], "start_m": start, "end_m": end, "speed_mps": 10.0, "turns": turns}
            for stretch, (start, end) in zip(course["stretches"], spans, strict=True)
        ],
        "reserves": [],
        "schedule": [(0.0, 0.0), (3_000.0 * stretches, 300.0 * stretches)],
    }
    kept = [{"id": name.lower(), "name": name, "spoken": name} for name in names]
    draft = {"code": "MANY23", "name": "Many hills evening", "course": course, "riders": kept, "plan": plan}
    return draft | {"rules": {"counted": 4}, "phase": "draft", "links": None, "refused": []}


@pytest.mark.parametrize(("stretches", "riders"), [(1, 2), (10, 6), (11, 10), (17, 8)])
async def test_each_sheet_of_the_briefing_fits_one_page(
    server: LiveServer, browser: Any, stretches: int, riders: int
) -> None:
    async with new_page(browser, DESK) as page:
        draft = made_up_draft(stretches, riders)
        await page.route("**/api/races/MANY23", lambda route: route.fulfill(json=draft))
        await page.goto(f"{server.url}/briefing/MANY23#a-ticket-that-is-long-enough")
        await page.locator(".brief").first.wait_for()
        printed = await page.pdf(prefer_css_page_size=True)
        assert len(re.findall(rb"/Type\s*/Page\b", printed)) == riders + 1


# Joining


@pytest.mark.parametrize(
    ("finish_s", "words"), [(1_432.0, "8:09 min faster"), (1_912.6, "8.5 s faster"), (1_922.6, "1.5 s slower")]
)
async def test_a_gain_of_minutes_is_told_in_minutes(
    server: LiveServer, browser: Any, finish_s: float, words: str
) -> None:
    plan = {"method": "optimised", "finish_s": finish_s, "equal_turns_s": 1_921.1, "bound_s": None}
    async with new_page(browser, DESK) as page:
        await page.goto(server.url)
        lines = await page.evaluate(
            "async (plan) => (await import('/web/parts/setup-plan/tables.js')).worth(plan)", plan
        )
    assert ["Against equal turns", words] in lines


@pytest.mark.parametrize(("riders", "words"), [(4, "rest about 1:45"), (10, "one turn here, or none")])
async def test_a_riders_page_promises_no_rest_longer_than_the_stretch(
    server: LiveServer, browser: Any, riders: int, words: str
) -> None:
    # Each stretch takes 300 s; with turns of 35 s four riders come round again after 140 s, ten only after 350 s.
    async with new_page(browser, DESK) as page:
        await page.route("**/api/races/MANY23", lambda route: route.fulfill(json=made_up_draft(3, riders)))
        await page.goto(f"{server.url}/briefing/MANY23#a-ticket-of-the-tests")
        otto = page.locator(".brief", has=page.get_by_role("heading", name="Otto", exact=True))
        await otto.wait_for()
        for line in await otto.locator(".brief-stretches li").all_inner_texts():
            assert words in line


async def test_a_rider_joins_by_code_and_nobody_else_can_take_the_same_name(
    server: LiveServer, browser: Any, tmp_path: Path
) -> None:
    async with new_page(browser, DESK) as page:
        code, _ = await make_race(page, server)
        await give_course(page, tmp_path)
        await type_team(page)
        await saved(page)
        await make_plan(page)
        await page.get_by_role("button", name="Open the lobby").click()
        await page.locator(".join-code").wait_for()
    async with new_page(browser, PHONE) as page:
        await page.goto(server.url)
        await page.get_by_label("Code from your director").fill(code.lower())
        await page.get_by_role("button", name="Join").click()
        await page.get_by_role("button", name="Ana").click()
        await page.wait_for_url(re.compile(f"/lobby/{code}#"))
        assert len(urlsplit(page.url).fragment) > 20
        await page.goto(f"{server.url}/join/{code}")
        taken = page.get_by_role("button", name="Ana taken")
        await taken.wait_for()
        assert await taken.is_disabled()
        assert await page.get_by_role("button", name="Otto").is_enabled()
        assert await page.locator("#taken-hint").is_visible(), "whoever comes with a second phone is told what to do"


async def test_a_code_nobody_knows_is_refused_beside_the_field(server: LiveServer, browser: Any) -> None:
    async with new_page(browser, PHONE) as page:
        await page.goto(f"{server.url}/join")
        await page.get_by_label("Code").fill("zzzzzz")
        await page.keyboard.press("Enter")
        await page.locator("#code-refusal:not(:empty)").wait_for()
        assert await page.get_by_label("Code").get_attribute("aria-invalid") == "true"


# Home


async def test_home_lists_the_races_this_browser_was_given_and_forgets_them_when_told(
    server: LiveServer, browser: Any
) -> None:
    async with new_page(browser, DESK) as page:
        code, ticket = await make_race(page, server)
        await page.goto(server.url)
        line = page.locator("#races li", has_text="Heron road evening")
        await line.wait_for()
        assert await line.get_by_role("link", name="Set up").get_attribute("href") == f"/race/{code}#{ticket}"
        await line.get_by_role("button", name="Forget").click()
        assert await page.locator("#races li").count() == 0
        assert ticket not in await page.evaluate("JSON.stringify([{ ...localStorage }, { ...sessionStorage }])")


async def test_home_offers_every_rehearsal_that_comes_along(server: LiveServer, browser: Any) -> None:
    cards = server.call("GET", "/api/rehearsals")
    assert cards
    async with new_page(browser, PHONE) as page:
        await page.goto(server.url)
        await page.locator("#rehearsals li").first.wait_for()
        assert await page.locator("#rehearsals h3").all_text_contents() == [card["title"] for card in cards]


async def test_a_set_up_page_without_a_ticket_says_what_is_missing(server: LiveServer, browser: Any) -> None:
    async with new_page(browser, DESK) as page:
        await page.goto(f"{server.url}/race/AB2CD3")
        await page.locator("#lost .refusal", has_text="director’s link").wait_for()


# For every hand and eye


FAINT = """() => {
  const channel = v => { v /= 255; return v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4 }
  const numbers = text => { const all = text.match(/[\\d.]+/g).map(Number); return all.length < 4 ? [...all, 1] : all }
  const luminance = ([r, g, b]) => 0.2126 * channel(r) + 0.7152 * channel(g) + 0.0722 * channel(b)
  const behind = element => {
    for (; element; element = element.parentElement) {
      const colour = numbers(getComputedStyle(element).backgroundColor)
      if (colour[3] > 0.99) return colour
    }
    return [255, 255, 255]
  }
  const faint = []
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT)
  while (walk.nextNode()) {
    const element = walk.currentNode.parentElement
    const text = walk.currentNode.data.trim()
    if (!text || !element.checkVisibility()) continue
    const both = [luminance(numbers(getComputedStyle(element).color)), luminance(behind(element))]
    const contrast = (Math.max(...both) + 0.05) / (Math.min(...both) + 0.05)
    if (contrast < 7) faint.push(`${text.slice(0, 30)} ${contrast.toFixed(2)}`)
  }
  return faint
}"""
"""Texts with less than 7:1 to what is behind them; luminance and contrast as in WCAG 2.2, 1.4.6 (level AAA)."""


@pytest.mark.parametrize("scheme", ["light", "dark"])
async def test_all_text_before_the_race_stands_out_seven_to_one(
    server: LiveServer, browser: Any, tmp_path: Path, scheme: str
) -> None:
    async with new_page(browser, DESK, color_scheme=scheme) as page:
        code, ticket = await make_race(page, server)
        await give_course(page, tmp_path)
        await type_team(page)
        await saved(page)
        await make_plan(page)
        await page.get_by_role("button", name="Open the lobby").click()
        await page.locator(".join-code").wait_for()
        await page.get_by_label("Keep in reserve").fill("90")  # with a refusal in sight
        await page.keyboard.press("Tab")
        await page.locator(".field.refused").wait_for()
        assert await page.evaluate(FAINT) == []
        for path, waited in (
            ("/", "#rehearsals li"),
            (f"/join/{code}", "#riders li"),
            (f"/briefing/{code}#{ticket}", ".brief"),
        ):
            await page.goto(server.url + path)
            await page.locator(waited).first.wait_for()
            assert await page.evaluate(FAINT) == [], path


async def test_every_field_of_the_set_up_has_a_name_of_its_own(server: LiveServer, browser: Any) -> None:
    async with new_page(browser, DESK) as page:
        await make_race(page, server)
        nameless = await page.eval_on_selector_all(
            "input, select, textarea",
            """all => all
              .filter(one => !one.labels?.length && !one.getAttribute('aria-label'))
              .map(one => one.outerHTML)""",
        )
        assert nameless == []


async def test_the_way_to_a_saved_rider_needs_no_pointer(server: LiveServer, browser: Any) -> None:
    async with new_page(browser, DESK) as page:
        code, ticket = await make_race(page, server)
        await page.locator(".rider").first.get_by_label("Name").first.focus()
        # Passed by: how the name is spoken, and the button that says it.
        for text in ("Maya", "", "", "58", "255", "15.5", "0.215"):
            if text:
                await page.keyboard.type(text)
            await page.keyboard.press("Tab")
        await page.locator("#stations [data-step=riders] .status", has_text="1 rider").wait_for()
    kept = server.call("GET", f"/api/races/{code}", ticket=ticket)
    assert [(rider["name"], rider["critical_power_w"]) for rider in kept["riders"]] == [("Maya", 255)]


@pytest.mark.parametrize("viewport", [PHONE, DESK], ids=["phone", "desktop"])
async def test_no_page_before_the_race_is_wider_than_its_screen(
    server: LiveServer, browser: Any, tmp_path: Path, viewport: dict[str, int]
) -> None:
    async with new_page(browser, viewport) as page:
        code, ticket = await make_race(page, server, "A race with an uncommonly long and winding name")
        await give_course(page, tmp_path)
        await type_team(page)
        await saved(page)
        await make_plan(page)
        await page.get_by_role("button", name="Open the lobby").click()
        await page.locator(".join-code").wait_for()
        wide = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        assert await page.evaluate(wide) <= 0
        for path, waited in (
            ("/", "#rehearsals li"),
            (f"/join/{code}", "#riders li"),
            (f"/briefing/{code}#{ticket}", ".brief"),
        ):
            await page.goto(server.url + path)
            await page.locator(waited).first.wait_for()
            assert await page.evaluate(wide) <= 0, path


# Reading what people type


async def test_numbers_are_read_as_people_type_them(server: LiveServer, browser: Any) -> None:
    typed = {
        "72,5": 72.5,
        " 1 234 ": 1234,
        "\u22123": -3,  # a true minus, as spreadsheets write it
        ".5": 0.5,
        "4e3": None,
        "1,234,5": None,
        "abc": None,
    }
    async with new_page(browser, DESK) as page:
        await page.goto(server.url)
        read = await page.evaluate(
            """async texts => {
              const { readNumber } = await import('/web/lib/cells.js')
              return texts.map(text => { const number = readNumber(text); return Number.isNaN(number) ? null : number })
            }""",
            list(typed),
        )
    assert read == list(typed.values())


async def test_a_refusal_is_told_in_the_unit_that_was_typed(server: LiveServer, browser: Any) -> None:
    # 1 m/s is 3.6 km/h: 15 m/s are 54 km/h.
    async with new_page(browser, DESK) as page:
        await page.goto(server.url)
        told = await page.evaluate(
            """async () => {
              const { refusalInUnit } = await import('/web/lib/cells.js')
              return [
                refusalInUnit('Head wind: found 20; expected -15 to 15 m/s', 3.6, 'km/h'),
                refusalInUnit('Shortest turn: found 100 s; expected at most the longest turn, 90 s', 1, 's'),
              ]
            }"""
        )
    assert told == [
        "Head wind: found 72; expected -54 to 54 km/h",
        "Shortest turn: found 100 s; expected at most the longest turn, 90 s",
    ]

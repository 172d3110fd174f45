"""server/routes/races.py, pages.py and gate.py: everything over HTTP, against the real server."""

import asyncio
import json
import re
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import httpx
import pytest

from server.auth import CODE_ALPHABET
from server.planning import best_plan
from server.runner.draft import roster_of
from server.store import SeatRow
from tests.server.serving import RIDERS, ROWS, Arena, Page, arena, faults

GPX = """<?xml version="1.0" encoding="UTF-8"?>
<gpx version="1.1" creator="hand"><trk><name>Out and back</name><trkseg>
{points}
</trkseg></trk></gpx>"""


def gpx(points: int = 200) -> bytes:
    """A course file: due north, a gentle rise. A thousandth of a degree of latitude is about 111 m."""
    rows = "\n".join(
        f'<trkpt lat="{46 + place / 1000:.5f}" lon="14.0"><ele>{300 + place / 10:.1f}</ele></trkpt>'
        for place in range(points)
    )
    return GPX.format(points=rows).encode()


@pytest.fixture
async def here(tmp_path: Path) -> AsyncIterator[Arena]:
    async with arena(tmp_path / "data") as running:
        yield running


def refused(answer: httpx.Response, status: int, code: str) -> str:
    """The sentence of a refusal with this status and code."""
    assert answer.status_code == status, answer.text
    body = answer.json()
    assert set(body) == {"code", "sentence"}
    assert body["code"] == code, body
    return str(body["sentence"])


async def put_course(here: Arena, code: str, ticket: str, data: bytes, name: str = "course.gpx") -> httpx.Response:
    return await here.http.put(
        f"/api/races/{code}/course", content=data, headers={"Authorization": f"Bearer {ticket}", "X-File-Name": name}
    )


# Set-up


async def test_a_race_gets_a_code_nobody_misreads_and_a_ticket_nobody_guesses(here: Arena) -> None:
    made = [(await here.call("POST", "/api/races", {"name": "Evening race"})).json() for _ in range(5)]
    for race in made:
        assert re.fullmatch(f"[{CODE_ALPHABET}]{{6}}", race["code"])
        assert not set("0O1ILU") & set(race["code"])
        assert re.fullmatch(r"[A-Za-z0-9_-]{32}", race["ticket"])  # 192 bits in base64 (RFC 4648, 5)
    assert len({race["ticket"] for race in made}) == len({race["code"] for race in made}) == 5


async def test_a_draft_says_what_is_still_missing_until_nothing_is(here: Arena) -> None:
    made = await here.set_up()
    draft = (await here.call("GET", f"/api/races/{made.code}", ticket=made.ticket)).json()
    assert draft["phase"] == "draft"
    assert draft["refused"] == ["plan: none yet for this course, these riders and these rules; make one"]
    await here.call("POST", f"/api/races/{made.code}/plan", {"method": "steady"}, made.ticket)
    draft = (await here.call("GET", f"/api/races/{made.code}", ticket=made.ticket)).json()
    assert draft["refused"] == []
    assert draft["plan"]["order"]
    assert draft["links"] is None


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("course-table", {"name": "Other", "rows": [[0, 1], [8_000, 1]]}),
        ("riders", [{**rider, "critical_power_w": 290} for rider in RIDERS]),
        ("rules", {"counted": 2}),
    ],
)
async def test_another_course_other_riders_or_rules_drop_the_plan(here: Arena, path: str, body: Any) -> None:
    made = await here.set_up()
    await here.call("POST", f"/api/races/{made.code}/plan", {"method": "steady"}, made.ticket)
    await here.call("PUT", f"/api/races/{made.code}/{path}", body, made.ticket)
    assert (await here.call("GET", f"/api/races/{made.code}", ticket=made.ticket)).json()["plan"] is None


async def test_a_course_file_becomes_a_course_of_its_length(here: Arena) -> None:
    made = await here.set_up()
    answer = await put_course(here, made.code, made.ticket, gpx(), "%C3%9Cber%20den%20Berg.gpx")
    assert answer.status_code == 200, answer.text
    card = answer.json()
    assert card["name"] == "Out and back"
    # 0.199° along a meridian at 46°: a degree is 111,149 m there (WGS 84 series, 111132.954 - 559.822 cos 2φ + …).
    assert abs(card["length_m"] - 0.199 * 111_149) < 5
    assert len(card["profile"]) <= 400


async def test_riders_come_back_with_keys_and_estimated_drag_areas(here: Arena) -> None:
    made = await here.set_up()
    forms = [
        {"name": "  Zoë  Berg ", "mass_kg": 60, "critical_power_w": 250, "w_prime_j": 18_000, "height_cm": 170},
        {
            "name": "林",
            "mass_kg": 60,
            "critical_power_w": 250,
            "w_prime_j": 18_000,
            "drag_area_m2": 0.24,
            "language": "fr",
        },
    ]
    riders = (await here.call("PUT", f"/api/races/{made.code}/riders", forms, made.ticket)).json()
    assert [rider["id"] for rider in riders] == ["zoe-berg", "rider"]
    assert riders[0]["name"] == riders[0]["spoken"] == "Zoë Berg"
    assert riders[0]["drag_area_estimated"]
    assert 0.14 <= riders[0]["drag_area_m2"] <= 0.3
    assert (riders[1]["drag_area_m2"], riders[1]["drag_area_estimated"], riders[1]["language"]) == (0.24, False, "fr")


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"critical_power_w": 4_000}, "rider Maya, critical power: found 4000 W; expected 80 to 550 W"),
        ({"height_cm": None}, "rider Maya, drag area: found none; give it in m², or give the height"),
        ({"height_cm": 20}, "rider Maya, height and mass: found 20 cm and 66 kg; expected 120 to 220 cm"),
        ({"language": "xx"}, "rider Maya, language: found 'xx'; expected one of en"),
        ({"name": ""}, "name: found ''; expected 1 to 24 printable characters"),
        ({"name": "Otto"}, "roster, name: found 'otto' twice"),
    ],
)
async def test_a_riders_figure_that_is_off_is_told_by_rider_figure_and_range(
    here: Arena, change: dict[str, Any], sentence: str
) -> None:
    made = await here.set_up()
    forms = [{**RIDERS[0], **change}, *RIDERS[1:]]
    answer = await here.call("PUT", f"/api/races/{made.code}/riders", forms, made.ticket)
    assert sentence in refused(answer, 422, "roster_refused")


@pytest.mark.parametrize(
    ("method", "path", "body", "words"),
    [
        ("PUT", "riders", [{"name": "Maya"}], "0.mass_kg: field required"),
        ("PUT", "riders", {"name": "Maya"}, "message: input should be a valid list"),
        ("PUT", "rules", {"counted": "many"}, "counted: input should be a valid integer"),
        ("PUT", "rules", {"speed": 3}, "speed: extra inputs are not permitted, found 3"),
        ("PUT", "name", {"name": "   "}, "name: string should match"),
        ("PUT", "course-table", {"name": "x", "rows": [[0, 1]]}, "rows: tuple should have at least 2 items"),
    ],
)
async def test_a_body_that_is_off_is_told_by_where_and_what(
    here: Arena, method: str, path: str, body: Any, words: str
) -> None:
    made = await here.set_up()
    answer = await here.call(method, f"/api/races/{made.code}/{path}", body, made.ticket)
    assert words in refused(answer, 422, "not_understood")


@pytest.mark.parametrize("rule", ["counted", "all_in_m", "wind_mps"])
async def test_a_rule_of_hundreds_of_digits_is_refused_and_is_no_fault_of_ours(here: Arena, rule: str) -> None:
    made = await here.set_up()
    with faults() as found:
        answer = await here.call("PUT", f"/api/races/{made.code}/rules", {rule: 10**400}, made.ticket)
        assert answer.status_code == 422, answer.text
    assert found.told == []


async def test_rules_out_of_range_are_told_by_rule_and_range(here: Arena) -> None:
    made = await here.set_up()
    answer = await here.call("PUT", f"/api/races/{made.code}/rules", {"humidity": 60}, made.ticket)
    sentence = "race rules, humidity: found 60; expected 0 to 1; 60 looks like per cent: 0.6"
    assert refused(answer, 422, "rules_refused") == sentence


@pytest.mark.parametrize("body", [b"{", b"\xff\xfe", b"[" * 100_000, b'{"name": NaN}', b"", b"null"])
async def test_a_body_that_is_no_json_is_refused_and_is_no_fault_of_ours(here: Arena, body: bytes) -> None:
    with faults() as found:
        answer = await here.http.post("/api/races", content=body, headers={"content-type": "application/json"})
        assert answer.status_code in (400, 422), answer.text
        assert set(answer.json()) == {"code", "sentence"}
        assert (await here.call("GET", "/api/health")).status_code == 200
    assert found.told == []


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("nothing.gpx", b""),
        ("noise.fit", bytes(range(256)) * 20),
        ("page.html", b"<html><body>hello</body></html>"),
        ("bomb.gpx", b'<!DOCTYPE g [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]><gpx>&b;</gpx>'),
        ("one.gpx", gpx(1)),
        ("deep.gpx", b"<gpx>" + b"<a>" * 200_000),
    ],
)
async def test_a_course_file_that_cannot_be_used_is_refused_by_name_and_the_old_course_stays(
    here: Arena, name: str, data: bytes
) -> None:
    made = await here.set_up()
    with faults() as found:
        sentence = refused(await put_course(here, made.code, made.ticket, data, name), 422, "file_refused")
    assert sentence.startswith(name)
    assert found.told == []
    assert (await here.call("GET", f"/api/races/{made.code}", ticket=made.ticket)).json()["course"]["name"] == "Nine"


async def test_a_course_file_that_is_too_large_is_refused_before_it_is_read(tmp_path: Path) -> None:
    async with arena(tmp_path / "data", upload_bytes=100_000) as here:
        made = await here.set_up()
        answer = await put_course(here, made.code, made.ticket, b"x" * 100_001)
        assert "expected at most" in refused(answer, 413, "too_large")

        async def pieces() -> AsyncIterator[bytes]:  # no length told beforehand
            for _ in range(101):
                yield b"x" * 1_000

        answer = await here.http.put(
            f"/api/races/{made.code}/course", content=pieces(), headers={"Authorization": f"Bearer {made.ticket}"}
        )
        refused(answer, 413, "too_large")
        assert (await here.call("GET", "/api/health")).status_code == 200


async def test_a_body_larger_than_a_form_is_refused(tmp_path: Path) -> None:
    async with arena(tmp_path / "data", body_bytes=1_000) as here:
        refused(await here.call("POST", "/api/races", {"name": "x" * 2_000}), 413, "too_large")


async def test_a_body_that_trickles_is_given_up(tmp_path: Path) -> None:
    async with arena(tmp_path / "data", body_s=0.3) as here:
        made = await here.set_up()
        reader, writer = await asyncio.open_connection("127.0.0.1", here.port)
        writer.write(
            f"PUT /api/races/{made.code}/course HTTP/1.1\r\nHost: localhost\r\nContent-Length: 1000\r\n"
            f"Authorization: Bearer {made.ticket}\r\n\r\nabc".encode()
        )
        async with asyncio.timeout(5):
            answer = await reader.read()
        assert b" 408 " in answer.split(b"\r\n")[0]
        assert json.loads(answer.rpartition(b"\r\n\r\n")[2])["code"] == "too_late"
        writer.close()


async def test_a_course_that_takes_too_long_to_read_is_given_up_and_the_next_one_is_read(tmp_path: Path) -> None:
    async with arena(tmp_path / "data", reading_s=0.02) as here:
        answer = await here.call("POST", "/api/races", {"name": "Evening race"})
        made = answer.json()
        answer = await put_course(here, made["code"], made["ticket"], gpx())
        assert "took longer than 0.02 s" in refused(answer, 408, "too_late")
        here.parts.house._planner._reader._within_s = 20
        assert (await put_course(here, made["code"], made["ticket"], gpx())).status_code == 200


async def test_a_plan_that_cannot_be_made_says_what_is_in_the_way(here: Arena) -> None:
    made = (await here.call("POST", "/api/races", {"name": "Evening race"})).json()
    answer = await here.call("POST", f"/api/races/{made['code']}/plan", ticket=made["ticket"])
    sentence = refused(answer, 409, "request_refused")
    assert "course: none yet" in sentence
    assert "found 0 riders" in sentence


async def test_a_race_without_a_plan_is_not_opened(here: Arena) -> None:
    made = await here.set_up()
    answer = await here.call("POST", f"/api/races/{made.code}/open", ticket=made.ticket)
    assert "plan: none yet" in refused(answer, 409, "request_refused")


async def test_a_set_up_outlives_a_restart(tmp_path: Path) -> None:
    async with arena(tmp_path / "data") as first:
        made = await first.set_up()
        await first.call("POST", f"/api/races/{made.code}/plan", {"method": "steady"}, made.ticket)
        before = (await first.call("GET", f"/api/races/{made.code}", ticket=made.ticket)).json()
    async with arena(tmp_path / "data") as second:
        assert (await second.call("GET", f"/api/races/{made.code}", ticket=made.ticket)).json() == before


async def test_what_a_race_was_opened_with_stays_once_the_start_is_set(here: Arena) -> None:
    made = await here.opened()
    director = await here.page(made.code, made.ticket)
    await director.settled(await director.tap("set_start", countdown_s=60))
    answer = await here.call("PUT", f"/api/races/{made.code}/rules", {"counted": 2}, made.ticket)
    assert "the start is set" in refused(answer, 409, "already_so")


# Links and seats


async def test_links_carry_tickets_behind_the_hash_and_are_the_same_each_time(here: Arena) -> None:
    made = await here.opened()
    again = (await here.call("POST", f"/api/races/{made.code}/open", ticket=made.ticket)).json()
    assert again == made.links
    assert made.links["director"]["url"] == f"{here.url}/desk/{made.code}#{made.ticket}"
    tickets = [made.ticket_of(rider) for rider in ("maya", "otto", "ana", "jo")]
    assert len({made.ticket, *tickets}) == 5
    assert made.links["join"]["url"] == f"{here.url}/join/{made.code}"


async def test_the_picture_of_a_link_is_svg_without_script(here: Arena) -> None:
    made = await here.opened()
    picture = ElementTree.fromstring(made.links["join"]["qr_svg"])
    assert picture.tag == "{http://www.w3.org/2000/svg}svg"
    assert {element.tag.rpartition("}")[2] for element in picture} == {"path"}


async def test_whoever_has_the_code_takes_a_slot_that_nobody_has_and_only_that(here: Arena) -> None:
    made = await here.opened()
    page = (await here.call("GET", f"/api/join/{made.code.lower()}")).json()
    assert page["race"] == "Evening race"
    assert [slot["claimed"] for slot in page["riders"]] == [False] * 4
    ticket = (await here.call("POST", f"/api/join/{made.code}", {"rider": "ana"})).json()["ticket"]
    assert ticket == made.ticket_of("ana")
    answer = await here.call("POST", f"/api/join/{made.code}", {"rider": "ana"})
    assert "Ana's slot is taken" in refused(answer, 409, "already_so")
    refused(await here.call("POST", f"/api/join/{made.code}", {"rider": "nobody"}), 404, "not_known")


async def test_a_slot_whose_owner_came_by_link_is_taken(here: Arena) -> None:
    made = await here.opened()
    await here.page(made.code, made.ticket_of("jo"))
    refused(await here.call("POST", f"/api/join/{made.code}", {"rider": "jo"}), 409, "already_so")


async def test_a_renewed_link_opens_and_the_old_one_does_not(here: Arena) -> None:
    made = await here.opened()
    old = made.ticket_of("jo")
    answer = await here.call("POST", f"/api/races/{made.code}/riders/jo/renew", ticket=made.ticket)
    made.links = answer.json()
    assert made.ticket_of("jo") != old
    assert made.ticket_of("ana") == next(
        link["url"].partition("#")[2] for link in made.links["riders"] if link["rider"] == "ana"
    )
    await here.page(made.code, made.ticket_of("jo"))
    race = await here.parts.house.race(made.code)
    assert here.parts.house.seat(race, old) is None


async def test_whoever_rides_keeps_the_seat_until_the_race_is_opened_anew_without_them(here: Arena) -> None:
    made = await here.opened()
    three = [rider for rider in RIDERS if rider["name"] != "Jo"]
    await here.call("PUT", f"/api/races/{made.code}/riders", three, made.ticket)
    jo = await here.page(made.code, made.ticket_of("jo"))
    assert "jo" in [place["rider"] for place in (await jo.next("state"))["line"]]
    race = await here.parts.house.race(made.code)
    course, riders, rules = race.draft.course, roster_of(race.draft), race.draft.rules
    assert course is not None
    plan = best_plan(course, riders, rules, "steady")
    await here.parts.house._save(race, replace(race.draft, plan=plan))
    assert (await here.call("POST", f"/api/races/{made.code}/open", ticket=made.ticket)).status_code == 200
    assert here.parts.house.seat(race, made.ticket_of("jo")) is None


async def test_a_link_renewed_while_its_old_holder_comes_in_lets_only_the_new_one_in(here: Arena) -> None:
    made = await here.opened()
    race = await here.parts.house.race(made.code)
    old = made.ticket_of("jo")
    async with race.changing:  # the director's renewal is under way
        page = Page(await here.connect(made.code))
        await page.send(kind="hello", ticket=old)
        await asyncio.sleep(0.1)
        race.seats["rider:jo"] = SeatRow(generation=1)
    assert (await page.next("error", "welcome"))["kind"] == "error"


async def test_a_lobby_that_is_not_open_cannot_be_joined(here: Arena) -> None:
    made = await here.set_up()
    refused(await here.call("GET", f"/api/join/{made.code}"), 409, "not_yet")


async def test_guessing_codes_is_slowed_down(tmp_path: Path) -> None:
    async with arena(tmp_path / "data", joins_per_min=5) as here:
        answers = [await here.call("GET", f"/api/join/{'ABCDEF'}") for _ in range(7)]
        assert [answer.status_code for answer in answers] == [404] * 5 + [429] * 2
        refused(answers[-1], 429, "too_often")


DIRECTORS_ALONE = [
    ("GET", "", None),
    ("PUT", "/name", {"name": "Mine"}),
    ("PUT", "/course-table", {"name": "x", "rows": ROWS}),
    ("PUT", "/riders", RIDERS),
    ("PUT", "/rules", {}),
    ("POST", "/plan", None),
    ("POST", "/open", None),
    ("POST", "/riders/maya/renew", None),
    ("GET", "/log", None),
    ("PUT", "/course", None),
]


@pytest.mark.parametrize(("method", "path", "body"), DIRECTORS_ALONE)
async def test_a_riders_ticket_no_ticket_and_a_wrong_one_set_nothing_up(
    here: Arena, method: str, path: str, body: Any
) -> None:
    made = await here.opened()
    url = f"/api/races/{made.code}{path}"
    for ticket in (made.ticket_of("maya"), None, "wrong", "x" * 32):
        refused(await here.call(method, url, body, ticket), 403, "not_allowed")


async def test_the_log_of_a_race_replays_alone(here: Arena) -> None:
    from caller.log import load
    from caller.race import replay

    made = await here.opened()
    director = await here.page(made.code, made.ticket)
    await director.settled(await director.tap("set_start", countdown_s=60))
    answer = await here.call("GET", f"/api/races/{made.code}/log", ticket=made.ticket)
    state = replay(load(line) for line in answer.text.splitlines())
    assert state.setup.name == "Evening race"
    assert state.seq == 2


# Pages and what they carry


async def test_every_page_comes_with_a_policy_that_runs_no_script_but_ours(here: Arena) -> None:
    answer = await here.call("GET", "/")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    policy = dict(part.strip().partition(" ")[::2] for part in answer.headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == "'self'"
    assert policy["frame-ancestors"] == "'none'"
    assert "unsafe" not in answer.headers["content-security-policy"]
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["referrer-policy"] == "no-referrer"


async def test_no_page_has_script_or_style_that_the_policy_would_stop() -> None:
    pages = list((Path(__file__).parents[2] / "web" / "pages").glob("*.html"))
    assert pages
    for page in pages:
        text = page.read_text("utf-8")
        assert not re.search(r"<script(?![^>]*\bsrc=)", text), f"{page.name} has a script of its own"
        assert not re.search(r"\son\w+=|\sstyle=|<style", text), f"{page.name} has a handler or style of its own"


async def test_a_page_asked_again_unchanged_costs_nothing(here: Arena) -> None:
    for path in ("/", "/web/styles/base.css", "/web/lib/html.js"):
        first = await here.call("GET", path)
        assert first.headers["cache-control"] == "no-cache"
        again = await here.http.get(path, headers={"If-None-Match": first.headers["etag"]})
        assert (again.status_code, again.content) == (304, b"")


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("/web/lib/html.js", "text/javascript; charset=utf-8"),
        ("/web/styles/base.css", "text/css; charset=utf-8"),
        ("/join/ABCDEF", "text/html; charset=utf-8"),
        ("/join", "text/html; charset=utf-8"),
    ],
)
async def test_files_come_as_what_they_are(here: Arena, path: str, kind: str) -> None:
    answer = await here.call("GET", path)
    assert (answer.status_code, answer.headers["content-type"]) == (200, kind)


@pytest.mark.parametrize(
    "path",
    [
        "/web/../server/app.py",
        "/web/%2e%2e/server/app.py",
        "/web/..%2fpyproject.toml",
        "/web/lib/%00.js",
        "/web/node_modules/typescript/lib/tsc.js",
        "/nothing",
        "/" + "a" * 300,
        "/" + "a" * 300 + "/b",
        "/home.html",
        "/..%2f..%2fetc/passwd",
        "/clips/..%2f..%2fsecret.wav",
        "/clips/none.wav",
        "/api/schemas/none.json",
        "/api/nothing/at/all",
    ],
)
async def test_a_path_to_nothing_is_told_so(here: Arena, path: str) -> None:
    with faults() as found:
        answer = await here.http.get(path)
        assert answer.status_code == 404, answer.text
        assert set(answer.json()) == {"code", "sentence"}
    assert found.told == []


async def test_another_name_another_origin_are_turned_away(here: Arena) -> None:
    answer = await here.http.get("/", headers={"Host": "rebound.example"})
    assert "not asked for as 'rebound.example'" in refused(answer, 421, "not_these")
    answer = await here.http.post("/api/races", json={"name": "x"}, headers={"Origin": "https://elsewhere.example"})
    refused(answer, 421, "not_these")
    answer = await here.http.post("/api/races", json={"name": "x"}, headers={"Origin": "http://["})
    refused(answer, 421, "not_these")
    for host in (f"localhost:{here.port}", "192.168.1.20:8421", "[::1]:8421"):
        assert (await here.http.get("/api/health", headers={"Host": host})).status_code == 200
    answer = await here.http.post("/api/races", json={"name": "x"}, headers={"Origin": here.url})
    assert answer.status_code == 201


async def test_schemas_are_published_and_are_schemas(here: Arena) -> None:
    listed = (await here.call("GET", "/api/schemas")).json()
    assert {"inbound", "outbound", "log", "plan", "scenario"} <= set(listed)
    for entry in listed.values():
        schema = (await here.call("GET", entry["url"])).json()
        assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"


async def test_making_races_without_end_is_slowed_down(tmp_path: Path) -> None:
    async with arena(tmp_path / "data", races_per_min=3) as here:
        answers = [await here.call("POST", "/api/races", {"name": "x"}) for _ in range(4)]
        assert [answer.status_code for answer in answers] == [201, 201, 201, 429]


async def test_a_race_left_from_memory_is_found_again_on_disk(tmp_path: Path) -> None:
    async with arena(tmp_path / "data", loaded_races=2) as here:
        made = await here.opened()
        for _ in range(3):
            await here.call("POST", "/api/races", {"name": "x"})
        assert made.code not in here.parts.house._races
        director = await here.page(made.code, made.ticket)
        assert (await director.next("state"))["phase"] == "lobby"

"""server/routes/plans.py, server/runner/{plans,variants,work}.py: what is worked out about a race, by real workers."""

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests.server.serving import RIDERS, Arena, Made, arena


@pytest.fixture
async def here(tmp_path: Path) -> AsyncIterator[Arena]:
    async with arena(tmp_path / "data") as running:
        yield running


async def planned(here: Arena, **more: Any) -> Made:
    """Four riders on nine kilometres with a plan, searched for unless said otherwise."""
    made = await here.set_up()
    answer = await here.call("POST", f"/api/races/{made.code}/plan", more, made.ticket)
    assert answer.status_code == 200, answer.text
    return made


async def ask(here: Arena, made: Made, **more: Any) -> httpx.Response:
    return await here.call("POST", f"/api/races/{made.code}/what-if", more, made.ticket)


async def draft(here: Arena, made: Made) -> dict[str, Any]:
    answer: dict[str, Any] = (await here.call("GET", f"/api/races/{made.code}", ticket=made.ticket)).json()
    return answer


async def work(here: Arena, made: Made) -> dict[str, Any]:
    answer: dict[str, Any] = (await here.call("GET", f"/api/races/{made.code}/work", ticket=made.ticket)).json()
    return answer


async def until_told(here: Arena, made: Made) -> dict[str, Any]:
    """Wait until a worker has begun on what was asked."""
    async with asyncio.timeout(20):
        while (now := await work(here, made))["step"] == "waiting" or now["doing"] is None:
            await asyncio.sleep(0.02)
    return now


# What if


async def test_what_if_stands_beside_the_plan_and_changes_nothing(here: Arena) -> None:
    made = await planned(here, method="steady")
    before = await draft(here, made)
    weaker = (await ask(here, made, riders=[{"rider": "maya", "stronger": -0.05}])).json()
    windy = (await ask(here, made, rules={"wind_mps": 4.0})).json()
    assert await draft(here, made) == before
    own, (first, second) = windy["own"], windy["variants"]
    assert own["finish_s"] == before["plan"]["finish_s"]
    assert weaker["variants"][0] == first
    assert first["changes"] == [
        {
            "kind": "figure",
            "rider": "Maya",
            "key": "stronger",
            "before": 0.0,
            "after": -0.05,
        },
    ]
    assert second["changes"] == [{"kind": "rule", "rider": "", "key": "wind_mps", "before": 0.0, "after": 4.0}]
    # A head wind costs time: 0.5 ρ CdA (v + w)² v at the same power.
    assert second["finish_s"] > first["finish_s"]
    for column in (first, second):
        assert column["against_s"] == pytest.approx(column["finish_s"] - own["finish_s"], abs=2e-3)
        assert 0 <= column["gap"] < 0.5  # three of four are counted: the bound allows for one who is spent
        assert {part["name"] for part in column["riders"]} == {"Maya", "Otto", "Ana", "Jo"}
        # Somebody leads at any time, and one alone: the turns fill the ride.
        assert sum(part["front_s"] for part in column["riders"]) == pytest.approx(column["finish_s"], abs=0.5)


async def test_a_variant_by_which_nobody_holds_says_so_in_its_column_and_cannot_be_taken(here: Arena) -> None:
    made = await planned(here, method="steady")
    steep = [[0, 0], [3_000, 5], [6_000, 700]]
    await here.call("PUT", f"/api/races/{made.code}/course-table", {"name": "Wall", "rows": steep}, made.ticket)
    answer = (await ask(here, made, rules={"counted": 4}, riders=[{"rider": "jo", "stronger": -0.5}])).json()
    (column,) = answer["variants"]
    assert answer["own"] is None
    assert column["finish_s"] is None
    assert column["refused"].startswith("Jo cannot hold a sheltered wheel on climb 1")
    assert "count on 3 and leave Jo out (solved: about " in column["refused"]
    taken = await here.call("POST", f"/api/races/{made.code}/what-if/{column['key']}/take", ticket=made.ticket)
    assert taken.status_code == 409
    assert taken.json()["sentence"] == "take this as the plan: no plan holds with it"


@pytest.mark.parametrize(
    ("asked", "sentence"),
    [
        ({"without": ["nobody"]}, "what-if, rider: found nobody; expected one of maya, otto, ana, jo"),
        ({"rules": {"wind": 3}}, "race rules, wind: found no such rule"),
        ({"rules": {"wind_mps": 90}}, "race rules, wind mps: found 90; expected -15 to 15 m/s"),
        ({"rules": {"wind_mps": "much"}}, "wind_mps"),
        ({"without": ["maya", "otto"]}, "race rules, counted: found 3 with 2 riders"),
        ({"riders": [{"rider": "jo", "stronger": 3}]}, "riders.0.stronger: input should be less than or equal to 0.5"),
        ({"riders": [{"rider": "jo", "on_climbs": "hard"}]}, "rider Jo, leading on climbs: found 'hard'; expected one"),
        (
            {"riders": [{"rider": "jo", "stronger": 0.1}] * 2},
            "what-if, rider: found jo twice; expected each rider once",
        ),
        ({"rules": {"shelter_table": "little"}}, "shelter_table"),
        ({"order": ["maya", "otto"]}, "plan, order: found maya, otto; expected each of"),
        ({"by_hand": True, "turns": [{"stretch": 0, "rider": "jo", "length_s": 900}]}, "turn of Jo on"),
        ({"by_hand": True, "turns": [{"stretch": 99, "rider": "jo", "length_s": 20}]}, "stretch 100; expected 1 to"),
    ],
)
async def test_what_cannot_be_tried_is_told_by_what_and_range(here: Arena, asked: Any, sentence: str) -> None:
    made = await planned(here, method="steady")
    answer = await ask(here, made, **asked)
    assert answer.status_code in {409, 422}
    assert sentence in answer.json()["sentence"]
    assert (await here.call("GET", f"/api/races/{made.code}/what-if", ticket=made.ticket)).json()["variants"] == []


async def test_a_variant_taken_becomes_the_race_and_what_was_stands_in_its_place(here: Arena) -> None:
    made = await planned(here, method="steady")
    before = await draft(here, made)
    (column,) = (await ask(here, made, without=["jo"], rules={"counted": 3})).json()["variants"]
    path = f"/api/races/{made.code}/what-if"
    taken = (await here.call("POST", f"{path}/{column['key']}/take", ticket=made.ticket)).json()
    assert taken == await draft(here, made)
    assert [rider["name"] for rider in taken["riders"]] == ["Maya", "Otto", "Ana"]
    assert taken["plan"]["finish_s"] == column["finish_s"]
    assert taken["name"] == before["name"]
    beside = (await here.call("GET", path, ticket=made.ticket)).json()
    (old,) = beside["variants"]
    assert old["changes"] == [{"kind": "with", "rider": "Jo", "key": "", "before": None, "after": None}]
    assert old["finish_s"] == before["plan"]["finish_s"]
    again = (await here.call("POST", f"{path}/{old['key']}/take", ticket=made.ticket)).json()
    assert again == before


async def test_no_more_than_three_variants_stand_beside_and_each_can_be_let_go(here: Arena) -> None:
    made = await planned(here, method="steady")
    for seconds in (20, 25, 30, 35):
        turn = {"stretch": 0, "rider": "maya", "length_s": seconds}
        answer = (await ask(here, made, by_hand=True, turns=[turn])).json()
    assert [column["changes"][-1]["after"] for column in answer["variants"]] == [25, 30, 35]
    path = f"/api/races/{made.code}/what-if"
    left = await here.call("DELETE", f"{path}/{answer['variants'][1]['key']}", ticket=made.ticket)
    assert [column["changes"][-1]["after"] for column in left.json()["variants"]] == [25, 35]
    gone = await here.call("DELETE", f"{path}/77", ticket=made.ticket)
    assert gone.status_code == 404
    # Of another course they say nothing.
    rows = [[0, 1], [8_000, 1]]
    await here.call("PUT", f"/api/races/{made.code}/course-table", {"name": "Other", "rows": rows}, made.ticket)
    assert (await here.call("GET", path, ticket=made.ticket)).json()["variants"] == []


async def test_turns_set_by_hand_are_ridden_as_told_and_say_who_would_fall_short(here: Arena) -> None:
    made = await planned(here)
    plan = (await draft(here, made))["plan"]
    climb = next(place for place, rule in enumerate(plan["rules"]) if rule["name"].startswith("climb"))
    turn = {"stretch": climb, "rider": "jo", "length_s": 90}
    (column,) = (await ask(here, made, by_hand=True, turns=[turn])).json()["variants"]
    assert column["method"] == "by hand"
    assert column["gap"] is None
    # Jo is the weakest of four: a long turn up the climb is too much for Jo.
    jo = next(one for one in column["short"] if one["name"] == "Jo")
    assert plan["rules"][climb]["start_m"] < jo["at_m"]
    assert jo["short_j"] > 500
    never = [{"stretch": place, "rider": "maya", "length_s": 0} for place in range(len(plan["rules"]))]
    assert (await ask(here, made, by_hand=True, turns=never)).json()["variants"][-1]["against_s"] > 1  # the strongest
    same = (await ask(here, made, by_hand=True)).json()["variants"][-1]
    assert same["against_s"] == pytest.approx(0, abs=0.005 * plan["finish_s"])
    assert same["short"] == []


# Progress, and breaking off


async def test_how_far_it_is_can_be_asked_while_somebody_waits_and_a_second_question_is_turned_away(
    here: Arena,
) -> None:
    made = await here.set_up()
    waiting = asyncio.create_task(here.call("POST", f"/api/races/{made.code}/plan", {}, made.ticket))
    shares = []
    while not waiting.done():
        now = await work(here, made)
        if now["doing"] == "plan" and not now["over"]:
            shares.append(now["share"])
            if len(shares) == 3:
                second = await ask(here, made, rules={"wind_mps": 1})
        await asyncio.sleep(0.02)
    assert (await waiting).status_code == 200
    assert second.status_code == 409
    assert "already" in second.json()["sentence"]
    assert shares == sorted(shares)
    assert len(set(shares)) >= 3
    over = await work(here, made)
    assert (over["over"], over["trouble"]) == (True, None)


async def test_cancelling_ends_the_worker_and_changes_nothing(here: Arena) -> None:
    made = await here.set_up()
    waiting = asyncio.create_task(here.call("POST", f"/api/races/{made.code}/plan", {}, made.ticket))
    await until_told(here, made)
    process = here.parts.house._planner._planner._process
    assert process is not None
    answer = await here.call("DELETE", f"/api/races/{made.code}/work", ticket=made.ticket)
    assert answer.status_code == 204
    assert (await waiting).json()["sentence"] == "it was cancelled; nothing has changed"
    async with asyncio.timeout(5):
        await process.wait()
    assert (await draft(here, made))["plan"] is None
    assert (await here.call("POST", f"/api/races/{made.code}/plan", {"method": "steady"}, made.ticket)).is_success


async def test_a_plan_goes_on_while_its_page_reloads_and_is_broken_off_when_nobody_comes_back(here: Arena) -> None:
    made, left = await here.set_up(), await here.set_up()
    for race in (made, left):
        with pytest.raises(httpx.ReadTimeout):  # the page goes away in the middle
            await here.http.post(
                f"/api/races/{race.code}/plan",
                json={},
                headers={"Authorization": f"Bearer {race.ticket}"},
                timeout=0.3,
            )
    async with asyncio.timeout(40):
        while not (await work(here, made))["over"]:
            await asyncio.sleep(0.05)
    assert (await draft(here, made))["plan"] is not None
    race = await here.parts.house.race(left.code)
    assert race.trials.work is not None
    race.trials.work.seen_ms -= 60_000
    here.parts.house.plans.drop_unseen(race)
    await race.trials.work.ended()
    assert race.trials.work.broken_off
    assert race.draft.plan is None


async def test_a_race_that_comes_to_no_plan_says_so_to_a_page_that_came_back(here: Arena) -> None:
    made = await here.set_up()
    riders = [{**rider, "on_climbs": "none"} for rider in RIDERS]
    await here.call("PUT", f"/api/races/{made.code}/riders", riders, made.ticket)
    answer = await here.call("POST", f"/api/races/{made.code}/plan", {}, made.ticket)
    assert answer.status_code == 422
    sentence = answer.json()["sentence"]
    assert sentence.startswith("roster, leading on climbs: found nobody who leads on climb 1; expected at least one")
    assert (await work(here, made))["trouble"] == answer.json()
    await here.call("PUT", f"/api/races/{made.code}/riders", RIDERS, made.ticket)
    assert (await work(here, made))["doing"] is None  # it was another race's trouble


# Wishes, names, effects


async def test_a_rider_who_is_wished_not_to_lead_on_climbs_does_not(here: Arena) -> None:
    made = await here.set_up()
    riders = [{**RIDERS[0], "on_climbs": "none"}, {**RIDERS[1], "on_climbs": "short"}, *RIDERS[2:]]
    kept = (await here.call("PUT", f"/api/races/{made.code}/riders", riders, made.ticket)).json()
    assert [rider["on_climbs"] for rider in kept] == ["none", "short", "planned", "planned"]
    plan = (await here.call("POST", f"/api/races/{made.code}/plan", {}, made.ticket)).json()
    for rule in plan["rules"]:
        if rule["name"].startswith("climb"):
            lengths = {turn["rider"]: turn["length_s"] for turn in rule["turns"]}
            assert lengths["maya"] == 0
            assert lengths["otto"] <= 15


async def test_other_names_keep_the_plan_and_what_stands_beside_it(here: Arena) -> None:
    made = await planned(here, method="steady")
    await ask(here, made, by_hand=True)
    before = await draft(here, made)
    stretches = [f"part {number}" for number in range(len(before["course"]["stretches"]))]
    landmarks = [f"tree {number}" for number in range(len(before["course"]["landmarks"]))]
    names = {"name": "Nine bends", "stretches": stretches, "landmarks": landmarks}
    answer = await here.call("PUT", f"/api/races/{made.code}/course-names", names, made.ticket)
    assert answer.status_code == 200, answer.text
    after = await draft(here, made)
    assert after["course"]["name"] == "Nine bends"
    assert [one["name"] for one in after["course"]["landmarks"]] == landmarks
    assert [rule["name"] for rule in after["plan"]["rules"]] == stretches
    assert after["plan"]["finish_s"] == before["plan"]["finish_s"]
    beside = (await here.call("GET", f"/api/races/{made.code}/what-if", ticket=made.ticket)).json()
    assert len(beside["variants"]) == 1
    for wrong, sentence in (
        ({**names, "stretches": stretches[1:]}, "course, stretches: found"),
        ({**names, "landmarks": ["", *landmarks[1:]]}, "name: found ''; expected 1 to 40 printable characters"),
    ):
        refused = await here.call("PUT", f"/api/races/{made.code}/course-names", wrong, made.ticket)
        assert refused.status_code == 422
        assert sentence in refused.json()["sentence"]


async def test_effects_are_told_one_by_one_and_belong_to_their_plan(here: Arena) -> None:
    made = await planned(here, method="steady")
    path = f"/api/races/{made.code}/effects"
    refused = await here.call("POST", path, ticket=made.ticket)
    assert refused.status_code == 409
    assert "this plan is steady" in refused.json()["sentence"]
    await here.call("POST", f"/api/races/{made.code}/plan", {}, made.ticket)
    told = (await here.call("POST", path, ticket=made.ticket)).json()
    assert told["whole"]
    assert [row["key"] for row in told["rows"]] == [
        "climbs", "descents", "unequal", "turned_round", "as_listed", "form",
    ]  # fmt: skip
    finish_s = (await draft(here, made))["plan"]["finish_s"]
    for row in told["rows"]:
        assert row["gain_s"] == pytest.approx(row["other_s"] - finish_s, abs=2e-3)
    assert told == (await here.call("GET", path, ticket=made.ticket)).json()
    await here.call("POST", f"/api/races/{made.code}/plan", {"method": "steady"}, made.ticket)
    assert (await here.call("GET", path, ticket=made.ticket)).json() == {"rows": [], "whole": False}


async def test_only_the_director_works_anything_out(here: Arena) -> None:
    made = await here.opened()
    ticket = made.ticket_of("maya")
    for method, path in (("POST", "what-if"), ("POST", "effects"), ("GET", "work"), ("DELETE", "work")):
        body = {} if path == "what-if" else None
        answer = await here.call(method, f"/api/races/{made.code}/{path}", body, ticket)
        assert answer.status_code == 403, path


# How good it can be


async def test_a_closer_proof_changes_nothing_of_the_plan_but_what_is_proved(here: Arena) -> None:
    made = await planned(here)
    before = (await draft(here, made))["plan"]
    answer = await here.call("POST", f"/api/races/{made.code}/proof", ticket=made.ticket)
    assert answer.status_code == 200, answer.text
    after = (await draft(here, made))["plan"]
    assert answer.json() == after
    assert before["bound_s"] < after["bound_s"] < after["finish_s"]
    assert before | {"bound_s": after["bound_s"]} == after


async def test_without_a_plan_there_is_nothing_to_prove(here: Arena) -> None:
    made = await here.set_up()
    answer = await here.call("POST", f"/api/races/{made.code}/proof", ticket=made.ticket)
    assert answer.status_code == 409
    assert "there is no plan yet" in answer.json()["sentence"]

"""server/runner/rehearsing.py: simulated riders on the live runner, over real sockets."""

import asyncio
from pathlib import Path
from typing import Any

import pytest

from tests.server.serving import Arena, Made, Page, arena

PACE = 8


async def rehearsal(here: Arena) -> Made:
    answer = await here.call("POST", "/api/rehearsals", {"name": "demo", "pace": PACE, "seed": 5})
    assert answer.status_code == 201, answer.text
    return Made(**answer.json())


async def until(page: Page, true: Any, within_s: float = 40) -> dict[str, Any]:
    async with asyncio.timeout(within_s):
        while True:
            state = await page.next("state", within_s=within_s)
            if true(state):
                return state


def facts(state: dict[str, Any]) -> list[tuple[int, str, str]]:
    return [(line["at_ms"], line["by"], line["text"]) for line in state["log"] if line["kind"] == "fact"]


async def test_the_rehearsals_that_come_along_are_listed(tmp_path: Path) -> None:
    async with arena(tmp_path / "data") as here:
        listed = (await here.call("GET", "/api/rehearsals")).json()
        assert "demo" in [card["name"] for card in listed]
        assert all(card["title"] and card["about"] for card in listed)
        answer = await here.call("POST", "/api/rehearsals", {"name": "../../etc/passwd"})
        assert (answer.status_code, answer.json()["code"]) == (404, "not_known")


async def test_simulated_riders_feed_the_live_race_and_go_on_after_a_restart(tmp_path: Path) -> None:
    async with arena(tmp_path / "data") as here:
        made = await rehearsal(here)
        director = await here.page(made.code, made.ticket)
        presence = await director.next("presence")
        riders = [one for one in presence["here"] if one["who"] != "director"]
        assert len(riders) == 5
        assert all(one["devices"] and one["ready"] for one in riders)
        await director.settled(await director.tap("set_start", countdown_s=5))
        before = await until(director, lambda state: sum("swung off" in text for *_, text in facts(state)) >= 2)
        await director.send(kind="ping", sent=0)
        assert (await director.next("pong"))["rate"] == PACE
    async with arena(tmp_path / "data") as here:
        director = await here.page(made.code, made.ticket)
        after = await director.next("state")
        assert facts(after)[: len(facts(before))] == facts(before)
        swung = sum("swung off" in text for *_, text in facts(after))
        later = await until(director, lambda state: sum("swung off" in text for *_, text in facts(state)) >= swung + 2)
        told = facts(later)
        assert len(told) == len(set(told)), "a rider was seen to do the same thing twice"
        # The riders do as they are told: each swings off within three seconds of the word.
        switches = [line["at_ms"] for line in later["log"] if line["kind"] == "cue" and line["what"] == "switch"]
        offs = [at_ms for at_ms, _, text in told if "swung off" in text]
        assert len(offs) >= 4
        assert all(any(0 <= off - at <= 3_000 for off in offs) for at in switches if at < offs[-1])


async def test_a_rehearsal_whose_script_is_gone_still_opens(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async with arena(tmp_path / "data") as here:
        made = await rehearsal(here)
        race = await here.parts.house.race(made.code)
        await here.parts.house._let_go(race)
        here.parts.house._races.clear()

        def gone(path: Path) -> None:
            from caller.errors import ScenarioRefused

            raise ScenarioRefused(str(path), "", "No such file", "expected a scenario")

        monkeypatch.setattr("server.runner.house.scenario_in", gone)
        director = await here.page(made.code, made.ticket)
        assert (await director.next("state"))["phase"] == "lobby"

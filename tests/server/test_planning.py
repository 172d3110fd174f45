"""server/planning.py: questions to real worker processes."""

import asyncio
from collections.abc import AsyncIterator
from typing import Any

import pytest

from caller.errors import FileRefused, RulesRefused
from caller.plan import RaceRules
from server.planning import Planning, TooLong, WorkerBroken, WorkerBusy
from server.runner.draft import roster_of
from tests.server.serving import ready_draft


@pytest.fixture
async def planning() -> AsyncIterator[Planning]:
    asked = Planning(planning_s=60, reading_s=20, most_waiting=3)
    yield asked
    await asked.close()


async def test_a_plan_from_the_worker_is_the_plan_made_here(planning: Planning) -> None:
    draft = ready_draft()
    assert draft.course is not None
    plan = await planning.plan(draft.course, roster_of(draft), draft.rules, method="steady")
    assert plan == draft.plan


async def test_what_the_planner_refuses_comes_back_as_it_is(planning: Planning) -> None:
    draft = ready_draft()
    assert draft.course is not None
    with pytest.raises(FileRefused, match=r"noise\.gpx"):
        await planning.read_course(b"noise", "noise.gpx")
    with pytest.raises(RulesRefused):
        await planning.plan(draft.course, roster_of(draft), RaceRules(counted=5), method="steady")


async def test_the_loop_is_free_while_a_plan_is_made(planning: Planning) -> None:
    draft = ready_draft()
    assert draft.course is not None
    asked = asyncio.create_task(planning.plan(draft.course, roster_of(draft), draft.rules))
    loop = asyncio.get_running_loop()
    turns = 0
    while not asked.done():
        await asyncio.sleep(0.005)
        turns += 1
    assert (await asked).finish_s > 0
    assert turns > 20
    assert loop.is_running()


async def test_a_question_that_takes_too_long_is_given_up_and_the_next_one_is_answered(planning: Planning) -> None:
    planning._reader._within_s = 0.01
    with pytest.raises(TooLong):
        await planning.read_table("flat", ((0.0, 0.0), (5_000.0, 0.0)))
    planning._reader._within_s = 20
    course = await planning.read_table("flat", ((0.0, 0.0), (5_000.0, 0.0)))
    assert course.length_m == 5_000


async def test_a_question_nobody_waits_for_leaves_no_answer_to_the_next_one(planning: Planning) -> None:
    await planning.read_table("first", ((0.0, 0.0), (5_000.0, 0.0)))
    asked = asyncio.create_task(planning.read_table("second", ((0.0, 0.0), (6_000.0, 0.0))))
    await asyncio.sleep(0)
    asked.cancel()
    with pytest.raises(asyncio.CancelledError):
        await asked
    assert (await planning.read_table("third", ((0.0, 0.0), (7_000.0, 0.0)))).name == "third"


async def test_a_worker_that_dies_is_replaced(planning: Planning) -> None:
    await planning.read_table("first", ((0.0, 0.0), (5_000.0, 0.0)))
    process = planning._reader._process
    assert process is not None
    process.kill()
    await process.wait()
    assert (await planning.read_table("second", ((0.0, 0.0), (6_000.0, 0.0)))).name == "second"


async def test_a_fault_in_the_worker_is_ours_and_the_worker_lives(planning: Planning) -> None:
    with pytest.raises(WorkerBroken, match="KeyError"):
        await planning._reader.ask("no such question")
    process = planning._reader._process
    assert process is not None
    assert process.returncode is None


async def test_too_many_questions_are_turned_away(planning: Planning) -> None:
    rows = ((0.0, 0.0), (5_000.0, 0.0))
    asked: list[asyncio.Task[Any]] = [asyncio.create_task(planning.read_table(str(n), rows)) for n in range(4)]
    outcomes = await asyncio.gather(*asked, return_exceptions=True)
    assert [type(outcome).__name__ for outcome in outcomes] == ["Course"] * 3 + ["WorkerBusy"]
    assert isinstance(outcomes[3], WorkerBusy)

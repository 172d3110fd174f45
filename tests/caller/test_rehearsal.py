"""A whole rehearsal on virtual time: the transcripts in git, the demo's beats, determinism, replay."""

from functools import partial
from itertools import pairwise
from pathlib import Path

import pytest

from caller import race
from caller.cues import CUE_TABLE, CueKind
from caller.facts import FeltGood, GapClosed, GapOpened, LatchedOn, LostWheel, RaceFinished, RejoinedAt, WaitFor
from caller.log import dump, load
from caller.rehearsal import Result, read_scenario, run_fast
from server.planning import best_plan
from server.runner.house import scenario_in
from tests.caller.rehearsing import Ride, event, plan_by_hand, small

SCENARIOS = Path(__file__).parents[2] / "scenarios"
NAMES = sorted(path.stem for path in SCENARIOS.glob("*.toml"))


def rehearsed(name: str, seed: int | None = None) -> Result:
    scenario = scenario_in(SCENARIOS / f"{name}.toml")
    return run_fast(scenario, planner=partial(best_plan, method=scenario.plan), seed=seed, title=name)


@pytest.fixture(scope="module")
def demo() -> Result:
    return rehearsed("demo")


# What is in git


@pytest.mark.parametrize("name", NAMES)
def test_a_scenario_is_called_as_its_transcript_in_git_has_it(name: str) -> None:
    # If the change is meant: python -m tests.bless NAME, and read the difference.
    assert rehearsed(name).transcript + "\n" == (SCENARIOS / f"{name}.cues.txt").read_text("utf-8")


@pytest.mark.parametrize("name", NAMES)
def test_every_scenario_ends_with_a_finish_and_nothing_told_too_late(name: str) -> None:
    result = rehearsed(name)
    assert result.finish_s is not None
    assert result.score.cues_too_late == 0
    assert result.score.requests_refused == 0


# The demo's beats


def at_ms(result: Result, kind: type) -> list[int]:
    return [entry.at_ms for entry in result.entries if isinstance(entry.fact, kind)]


def told(result: Result, kind: CueKind) -> list[int]:
    return [cue.due_ms for cue in result.cues if cue.kind is kind]


def test_in_the_demo_a_rider_rejoins_too_early_and_leads_a_shorter_turn(demo: Result) -> None:
    # Where somebody only follows, riders tell their slot at every latch; who is early is the director's to tell.
    entry = next(entry for entry in demo.entries if isinstance(entry.fact, RejoinedAt) and entry.by == "director")
    assert isinstance(entry.fact, RejoinedAt)
    rider = entry.fact.rider
    assert entry.fact.slot == 3  # of five: the last but one
    assert entry.at_ms < 180_000  # something happens within the first minutes
    change = demo.order_changes[0]
    assert (change.at_ms, change.after[3]) == (entry.at_ms, rider)
    assert min(told(demo, CueKind.NEW_ORDER)) - entry.at_ms <= 3_000
    next_switch = next(
        cue for cue in demo.cues if cue.kind is CueKind.SWITCH and cue.rider == rider and cue.due_ms > entry.at_ms
    )
    assert "rested" in next_switch.because


def test_in_the_demo_a_gap_opens_is_called_and_closes(demo: Result) -> None:
    opened, closed, called = at_ms(demo, GapOpened), at_ms(demo, GapClosed), told(demo, CueKind.CLOSE_GAP)
    assert len(opened) == len(closed) == 1
    assert opened[0] < called[0] < closed[0]
    assert opened[0] < 180_000


def test_in_the_demo_a_good_day_makes_a_turn_longer(demo: Result) -> None:
    felt, longer = at_ms(demo, FeltGood), told(demo, CueKind.STAY_ON)
    assert len(felt) == 1
    assert 0 < longer[0] - felt[0] <= 1_000
    assert any("a good day" in cue.because for cue in demo.cues if cue.kind is CueKind.SWITCH)


def test_in_the_demo_a_lost_rider_is_waited_for_and_comes_back_on_the_climb(demo: Result) -> None:
    (lost,) = (entry for entry in demo.entries if isinstance(entry.fact, LostWheel))
    assert isinstance(lost.fact, LostWheel)
    rider = lost.fact.rider
    (decided,) = at_ms(demo, WaitFor)
    back = next(
        entry.at_ms for entry in demo.entries if entry.fact == LatchedOn(rider=rider) and entry.at_ms > lost.at_ms
    )
    assert lost.at_ms < decided < told(demo, CueKind.WAIT)[0] < back
    orders = [change.after for change in demo.order_changes]
    assert lost.at_ms < min(told(demo, CueKind.ADRIFT)) < decided
    assert rider in orders[-1]


def test_the_demo_has_every_terrain_called_and_the_last_kilometre(demo: Result) -> None:
    assert [cue.place for cue in demo.cues if cue.kind is CueKind.TERRAIN] == ["climb", "descent", "flat"]
    assert len(told(demo, CueKind.ALL_IN)) == 1


def test_the_riders_of_the_demo_do_as_they_are_called(demo: Result) -> None:
    # Were the line believed another than the one ridden, switches would be called to people who don't lead.
    assert demo.score.switches_unheeded <= 1


# Laws


def test_one_seed_gives_the_same_bytes(demo: Result) -> None:
    again = rehearsed("demo")
    assert again.transcript == demo.transcript
    assert [dump(entry) for entry in again.entries] == [dump(entry) for entry in demo.entries]


def test_another_seed_gives_another_day(demo: Result) -> None:
    assert rehearsed("demo", seed=8).transcript != demo.transcript


def test_the_log_of_a_rehearsal_replays_to_the_same_race(demo: Result) -> None:
    state = race.replay(load(dump(entry)) for entry in demo.entries)
    assert state.phase is race.Phase.OVER
    assert state.now_ms == demo.entries[-1].at_ms
    assert {cue.id for cue in demo.cues} >= {cue.id for cue in state.fixed}
    assert state.told == {cue.id for cue in demo.cues}


def test_every_instant_is_a_whole_number_of_milliseconds(demo: Result) -> None:
    assert all(type(cue.due_ms) is int for cue in demo.cues)
    assert all(type(entry.at_ms) is int for entry in demo.entries)


def test_the_transcript_is_in_order_and_says_each_cue_heard_once(demo: Result) -> None:
    lines = [line for line in demo.transcript.splitlines() if not line.startswith("#")]
    clocks = [line[:9] for line in lines if not line.lstrip().startswith("-")]
    seconds = [60 * int(clock.split(":")[0]) + float(clock.split(":")[1]) for clock in clocks]
    assert seconds == sorted(seconds)
    end_ms = demo.entries[-1].at_ms
    assert sum(line[11:18].strip() == "cue" for line in lines) == sum(cue.due_ms <= end_ms for cue in demo.cues)


def test_no_cue_is_told_twice(demo: Result) -> None:
    ids = [cue.id for cue in demo.cues]
    assert len(ids) == len(set(ids))


def test_riding_fast_and_being_asked_at_every_step_give_the_same_race() -> None:
    script = event("rejoins_early", 'rider = "otto", turn = 1', 'rider = "otto"', "slot = 2") + event(
        "opens_gap", "at_s = 95", 'rider = "ines"'
    )
    fast = run_fast(small(script), planner=plan_by_hand)
    asked = Ride(small(script), step_ms=50).until(10_000)
    assert [(entry.at_ms, entry.fact) for entry in asked.entries] == [
        (entry.at_ms, entry.fact) for entry in fast.entries
    ]
    assert {cue.id: cue.due_ms for cue in asked.cues} == {cue.id: cue.due_ms for cue in fast.cues}


def test_riders_who_were_stopped_stand_and_ride_on_when_the_line_is_resumed() -> None:
    stop = event("director_calls", "at_s = 30", 'aloud = "stop"')
    result = run_fast(small(stop + event("director_resumes", "at_s = 90")), planner=plan_by_hand)
    straight = run_fast(small(), planner=plan_by_hand)
    assert result.score.switches_unheeded == 0
    # 60 s of standing, and as long again as it takes to brake to a stand and to come up to speed
    assert straight.finish_s is not None
    assert result.finish_s is not None
    assert 60 < result.finish_s - straight.finish_s < 90


def test_a_race_that_is_stopped_has_no_finish() -> None:
    result = run_fast(small(event("director_calls", "at_s = 30", 'aloud = "stop"')), planner=plan_by_hand)
    assert result.finish_s is None
    assert result.score.against_plan_s is None
    assert not at_ms(result, RaceFinished)
    assert "finish: none" in result.transcript


def test_a_request_that_cannot_be_met_stands_in_the_transcript_and_changes_nothing() -> None:
    # Lengthening a turn whose switch is being called (2 s ahead of the end at 30 s) comes too late.
    result = run_fast(small(event("director_lengthens", "at_s = 28.5", "by_s = 10")), planner=plan_by_hand)
    assert result.score.requests_refused == 1
    (line,) = (line for line in result.transcript.splitlines() if "  refused  " in line)
    assert "its switch is being called already" in line
    assert [entry.seq for entry in result.entries] == list(range(1, len(result.entries) + 1))


def test_words_in_a_transcript_can_be_of_another_language() -> None:
    # Spanish for a change is cambio (dictionary).
    english, spanish = (run_fast(small(), planner=plan_by_hand, language=code).transcript for code in ("en", "es"))
    assert "“Otto, switch now”" in english
    assert "“Otto, cambio”" in spanish


def test_without_a_planner_the_steady_plan_is_ridden() -> None:
    assert run_fast(small()).plan.method == "steady"


def test_four_equal_riders_at_thirty_seconds_rest_ninety() -> None:
    # Common practice, no source: four riders at 30 s turns rest 90 s between their own.
    result = run_fast(small(), planner=plan_by_hand)
    switches = [(cue.rider, cue.due_ms) for cue in result.cues if cue.kind is CueKind.SWITCH]
    swung_off = dict(reversed(switches[:4]))
    for rider, due_ms in switches[4:8]:
        began_ms = due_ms - 30_000
        assert began_ms - swung_off[rider] == pytest.approx(90_000, abs=1)
    assert all(later - sooner == 30_000 for (_, sooner), (_, later) in pairwise(switches[:8]))


def test_every_cue_became_fixed_its_commit_window_ahead() -> None:
    ride = Ride(small(event("opens_gap", "at_s = 95", 'rider = "ines"')), step_ms=10)
    known: set[str] = set()
    for now_ms in ride.steps(120):
        for cue in ride.cues:
            if cue.id not in known:
                known.add(cue.id)
                assert cue.due_ms - now_ms >= CUE_TABLE[cue.kind].commit_ms - 10


def test_a_scenario_from_text_alone_can_be_ridden() -> None:
    text = (SCENARIOS / "demo.toml").read_text("utf-8")
    assert run_fast(read_scenario(text), planner=plan_by_hand).finish_s is not None

"""The baseline plan: what it promises, and that the race would rotate as it says."""

from dataclasses import replace
from itertools import pairwise

import pytest

from caller.calling import PlanPolicy
from caller.course import Course, course_from_profile
from caller.errors import NoPlan, RulesRefused
from caller.estimate import at_start
from caller.plan import Plan, RaceRules
from caller.planner import steady_plan
from caller.riders import Roster
from caller.rotation import begin, form_line, project
from caller.units import ms_from_s
from tests.caller.planning import FLAT, TEAM, rider

HILLY = course_from_profile(
    name="hilly", distance_m=(0, 6_000, 9_000, 13_000, 18_000), height_m=(50.0, 55.0, 205.0, 60.0, 60.0)
)


@pytest.mark.parametrize("course", [FLAT, HILLY], ids=["flat", "hilly"])
def test_nobody_falls_below_the_margin(course: Course) -> None:
    rules = RaceRules(reserve_margin=0.15)
    plan = steady_plan(course, TEAM, rules)
    for reserve in plan.reserves:
        assert reserve.least_j >= 0.15 * TEAM[reserve.rider].w_prime_j - 0.1
        assert reserve.least_j <= min(reserve.at_stretch_end_j)
        assert len(reserve.at_stretch_end_j) == len(course.stretches)


@pytest.mark.parametrize("course", [FLAT, HILLY], ids=["flat", "hilly"])
def test_the_plan_covers_the_course_in_time_and_place(course: Course) -> None:
    plan = steady_plan(course, TEAM, RaceRules())
    assert [(rule.start_m, rule.end_m) for rule in plan.rules] == [(s.start_m, s.end_m) for s in course.stretches]
    assert plan.schedule[-1] == (course.length_m, plan.finish_s)
    assert max(after[0] - before[0] for before, after in pairwise(plan.schedule)) <= 500
    assert plan.turns[0].start_s == 0
    for before, after in pairwise(plan.turns):
        assert after.start_s == pytest.approx(before.start_s + before.length_s, abs=0.002)
    assert plan.turns[-1].start_s + plan.turns[-1].length_s == pytest.approx(plan.finish_s, abs=0.002)


def test_speed_does_not_jump_from_stretch_to_stretch() -> None:
    plan = steady_plan(HILLY, TEAM, RaceRules())
    speeds = [(m1 - m0) / (s1 - s0) for (m0, s0), (m1, s1) in pairwise(plan.schedule)]
    spans = [s1 - s0 for (_, s0), (_, s1) in pairwise(plan.schedule)]
    for before, after, span, next_span in zip(speeds, speeds[1:], spans, spans[1:], strict=False):
        assert abs(after - before) / ((span + next_span) / 2) < 0.8  # m/s²; a standing start is the hardest


@pytest.mark.parametrize("course", [FLAT, HILLY], ids=["flat", "hilly"])
def test_the_race_rotates_as_planned(course: Course) -> None:
    rules = RaceRules()
    plan = steady_plan(course, TEAM, rules)
    policy = PlanPolicy(plan=plan, rules=rules, position=at_start(), form=())
    line = begin(form_line(plan.order), 0, policy)
    changes = list(project(line, policy, ms_from_s(plan.finish_s) - 1))
    assert [change.begun.rider for change in changes] == [turn.rider for turn in plan.turns[1:]]
    assert [change.at_ms / 1000 for change in changes] == pytest.approx(
        [turn.start_s for turn in plan.turns[1:]], abs=0.05
    )


def test_turns_keep_to_the_limits_in_steps_of_five_seconds() -> None:
    rules = RaceRules(shortest_turn_s=20, longest_turn_s=40)
    plan = steady_plan(HILLY, TEAM, rules)
    lengths = {turn.length_s for rule in plan.rules for turn in rule.turns}
    assert lengths <= {0.0, 20.0, 25.0, 30.0, 35.0, 40.0}
    assert lengths != {0.0}


def test_a_team_rides_the_flat_as_the_trade_would_expect() -> None:
    # Common practice, no source: about 6.5 W/kg on the front beside about 4.5 W/kg on a wheel for strong riders on the
    # flat; ours here are amateurs of 4.4 to 4.7 W/kg critical power, so the front is lower.
    plan = steady_plan(FLAT, TEAM, RaceRules())
    for turn in plan.rules[0].turns:
        assert 5.5 <= turn.power_w / TEAM[turn.rider].mass_kg <= 7.0
    assert 45 <= 3.6 * FLAT.length_m / plan.finish_s <= 54


def test_the_same_input_gives_the_same_plan() -> None:
    assert repr(steady_plan(HILLY, TEAM, RaceRules())) == repr(steady_plan(HILLY, TEAM, RaceRules()))


def finish_s(course: Course = FLAT, roster: Roster = TEAM, **rules: float) -> float:
    return steady_plan(course, roster, replace(RaceRules(), **rules)).finish_s  # type: ignore[arg-type]


def test_less_shelter_more_wind_or_a_weaker_rider_is_slower() -> None:
    usual = finish_s()
    assert finish_s(shelter_efficiency=0.6) > usual
    assert finish_s(wind_mps=3) > usual
    assert finish_s(reserve_margin=0.3) > usual
    weaker = Roster(riders=(*TEAM.riders[:3], replace(TEAM.riders[3], critical_power_w=280)))
    assert finish_s(roster=weaker) > usual


def test_the_time_cannot_count_on_a_rider_who_is_not_there() -> None:
    with pytest.raises(RulesRefused, match="counted: found 5; expected 1 to 4"):
        steady_plan(FLAT, TEAM, RaceRules(counted=5))


def test_who_cannot_hold_a_wheel_is_named_with_place_lack_and_mend() -> None:
    wall = course_from_profile(name="wall", distance_m=(0, 1_000, 2_000, 3_000), height_m=(0, 0, 330, 330))
    weak = Roster(riders=(*TEAM.riders[:3], replace(TEAM.riders[3], name="Ida", critical_power_w=150, mass_kg=95)))
    with pytest.raises(NoPlan) as refusal:
        steady_plan(wall, weak, RaceRules(counted=3))
    sentence = str(refusal.value)
    assert sentence.startswith("Ida cannot hold a sheltered wheel on climb 1 at ")
    assert " W; leave Ida out of the line there" in sentence


@pytest.mark.parametrize("recovery", ["differential-2015", "elite-2018", "integral-2012"])
def test_each_recovery_model_gives_a_plan(recovery: str) -> None:
    plan: Plan = steady_plan(HILLY, TEAM, RaceRules(recovery=recovery))
    assert plan.finish_s > 0


def test_ten_riders_and_two_riders_get_a_plan() -> None:
    ten = Roster(riders=tuple(rider(f"R{index}", 65 + index, 300 + 5 * index, 18_000, 0.24) for index in range(10)))
    assert steady_plan(FLAT, ten, RaceRules()).finish_s < finish_s(roster=Roster(riders=ten.riders[:2]), counted=2)

"""Riders who need not finish: spent where that is faster, truly simulated, and followed by the race."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from caller.calling import PlanPolicy
from caller.course import course_from_profile
from caller.errors import PlanRefused
from caller.estimate import at_start
from caller.plan import Plan, RaceRules
from caller.planner import optimise
from caller.planner.model import Rotation, cut_ground, form_team, rotate, simulate
from caller.riders import Roster
from caller.rotation import begin, form_line, project
from caller.units import RiderId, ms_from_s
from tests.caller.planning import TEAM, rider

UPHILL = course_from_profile(name="uphill", distance_m=(0, 5_000, 8_000), height_m=(50.0, 50.0, 230.0))
WEAK = Roster(riders=(*TEAM.riders[:3], rider("Ida", 82, 265, 16_000, 0.25)))
RULES = RaceRules(counted=3)


@cache
def planned(counted: int) -> Plan:
    return optimise(UPHILL, WEAK, replace(RULES, counted=counted))


def test_who_is_weak_on_the_climb_is_spent_by_its_foot_and_the_others_win_by_it() -> None:
    # Common practice, no source: the slowest climber works on the flat and lets go where the climb begins.
    plan = planned(3)
    assert [spent for spent, _ in plan.spent] == ["ida"]
    assert plan.spent[0][1] <= 5_500
    assert plan.finish_s < 0.99 * planned(4).finish_s


def test_nobody_is_spent_where_all_must_finish() -> None:
    assert planned(4).spent == ()


def test_who_is_spent_may_use_up_all_and_the_others_keep_the_margin() -> None:
    plan = planned(3)
    for reserve in plan.reserves:
        margin = 0.0 if reserve.rider == "ida" else RULES.reserve_margin
        assert reserve.least_j >= margin * WEAK[reserve.rider].w_prime_j - 0.1
    assert plan.bound_s is not None
    assert plan.bound_s <= plan.finish_s


def test_the_race_gives_no_turn_to_who_is_spent() -> None:
    plan = planned(3)
    policy = PlanPolicy(plan=plan, rules=RULES, position=at_start(), form=())
    spent_m = dict(plan.spent)[RiderId("ida")]
    led = [turn for turn in plan.turns if turn.rider == "ida"]
    assert all(turn.start_m <= spent_m for turn in led)
    assert policy.only_follows(RiderId("ida"), ms_from_s(plan.finish_s) - 1)
    changes = project(begin(form_line(plan.order), 0, policy), policy, ms_from_s(plan.finish_s) - 1)
    late = [change for change in changes if change.begun.rider == "ida" and change.begun.planned_ms > 0]
    assert all(change.at_ms / 1000 <= max((turn.start_s for turn in led), default=0.0) + 1 for change in late)


def test_a_leader_spent_leaves_with_the_end_of_that_turn_and_the_line_is_one_shorter() -> None:
    team, ground = form_team(TEAM, RULES), cut_ground(UPHILL, RULES)
    speeds = np.full(len(ground.edge_m), 10.0)
    speeds[0] = 0.0
    ride = simulate(
        team, ground, speeds, Rotation(order=(0, 1, 2, 3), lengths_s=((30.0,) * 4,) * 2, spent=((1, 500.0),))
    )
    assert [turn.rider for turn in ride.turns[:7]] == [0, 1, 2, 3, 0, 2, 3]
    assert ride.turns[1].end_s == 60.0
    after = np.searchsorted(ride.phases.start_s, 60.0, side="right") - 1
    assert ride.phases.rides[after - 1, 1] == 1
    assert np.all(ride.phases.rides[after:, 1] == 0)
    assert set(ride.phases.share[-1, [0, 2, 3]]) <= {*team.shares[3], *team.shares[2], 1.0}
    assert np.all(ride.power_w[ride.cut_s[:-1] >= 60.0, 1] == 0)


def test_a_follower_spent_leaves_there_and_then() -> None:
    team, ground = form_team(TEAM, RULES), cut_ground(UPHILL, RULES)
    edge_s = ground.edge_m / 10.0
    phases, turns = rotate(
        team, ground, edge_s, Rotation(order=(0, 1, 2, 3), lengths_s=((30.0,) * 4,) * 2, spent=((3, 200.0),))
    )
    assert phases.start_s[np.argmax(phases.rides[:, 3] == 0)] == pytest.approx(20.0)
    assert 3 not in {turn.rider for turn in turns}


@pytest.mark.parametrize(
    ("spent", "words"),
    [
        ((("nobody", 100.0),), "expected riders of the order, each once"),
        ((("ida", 100.0), ("ida", 200.0)), "expected riders of the order, each once"),
        ((("ida", 9_000.0),), "expected 0 to 8000 m"),
        ((("ida", float("nan")),), "expected 0 to 8000 m"),
    ],
)
def test_a_plan_refuses_to_spend_strangers_and_off_the_course(spent: tuple[tuple[str, float], ...], words: str) -> None:
    with pytest.raises(PlanRefused, match=words):
        replace(planned(4), spent=tuple((RiderId(one), at_m) for one, at_m in spent))

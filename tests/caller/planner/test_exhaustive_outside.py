"""Small cases solved by trying everything: a plan is hardly slower than the best of its own form."""

import pytest

from caller.course import Course, course_from_profile
from caller.plan import RaceRules
from caller.planner import optimise
from caller.planner.model import cut_ground, form_team
from caller.riders import Roster
from tests.caller.planner.exhaustive import best_of_all
from tests.caller.planner.wild import Case
from tests.caller.planning import TEAM, rider

FLAT = course_from_profile(name="flat", distance_m=(0, 4_000), height_m=(10, 10))
FOOT = course_from_profile(name="foot of a hill", distance_m=(0, 2_000, 3_200), height_m=(10, 10, 82))
OVER = course_from_profile(name="over a hill", distance_m=(0, 1_200, 2_800), height_m=(10, 70, 10))
WEAK = rider("Em", 60, 235, 12_000, 0.240)
LIGHT, HEAVY = rider("Li", 56, 280, 16_000, 0.205), rider("He", 88, 355, 20_000, 0.260)
PUSHES = (0.85, 1.05, 1.3)


@pytest.mark.parametrize(
    ("course", "riders", "rules", "lengths_s"),
    [
        (
            FLAT,
            TEAM.riders[:2],
            RaceRules(draw_per_turn=1, counted=2, shortest_turn_s=5, longest_turn_s=60),
            tuple(range(5, 61, 5)),
        ),
        (FLAT, TEAM.riders[:3], RaceRules(draw_per_turn=1, counted=3, longest_turn_s=40), (0, 10, 20, 30, 40)),
        (FLAT, (*TEAM.riders[1:3], WEAK), RaceRules(draw_per_turn=1, counted=3, longest_turn_s=60), (0, 10, 30, 60)),
        (
            FOOT,
            (LIGHT, HEAVY),
            RaceRules(draw_per_turn=1, counted=2, longest_turn_s=40, recovery="elite-2018"),
            (10, 25, 40),
        ),
        (OVER, (LIGHT, HEAVY), RaceRules(draw_per_turn=1, counted=2, longest_turn_s=40, wind_mps=2), (10, 25, 40)),
    ],
    ids=["two", "three", "two and a weak one", "foot of a hill", "over a hill"],
)
def test_trying_everything_finds_hardly_anything_faster(
    course: Course, riders: tuple[object, ...], rules: RaceRules, lengths_s: tuple[float, ...]
) -> None:
    roster = Roster(riders=riders)  # type: ignore[arg-type]
    case = Case(
        roster=roster, course=course, rules=rules, team=form_team(roster, rules), ground=cut_ground(course, rules)
    )
    best_s, rotation = best_of_all(case, lengths_s, PUSHES)
    plan = optimise(course, roster, rules)
    print(f"plan {plan.finish_s:.2f} s, everything tried {best_s:.2f} s: {100 * (plan.finish_s / best_s - 1):+.2f} %")
    assert plan.finish_s <= 1.005 * best_s, rotation
    # What was tried is no straw man: it is near the plan, too.
    assert best_s <= 1.05 * plan.finish_s

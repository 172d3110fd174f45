"""The bound against rides that no search of ours made: whatever the team, the course, the rules and the ride.

Nothing is asked of how a bound is found or proved: only that what is claimed for every rotation is true of each one
tried. A ride faster than its bound is a bug in one of them.
"""

from dataclasses import replace
from random import Random

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from caller.course import Course, course_from_profile
from caller.errors import NoPlan
from caller.plan import RaceRules
from caller.planner import optimise, steady_plan
from caller.planner.bound import limits_of, lower_bound_s, weighing
from caller.planner.model import FASTEST_LINE_MPS
from caller.planner.prices import good_prices
from caller.riders import Roster
from caller.units import RiderId
from tests.caller.planner.wild import Case, drawn_case, least_turn_s, ridden, ways
from tests.caller.planning import TEAM

ROUNDED_S = 0.001
"""Plans tell times in whole milliseconds."""


def claims_s(case: Case, shortest_s: list[float]) -> list[float]:
    """What is claimed for every rotation of which no turn but the last is shorter, for each of these."""
    prices = good_prices(case.team, case.ground)
    known = {one: lower_bound_s(case.team, case.ground, prices, one) for one in set(shortest_s)}
    return [known[one] for one in shortest_s]


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(seed=st.integers(0, 2**32 - 1))
def test_no_ride_that_holds_beats_what_is_claimed_for_all(seed: int) -> None:
    draw = Random(seed)
    case = drawn_case(draw, most_riders=6)
    rides = [ride for way in ways(draw, case, 6) if (ride := ridden(case, way)) is not None]
    if not rides:
        return
    fastest = min(rides, key=lambda ride: ride.finish_s)
    longest = max(rides, key=least_turn_s)
    claims = claims_s(case, [5.0, least_turn_s(fastest), least_turn_s(longest)])
    for ride, claim_s in zip((fastest, fastest, longest), claims, strict=True):
        assert ride.finish_s >= claim_s


@settings(max_examples=4, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(seed=st.integers(0, 2**32 - 1))
def test_no_plan_beats_its_own_bound(seed: int) -> None:
    case = drawn_case(Random(seed), most_riders=4)
    try:
        plans = [optimise(case.course, case.roster, case.rules, form=form) for form in ("memorable", "free")]
    except NoPlan:
        return
    for plan in plans:
        assert plan.bound_s is not None
        assert plan.finish_s + ROUNDED_S >= plan.bound_s
    steady = steady_plan(case.course, case.roster, case.rules)
    shortest_s = max(5.0, min([turn.length_s for turn in steady.turns[:-1]], default=5.0) - 2 * ROUNDED_S)
    assert steady.finish_s + ROUNDED_S >= claims_s(case, [shortest_s])[0]


def alike(count: int, **figures: float) -> Roster:
    """So many riders with the same figures."""
    first = replace(TEAM.riders[1], **figures)  # type: ignore[arg-type]
    return Roster(riders=tuple(replace(first, id=RiderId(f"r{index}"), name=f"R{index}") for index in range(count)))


def profile(*places: tuple[float, float]) -> Course:
    return course_from_profile(name="made", distance_m=[at for at, _ in places], height_m=[high for _, high in places])


FLAT = profile((0, 10), (12_000, 10))
DOWN = profile((0, 900), (10_000, 100))
UP = profile((0, 0), (5_000, 400))
ROLLERS = profile(*((400.0 * index, 100.0 + 16.0 * (index % 2)) for index in range(21)))
SHORT = profile((0, 10), (1_000, 10))


@pytest.mark.parametrize(
    ("course", "roster", "rules"),
    [
        (DOWN, alike(4), RaceRules()),
        (FLAT, alike(4), RaceRules()),
        (FLAT, alike(2), RaceRules(counted=2, closing_mps=4, latch_s=0, shortest_turn_s=60)),
        (FLAT, alike(4, w_prime_j=3_000), RaceRules(shortest_turn_s=5, closing_mps=4, latch_s=0)),
        (SHORT, alike(2, w_prime_j=45_000), RaceRules(counted=2)),
        (
            profile((0, 10), (5_000, 10)),
            alike(2, w_prime_j=45_000),
            RaceRules(counted=2, shelter_efficiency=0, closing_mps=0.2, latch_s=0, shortest_turn_s=5, draw_per_turn=1),
        ),
        (UP, alike(4), RaceRules(shelter_efficiency=0, closing_mps=4, latch_s=0, shortest_turn_s=5)),
        (FLAT, alike(4), RaceRules(shelter_efficiency=0, closing_mps=0.2, latch_s=0, shortest_turn_s=5)),
        (FLAT, alike(3), RaceRules(counted=3, shelter_table=(1.2, 0.3))),
        (UP, alike(3), RaceRules(counted=2, reserve_margin=0.5)),
        (ROLLERS, alike(4), RaceRules(closing_mps=4, latch_s=0)),
        (FLAT, alike(3), RaceRules(counted=3, wind_mps=-15, recovery="elite-2018")),
    ],
    ids=lambda value: "",
)
def test_where_plan_and_bound_come_close_the_plan_is_the_slower(
    course: Course, roster: Roster, rules: RaceRules
) -> None:
    plan = optimise(course, roster, rules, form="free")
    assert plan.bound_s is not None
    assert plan.bound_s <= plan.finish_s + ROUNDED_S


def test_leaving_out_who_need_not_finish_does_not_beat_the_bound() -> None:
    weak = replace(TEAM.riders[0], critical_power_w=120)
    roster = Roster(riders=(weak, *TEAM.riders[1:]))
    plan = optimise(FLAT, Roster(riders=roster.riders[1:]), RaceRules(counted=3))
    whole = optimise(FLAT, roster, RaceRules(counted=3))
    assert whole.bound_s is not None
    assert plan.finish_s + ROUNDED_S >= whole.bound_s
    held_to_all = optimise(FLAT, roster, RaceRules(counted=4))
    assert held_to_all.bound_s is not None
    assert plan.finish_s < held_to_all.bound_s, "else this test could not fail"


@pytest.mark.parametrize("seed", [2, 13, 17])
def test_the_least_over_speed_is_the_least_of_all_speeds(seed: int) -> None:
    # A bound is a proof only if no speed is cheaper than the one taken for the cheapest. Curves over speed have several
    # dips; what a fine comb finds below them all may be no more than a hundred-thousandth of the time.
    case = drawn_case(Random(seed), most_riders=6)
    prices = good_prices(case.team, case.ground)
    weighed = weighing(case.team, case.ground, prices, limits_of(case.team))
    taken, _ = weighed.minimum()
    combed = taken.copy()
    for speed in np.geomspace(0.4, FASTEST_LINE_MPS, 900):
        combed = np.minimum(combed, weighed.least(np.full(len(taken), speed)))
    cells = len(case.ground.grade)
    over = 0.5 * case.ground.length_m * ((taken - combed)[:cells] + (taken - combed)[cells:])
    assert over.sum() <= 2e-5 * weighed.bound_s()

"""The optimised plan: it holds, it beats the baseline, it is proved near the best, others agree with its physics."""

from dataclasses import replace
from functools import cache
from itertools import permutations, product

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from caller.calling import PlanPolicy
from caller.course import Course, course_from_profile, grade_at
from caller.errors import NoPlan, PlanRefused, RulesRefused
from caller.estimate import at_start
from caller.physics import air_density_kg_m3, road_power_w, shelter_shares, standard_pressure_pa
from caller.plan import Plan, RaceRules
from caller.planner import optimise, steady_plan
from caller.planner.model import Rotation, cut_ground, form_team
from caller.planner.search import held
from caller.planner.steady import steady_ride
from caller.riders import Roster
from caller.rotation import begin, form_line, project
from caller.units import RiderId, ms_from_s
from tests.caller.planning import FLAT, TEAM, rider

HILLY = course_from_profile(
    name="hilly", distance_m=(0, 5_000, 8_000, 12_000, 16_000), height_m=(50.0, 55.0, 205.0, 60.0, 60.0)
)
COURSES = pytest.mark.parametrize("course", [FLAT, HILLY], ids=["flat", "hilly"])


@cache
def planned(course: Course, rules: RaceRules = RaceRules(), form: str = "memorable") -> Plan:  # noqa: B008
    return optimise(course, TEAM, rules, form=form)


@COURSES
def test_nobody_falls_below_the_margin(course: Course) -> None:
    for reserve in planned(course).reserves:
        assert reserve.least_j >= 0.1 * TEAM[reserve.rider].w_prime_j - 0.1


@COURSES
def test_it_is_faster_than_the_baseline_and_than_equal_turns_and_not_below_the_bound(course: Course) -> None:
    plan = planned(course)
    assert plan.bound_s is not None
    assert plan.equal_turns_s is not None
    assert plan.bound_s <= plan.finish_s < steady_plan(course, TEAM, RaceRules()).finish_s
    assert plan.finish_s < plan.equal_turns_s


@COURSES
def test_freedom_of_length_never_costs_time(course: Course) -> None:
    assert planned(course, form="free").finish_s <= planned(course).finish_s


@COURSES
def test_the_race_rotates_as_planned(course: Course) -> None:
    rules = RaceRules()
    plan = planned(course)
    policy = PlanPolicy(plan=plan, rules=rules, position=at_start(), form=())
    changes = list(project(begin(form_line(plan.order), 0, policy), policy, ms_from_s(plan.finish_s) - 1))
    assert [change.begun.rider for change in changes] == [turn.rider for turn in plan.turns[1:]]
    assert [change.at_ms / 1000 for change in changes] == pytest.approx(
        [turn.start_s for turn in plan.turns[1:]], abs=0.1
    )


@COURSES
def test_turns_keep_to_the_limits_and_steps(course: Course) -> None:
    rules = RaceRules(shortest_turn_s=15, longest_turn_s=50, draw_per_turn=0.25)
    plan = planned(course, rules)
    for rule in plan.rules:
        for turn in rule.turns:
            assert turn.length_s in {0, 15, 20, 25, 30, 35, 40, 45, 50}
    for ridden in plan.turns:
        over_w = ridden.power_w - TEAM[ridden.rider].critical_power_w
        # One turn may draw a tenth of W′ more than the mean of its stretch.
        assert over_w * ridden.length_s <= 0.36 * TEAM[ridden.rider].w_prime_j


def test_the_same_input_gives_the_same_plan() -> None:
    assert repr(optimise(HILLY, TEAM, RaceRules())) == repr(planned(HILLY))


def ridden_again(plan: Plan, course: Course, rules: RaceRules) -> tuple[float, dict[RiderId, float]]:
    """The plan ridden again by a general integrator, from its schedule and turns and the public formulas only.

    From a standing start to twice the first mean speed; then the speed at a mark lies between the means on both sides
    of it. (Taken one from the other, speeds would swing: marks are told to the millisecond.) Who drifts, latches and
    follows where is read off the planned turns. Returns where the line is at the planned finish, and least reserves.
    """
    marks_m, times = (np.array(column) for column in zip(*plan.schedule, strict=True))
    means = np.diff(marks_m) / np.diff(times)
    speeds = np.interp(times, 0.5 * (times[1:] + times[:-1]), means)
    speeds[:2] = 0.0, 2 * means[0]
    gains = np.append(np.diff(speeds) / np.diff(times), 0.0)
    away_s = 1.85 * len(plan.order) / rules.closing_mps
    order = list(plan.order)
    starts = np.array([turn.start_s for turn in plan.turns])
    lines: list[tuple[list[RiderId], float]] = []
    line = list(order)
    for index, turn in enumerate(plan.turns):
        if index:
            line = [*line[1:], line[0]]
        assert line[0] == turn.rider
        lines.append((list(line), turn.start_s))

    def powers(at_s: float, place: float) -> list[float]:
        index = int(np.searchsorted(starts, at_s, side="right")) - 1
        line, began = lines[index]
        off = line[-1] if index and at_s < began + away_s + rules.latch_s else None
        wheels = [one for one in line if one != off]
        shares = shelter_shares(len(wheels), rules.shelter_efficiency)
        speed = speed_at(at_s)
        gain = float(gains[int(np.searchsorted(times, at_s, side="right")) - 1])
        height = float(np.interp(place, np.linspace(0, course.length_m, len(course.height_m)), course.height_m))
        density = air_density_kg_m3(rules.temperature_c, standard_pressure_pa(height), rules.humidity)
        given = []
        for one in TEAM.riders:
            share = shares[wheels.index(one.id)] if one.id != off else 1.0
            slower = rules.closing_mps if one.id == off and at_s < began + away_s else 0.0
            power = road_power_w(
                speed_mps=speed,
                grade=grade_at(course, place),
                mass_kg=one.all_up_mass_kg,
                drag_area_m2=one.drag_area_m2 * share,
                density_kg_m3=density,
                wind_mps=-slower,
                rolling=rules.rolling,
                acceleration_mps2=gain,
            )
            given.append(max(0.0, power))
        return given

    def speed_at(at_s: float) -> float:
        return float(np.interp(at_s, times, speeds))

    def change(at_s: float, state: np.ndarray[tuple[int], np.dtype[np.float64]]) -> list[float]:
        rates = [speed_at(at_s)]
        for one, power, reserve in zip(TEAM.riders, powers(at_s, float(state[0])), state[1:], strict=True):
            below = one.critical_power_w - power
            rates.append(below if below < 0 else below * (1 - reserve / one.w_prime_j))
        return rates

    fresh = [0.0, *(one.w_prime_j for one in TEAM.riders)]
    solved = solve_ivp(change, (0, plan.finish_s), fresh, method="RK23", max_step=0.1, rtol=1e-3, atol=10.0)
    least = {one.id: float(solved.y[index + 1].min()) for index, one in enumerate(TEAM.riders)}
    return float(solved.y[0, -1]), least


def test_a_general_integrator_rides_the_plan_to_the_same_end() -> None:
    rules = RaceRules()
    course = course_from_profile(name="short", distance_m=(0, 4_000, 6_000, 8_000), height_m=(0.0, 40.0, 0.0, 0.0))
    plan = optimise(course, TEAM, rules)
    assert all(turn.length_s > 0 for rule in plan.rules for turn in rule.turns), "here nobody may only follow"
    reached_m, least = ridden_again(plan, course, rules)
    assert reached_m == pytest.approx(course.length_m, rel=0.002)
    for one in TEAM.riders:
        assert least[one.id] >= (0.1 - 0.02) * one.w_prime_j


def test_no_choice_of_order_and_turns_in_a_small_case_is_faster() -> None:
    # Three riders, 6 km flat, turns of 15, 30 or 45 s, all six orders: each tried exhaustively at the plan's speeds and
    # at the baseline's, slowed until it holds. Speeds are the plan's own business; so a little is allowed for.
    roster = Roster(riders=TEAM.riders[:3])
    course = course_from_profile(name="short", distance_m=(0, 6_000), height_m=(0, 0))
    rules = RaceRules(counted=3, shortest_turn_s=15, longest_turn_s=45)
    plan = optimise(course, roster, rules)
    team, ground = form_team(roster, rules), cut_ground(course, rules)
    steady = steady_ride(course, roster, team, ground, (0, 1, 2))
    best = min(
        ride.ride.finish_s
        for order in permutations(range(3))
        for lengths in product((15.0, 30.0, 45.0), repeat=3)
        if (ride := held(team, ground, steady.speeds_mps, Rotation(order=order, lengths_s=(lengths,)), 7)) is not None
    )
    assert plan.finish_s <= best


def finish_s(course: Course, roster: Roster = TEAM, **rules: float) -> float:
    return optimise(course, roster, replace(RaceRules(), **rules)).finish_s  # type: ignore[arg-type]


def scaled(**factors: float) -> Roster:
    return Roster(
        riders=tuple(
            replace(one, **{key: getattr(one, key) * factor for key, factor in factors.items()}) for one in TEAM.riders
        )
    )


def test_time_follows_air_drag_and_power_as_published() -> None:
    # Sci Rep 2024, 10.1038/s41598-024-75963-4, four identical riders on a track: elasticity of finish time to air and
    # drag area +0.31, to critical power -0.20, to distance +1.03 (found). A road race of half an hour hangs more on
    # critical power and less on W′ than four minutes on a track: sign, and size by a factor of two.
    base = planned(FLAT).finish_s
    drag = (finish_s(FLAT, scaled(drag_area_m2=1.05)) / base - 1) / 0.05
    assert 0.2 <= drag <= 0.4
    power = (finish_s(FLAT, scaled(critical_power_w=1.05)) / base - 1) / 0.05
    assert -0.45 <= power <= -0.15
    longer = course_from_profile(name="longer", distance_m=(0, 21_000), height_m=(10, 10))
    distance = (optimise(longer, TEAM, RaceRules()).finish_s / base - 1) / 0.05
    assert 0.95 <= distance <= 1.12


def test_the_order_is_worth_a_per_cent_or_two_at_most_on_the_flat() -> None:
    # Heimans et al. 2017, IJSPP 12(10):1385-91: order changes a team's efficiency by at most 1.2 % (found).
    best = planned(FLAT).finish_s
    for order in (("bo", "di", "cy", "ana"), ("ana", "cy", "di", "bo"), ("bo", "ana", "di", "cy")):
        fixed = optimise(FLAT, TEAM, RaceRules(), order=tuple(RiderId(one) for one in order))
        assert fixed.order == order
        assert best * 0.998 <= fixed.finish_s <= best * 1.02


def test_light_riders_lead_more_uphill_and_heavy_ones_more_down() -> None:
    # Nobody told the planner so. Two riders as strong on the flat: the light one has less to carry.
    light = rider("Li", 58, 285, 18_000, 0.210)
    heavy = rider("He", 88, 350, 18_000, 0.258)
    roster = Roster(riders=(light, heavy, *TEAM.riders[2:]))
    plan = optimise(HILLY, roster, RaceRules())
    shares = {}
    for rule, stretch in zip(plan.rules, HILLY.stretches, strict=True):
        whole = sum(turn.length_s for turn in rule.turns)
        shares[stretch.terrain.value] = {turn.rider: turn.length_s / whole for turn in rule.turns}
    assert shares["climb"][light.id] > shares["climb"][heavy.id]
    assert shares["descent"][heavy.id] >= shares["climb"][heavy.id]


def test_an_order_that_leaves_somebody_out_is_refused() -> None:
    with pytest.raises(PlanRefused, match="expected each of ana, bo, cy, di once"):
        optimise(FLAT, TEAM, RaceRules(), order=(RiderId("ana"),))


def test_too_many_counted_riders_are_refused() -> None:
    with pytest.raises(RulesRefused, match="expected 1 to 4"):
        optimise(FLAT, TEAM, RaceRules(counted=6))


def test_a_team_that_cannot_hold_gets_a_sentence() -> None:
    wall = course_from_profile(name="wall", distance_m=(0, 1_000, 2_000, 3_000), height_m=(0, 0, 330, 330))
    weak = Roster(riders=(*TEAM.riders[:3], replace(TEAM.riders[3], name="Ida", critical_power_w=150, mass_kg=95)))
    with pytest.raises(NoPlan, match="Ida cannot hold a sheltered wheel on climb 1"):
        optimise(wall, weak, RaceRules())


@pytest.mark.parametrize(
    "rules",
    [
        RaceRules(shelter_efficiency=0),
        RaceRules(shelter_table=(1.0, 0.7, 0.6)),
        RaceRules(latch_s=0),
        RaceRules(closing_mps=0.2),
        RaceRules(reserve_margin=0),
        RaceRules(shortest_turn_s=7, longest_turn_s=8),
        RaceRules(wind_mps=-12),
        RaceRules(counted=1),
        RaceRules(recovery="elite-2018"),
        RaceRules(recovery="integral-2012"),
    ],
    ids=lambda rules: "",
)
def test_odd_rules_get_a_plan_that_holds(rules: RaceRules) -> None:
    plan = optimise(HILLY, TEAM, rules)
    assert plan.bound_s is not None
    assert plan.bound_s <= plan.finish_s
    for reserve in plan.reserves:
        assert reserve.least_j >= rules.reserve_margin * TEAM[reserve.rider].w_prime_j - 0.1


def test_progress_is_told_and_ends_with_the_whole() -> None:
    told: list[float] = []
    optimise(FLAT, TEAM, RaceRules(), report=lambda _what, share: told.append(share))
    assert told == sorted(told)
    assert told[-1] == 1.0

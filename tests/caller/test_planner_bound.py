"""The bound is a proof: no plan is ever below it, whatever the team, the course and the rules."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from caller.course import Course, course_from_profile
from caller.plan import RaceRules
from caller.planner import optimise
from caller.planner.bound import NODES, Prices, limits_of, lower_bound_s, weighing
from caller.planner.model import Rotation, cut_ground, form_team, simulate, speed_profile
from caller.planner.prices import good_prices
from caller.planner.proof import proved
from caller.planner.steady import steady_ride
from caller.riders import Rider, Roster
from caller.units import RiderId


def rider(index: int, mass_kg: float, critical_power_w: float, w_prime_j: float, drag_area_m2: float) -> Rider:
    return Rider(
        id=RiderId(f"r{index}"),
        name=f"R{index}",
        spoken=f"R{index}",
        mass_kg=mass_kg,
        critical_power_w=critical_power_w,
        w_prime_j=w_prime_j,
        drag_area_m2=drag_area_m2,
    )


FOUR = Roster(
    riders=(
        rider(0, 62, 290, 16_000, 0.225),
        rider(1, 78, 360, 22_000, 0.250),
        rider(2, 70, 310, 18_000, 0.240),
        rider(3, 74, 330, 20_000, 0.245),
    )
)
HILLY = course_from_profile(
    name="hilly", distance_m=(0, 4_000, 6_000, 9_000, 12_000), height_m=(50.0, 55.0, 155.0, 60.0, 60.0)
)

figures = st.tuples(st.floats(50, 90), st.floats(240, 400), st.floats(10_000, 28_000), st.floats(0.2, 0.32))
teams = st.lists(figures, min_size=2, max_size=7).map(
    lambda rows: Roster(riders=tuple(rider(index, *row) for index, row in enumerate(rows)))
)


@st.composite
def courses(draw: st.DrawFn) -> Course:
    legs = draw(st.lists(st.tuples(st.floats(600, 4_000), st.floats(-0.07, 0.07)), min_size=1, max_size=4))
    distance, height = [0.0], [200.0]
    for length_m, grade in legs:
        distance.append(distance[-1] + length_m)
        height.append(height[-1] + length_m * grade)
    return course_from_profile(name="drawn", distance_m=distance, height_m=height)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    roster=teams,
    course=courses(),
    recovery=st.sampled_from(["differential-2015", "elite-2018", "integral-2012"]),
    wind_mps=st.floats(-6, 6),
    efficiency=st.floats(0, 1.2),
    closing_mps=st.floats(0.5, 3),
    spare=st.integers(0, 2),
    pushes=st.lists(st.floats(0.75, 1.25), min_size=6, max_size=6),
    lengths=st.lists(st.floats(10, 90), min_size=7, max_size=7),
)
def test_no_ride_that_holds_beats_the_bound(
    roster: Roster,
    course: Course,
    recovery: str,
    wind_mps: float,
    efficiency: float,
    closing_mps: float,
    spare: int,
    pushes: list[float],
    lengths: list[float],
) -> None:
    rules = RaceRules(
        recovery=recovery,
        wind_mps=wind_mps,
        shelter_efficiency=efficiency,
        closing_mps=closing_mps,
        counted=max(1, len(roster.riders) - spare),
    )
    team, ground = form_team(roster, rules), cut_ground(course, rules)
    # Riders short of rest lead for as little as five seconds here, whatever the rules say.
    bound_s = lower_bound_s(team, ground, good_prices(team, ground), 5.0)
    riders = tuple(range(team.riders))
    steady = steady_ride(course, roster, team, ground, riders)
    assert steady.ride.finish_s >= bound_s
    # A rougher ride, pushed and eased along the course in other turns, slowed until it holds, is no faster either.
    target = 0.5 * (steady.speeds_mps[1:] + steady.speeds_mps[:-1])
    target = target * np.interp(np.linspace(0, 5, len(target)), np.arange(6), pushes)
    rotation = Rotation(order=riders, lengths_s=(tuple(lengths[: team.riders]),) * len(course.stretches))
    for factor in (1.1, 1.0, 0.95, 0.9, 0.8, 0.65):
        speeds = speed_profile(team, ground, np.minimum(target * factor, 24.0), riders)
        ride = simulate(team, ground, speeds, rotation)
        if np.all(ride.least_j >= rules.reserve_margin * team.w_prime_j):
            assert ride.finish_s >= bound_s
            break


def any_prices(rng: np.random.Generator, edges: int, riders: int, rough: float) -> Prices:
    intervals = len(NODES) - 1
    price = 3e-4 * np.exp(rough * rng.normal(size=(edges, riders, intervals)))
    return Prices(
        price=price,
        more=1e-4 * rng.uniform(0, 1, (edges, riders, intervals)),
        sigma=price.min(axis=2) * rng.uniform(0.5, 0.85, (edges, riders)),
        lead=3e-4 * 80 * rng.uniform(0, 0.1, edges),
    )


@pytest.mark.parametrize("counted", [4, 3])
def test_any_prices_at_all_give_a_bound(counted: int) -> None:
    rules = RaceRules(counted=counted)
    team, ground = form_team(FOUR, rules), cut_ground(HILLY, rules)
    finish_s = steady_ride(HILLY, FOUR, team, ground, (0, 1, 2, 3)).ride.finish_s
    rng = np.random.default_rng(7)
    for trial in range(20):
        prices = any_prices(rng, len(ground.edge_m), 4, 0.02 * trial)
        assert lower_bound_s(team, ground, prices) <= finish_s


def test_prices_that_the_proof_does_not_allow_prove_no_more() -> None:
    rules = RaceRules()
    team, ground = form_team(FOUR, rules), cut_ground(HILLY, rules)
    found = good_prices(team, ground)
    greedy = replace(found, sigma=found.sigma * 1e6, lead=found.lead * 1e6)
    just = replace(found, sigma=found.price.min(axis=2), lead=np.full_like(found.lead, 1e9))
    assert lower_bound_s(team, ground, greedy) == lower_bound_s(team, ground, just)


def test_good_prices_prove_more_than_poor_ones() -> None:
    rules = RaceRules()
    team, ground = form_team(FOUR, rules), cut_ground(HILLY, rules)
    found = good_prices(team, ground)
    poor = Prices(price=found.price * 0.5, more=found.more, sigma=found.sigma * 0.5, lead=found.lead)
    assert lower_bound_s(team, ground, found) > lower_bound_s(team, ground, poor) > 0


def test_more_effort_proves_more_and_never_more_than_a_plan_takes() -> None:
    course = course_from_profile(name="short", distance_m=(0, 2_000, 3_000, 5_000), height_m=(20.0, 20.0, 60.0, 20.0))
    rules = RaceRules()
    plan = optimise(course, FOUR, rules)
    again = proved(course, FOUR, rules, plan)
    assert plan.bound_s is not None
    assert again.bound_s is not None
    assert plan.bound_s < again.bound_s < plan.finish_s
    assert replace(again, bound_s=None) == replace(plan, bound_s=None)


def test_who_may_be_spent_can_only_lower_the_bound() -> None:
    rules, fewer = RaceRules(counted=4), RaceRules(counted=3)
    ground = cut_ground(HILLY, rules)
    found = good_prices(form_team(FOUR, rules), ground)
    assert lower_bound_s(form_team(FOUR, fewer), ground, found) <= lower_bound_s(form_team(FOUR, rules), ground, found)


@pytest.mark.parametrize("recovery", ["differential-2015", "elite-2018", "integral-2012"])
@pytest.mark.parametrize("counted", [4, 3])
def test_the_slopes_of_the_bound_are_those_of_small_changes(recovery: str, counted: int) -> None:
    rules = RaceRules(recovery=recovery, counted=counted)
    team, ground = form_team(FOUR, rules), cut_ground(HILLY, rules)
    rng = np.random.default_rng(3)
    edges = len(ground.edge_m)
    base, limits, heat = any_prices(rng, edges, 4, 0.05), limits_of(team), 1e-4
    speeds_mps = np.broadcast_to(np.array([4.0, 8.0, 12.0, 14.0, 17.0]), (2 * (edges - 1), 5))
    _, by = weighing(team, ground, base, limits, heat).value_and_slopes(speeds_mps)

    def change(field: str, at: tuple[int, ...], step: float) -> float:
        values = []
        for sign in (1, -1):
            moved = getattr(base, field).copy()
            moved[at] += sign * step
            prices = replace(base, **{field: moved})
            values.append(weighing(team, ground, prices, limits, heat).value_and_slopes(speeds_mps)[0])
        return (values[0] - values[1]) / (2 * step)

    for edge in (0, 3, edges // 2, edges - 1):
        for interval in (1, 4):
            # What σ and c are held to goes by the least price: slopes are of the others.
            if base.price[edge, 1, interval] > 1.05 * base.price[edge, 1].min():
                wanted = change("price", (edge, 1, interval), 1e-9)
                assert by.price[edge, 1, interval] == pytest.approx(wanted, rel=1e-3, abs=1)
            wanted = change("more", (edge, 1, interval), 1e-9)
            assert by.more[edge, 1, interval] == pytest.approx(wanted, rel=1e-3, abs=1)
        assert by.sigma[edge, 1] == pytest.approx(change("sigma", (edge, 1), 1e-9), rel=1e-3, abs=1)
        assert by.lead[edge] == pytest.approx(change("lead", (edge,), 1e-7), rel=1e-3, abs=1e-2)

"""The bound is a proof: no plan is ever below it, whatever the team, the course and the rules."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from caller.course import Course, course_from_profile
from caller.plan import RaceRules
from caller.planner.bound import Prices, guide, limits_of, lower_bound_s
from caller.planner.bound import _value_and_slopes as value_and_slopes
from caller.planner.bound import _value_s as value_s
from caller.planner.model import Rotation, cut_ground, form_team, simulate, speed_profile
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
    bound_s = lower_bound_s(team, ground, guide(team, ground).prices, 5.0)
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


def test_any_prices_at_all_give_a_bound() -> None:
    rules = RaceRules()
    team, ground = form_team(FOUR, rules), cut_ground(HILLY, rules)
    finish_s = steady_ride(HILLY, FOUR, team, ground, (0, 1, 2, 3)).ride.finish_s
    rng = np.random.default_rng(7)
    edges = len(ground.edge_m)
    for _ in range(20):
        prices = Prices(
            reserve=3e-4 * rng.uniform(0.2, 2.0, (edges, 4)),
            slope=rng.uniform(0, 1, edges),
            lead=rng.uniform(0, 1, edges),
            turn=np.full((edges - 1, 4), rng.uniform(0, 0.5)),
        )
        assert lower_bound_s(team, ground, prices) <= finish_s


def test_good_prices_prove_more_than_poor_ones() -> None:
    rules = RaceRules()
    team, ground = form_team(FOUR, rules), cut_ground(HILLY, rules)
    found = guide(team, ground).prices
    poor = Prices(reserve=found.reserve * 0.5, slope=found.slope, lead=found.lead, turn=found.turn)
    assert lower_bound_s(team, ground, found) > lower_bound_s(team, ground, poor) > 0


def test_who_may_be_spent_can_only_lower_the_bound() -> None:
    rules, fewer = RaceRules(counted=4), RaceRules(counted=3)
    ground = cut_ground(HILLY, rules)
    found = guide(form_team(FOUR, rules), ground).prices
    assert lower_bound_s(form_team(FOUR, fewer), ground, found) <= lower_bound_s(form_team(FOUR, rules), ground, found)


@pytest.mark.parametrize("recovery", ["differential-2015", "elite-2018", "integral-2012"])
def test_the_slopes_of_the_bound_are_those_of_small_changes(recovery: str) -> None:
    rules = RaceRules(recovery=recovery)
    team, ground = form_team(FOUR, rules), cut_ground(HILLY, rules)
    rng = np.random.default_rng(3)
    edges = len(ground.edge_m)
    base = Prices(
        reserve=3e-4 * rng.uniform(0.7, 1.3, (edges, 4)),
        slope=rng.uniform(0.3, 0.6, edges),
        lead=rng.uniform(0.3, 0.8, edges),
        turn=np.zeros((edges - 1, 4)),
    )
    limits = limits_of(team)
    _, by_reserve, by_slope, by_lead = value_and_slopes(team, ground, base, limits)

    def change(field: str, at: tuple[int, ...] | int, step: float) -> float:
        values = []
        for sign in (1, -1):
            parts = {"reserve": base.reserve, "slope": base.slope, "lead": base.lead, "turn": base.turn}
            moved = parts[field].copy()
            moved[at] += sign * step
            parts[field] = moved
            values.append(value_s(team, ground, Prices(**parts), limits))
        return (values[0] - values[1]) / (2 * step)

    for edge in (0, 3, edges // 2, edges - 1):
        assert by_reserve[edge, 1] == pytest.approx(change("reserve", (edge, 1), 1e-9), rel=1e-2, abs=5)
        assert by_slope[edge] == pytest.approx(change("slope", edge, 1e-5), rel=1e-2, abs=1e-2)
        assert by_lead[edge] == pytest.approx(change("lead", edge, 1e-5), rel=1e-2, abs=1e-2)

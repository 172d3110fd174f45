"""Outside checks: figures that riders and directors of such races know, beside what the model says of a plausible team.

Each is common practice, no source, as the sentence above it says. The team is invented, its figures are those of good
amateurs: see TEAM.
"""

import pytest

from caller.course import Terrain, course_from_profile
from caller.facts import FeltEmpty, FeltGood, RejoinedAt
from caller.physics import air_density_kg_m3, road_power_w, road_speed_mps, shelter_shares, standard_pressure_pa
from caller.plan import Plan, RaceRules
from caller.planner.search import optimise
from caller.riders import Rider, Roster
from caller.rotation import Place
from caller.units import RiderId
from tests.caller.rehearsing import Ride, small
from tests.play import OTTO, Play, some_race

FIGURES = (
    ("Ola", 82.0, 345.0, 24_000.0, 0.26),
    ("Runa", 60.0, 295.0, 17_000.0, 0.21),
    ("Iver", 70.0, 320.0, 20_000.0, 0.235),
    ("Siri", 64.0, 290.0, 18_000.0, 0.22),
    ("Nils", 75.0, 325.0, 21_000.0, 0.245),
)

TEAM = Roster(
    riders=tuple(
        Rider(
            id=RiderId(name.lower()),
            name=name,
            spoken=name,
            mass_kg=mass_kg,
            critical_power_w=critical_power_w,
            w_prime_j=w_prime_j,
            drag_area_m2=drag_area_m2,
        )
        for name, mass_kg, critical_power_w, w_prime_j, drag_area_m2 in FIGURES
    )
)
"""4.2 to 4.9 W/kg at critical power."""

COURSE = course_from_profile(
    name="out and over", distance_m=[0, 4_000, 6_500, 9_000, 12_000], height_m=[50, 50, 175, 50, 50]
)
"""2.5 km up at 5 %, and down again."""

AIR = air_density_kg_m3(18.0, standard_pressure_pa(100.0), 0.5)


@pytest.fixture(scope="module")
def plan() -> Plan:
    order = tuple(RiderId(name) for name in ("runa", "iver", "ola", "nils", "siri"))
    return optimise(COURSE, TEAM, RaceRules(counted=4), order=order)


def lengths_s(plan: Plan, terrain: Terrain) -> dict[str, float]:
    """Everybody's turn on the first stretch of that kind."""
    stretch = next(stretch for stretch in COURSE.stretches if stretch.terrain is terrain)
    rule = next(rule for rule in plan.rules if rule.start_m <= stretch.start_m < rule.end_m)
    return {turn.rider: turn.length_s for turn in rule.turns}


def test_half_the_rest_earns_half_the_turn() -> None:
    # Common practice, no source: half the rest earns about half the turn, 15 s for 30 s.
    play = Play(some_race(5))  # everybody rests 120 s; who rejoins in the third slot has two turns' rest, 60 s
    play.at(35, RejoinedAt(rider=OTTO, slot=2))
    assert dict(play.turns(3))[OTTO] == 15


@pytest.mark.parametrize(("felt", "times", "length_s"), [(FeltGood, 2, 60), (FeltEmpty, 1, 15)])
def test_a_planned_half_minute_is_a_minute_on_a_good_day_and_a_quarter_on_a_bad_one(
    felt: type[FeltGood] | type[FeltEmpty], times: int, length_s: float
) -> None:
    # Common practice, no source: a planned 30 s may become 60 s on a good day or 15 s on a bad one.
    play = Play()
    for time in range(times):
        play.at(2 + time, felt(rider=OTTO))
    assert [length for rider, length in play.turns(9) if rider == OTTO][1:] == [length_s] * 2


def test_the_strongest_lead_for_one_to_two_minutes_up_a_substantial_climb(plan: Plan) -> None:
    # Common practice, no source: the strongest pull one to two minutes into a substantial climb.
    turns = lengths_s(plan, Terrain.CLIMB)
    strength = {rider.id: rider.critical_power_w / rider.mass_kg for rider in TEAM.riders}
    strongest, weakest = max(turns, key=strength.__getitem__), min(turns, key=strength.__getitem__)
    assert 60 <= turns[strongest] <= 120
    assert turns[strongest] == max(turns.values())
    assert turns[weakest] == min(turns.values())


def test_the_heaviest_leads_longest_on_the_descent(plan: Plan) -> None:
    # Common practice, no source: heaviest first on the descent.
    turns = lengths_s(plan, Terrain.DESCENT)
    heaviest = max(TEAM.riders, key=lambda rider: rider.mass_kg)
    assert turns[heaviest.id] == max(turns.values())


def test_down_a_gentle_slope_the_leader_works_hard_and_a_light_rider_on_the_wheel_hardly() -> None:
    # Common practice, no source: on the descent a rider in the draft may do about 100 W while the leader does about
    # 5.5 W/kg. Here at 3 % down, with six in the line: some 64 km/h.
    shares = shelter_shares(6, 0.9)
    heavy, light = TEAM.riders[0], TEAM.riders[1]
    speed_mps = road_speed_mps(
        power_w=5.5 * heavy.mass_kg,
        grade=-0.03,
        mass_kg=heavy.all_up_mass_kg,
        drag_area_m2=heavy.drag_area_m2 * shares[0],
        density_kg_m3=AIR,
    )

    def power_w(rider: Rider, share: float) -> float:
        return road_power_w(
            speed_mps=speed_mps,
            grade=-0.03,
            mass_kg=rider.all_up_mass_kg,
            drag_area_m2=rider.drag_area_m2 * share,
            density_kg_m3=AIR,
        )

    assert 60 <= power_w(light, shares[1]) <= 150
    # And why the heaviest: on the front a light rider would need far more for each kilogram.
    assert power_w(light, shares[0]) / light.mass_kg > 1.1 * 5.5


def test_getting_back_onto_the_last_wheel_is_a_sprint_of_seconds() -> None:
    # Common practice, no source: a rejoining rider sprints at about 500 to 600 W for seconds. Ours hold at most 1.6
    # times critical power, which is 496 W for these; at 49 km/h.
    ride = Ride(small())
    sprint_w: list[float] = []
    for tenth in range(300, 450):  # Otto swings off at half a minute
        ride.until(tenth / 10)
        if ride.team.place(OTTO) is Place.LATCHING:
            sprint_w.append(ride.team.power_w(OTTO))
    assert 480 <= max(sprint_w) <= 620
    assert 2 <= 0.1 * len(sprint_w) <= 6

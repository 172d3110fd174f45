"""Teams, courses, rules and rides nobody would choose, to try claims about all of them on. Same draw, same case."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from random import Random

import numpy as np

from caller.course import Course, course_from_profile
from caller.errors import FileRefused
from caller.plan import RECOVERIES, RaceRules
from caller.planner.model import (
    FASTEST_LINE_MPS,
    LEAST_TURN_S,
    SLOWEST_LINE_MPS,
    Floats,
    Ground,
    Ride,
    Rotation,
    Team,
    average_power_w,
    cut_ground,
    form_team,
    simulate,
    speed_profile,
)
from caller.riders import Rider, Roster
from caller.units import RiderId

__all__ = ["Case", "Way", "drawn_case", "holds", "least_turn_s", "ridden", "speeds_of", "ways"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """Who rides where, by which rules; both as given and as the planner's arrays."""

    roster: Roster
    course: Course
    rules: RaceRules
    team: Team
    ground: Ground


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """A way to ride a course.

    Attributes:
        shape: (cells,) the power of the line beside its mean.
        rough: edges' speeds are taken as they come, rather than with the team's inertia.
        rotation: who leads where; riders left out of its order are absent, others may be spent on the way.
    """

    shape: Floats
    rough: bool
    rotation: Rotation


def _roster(draw: Random, most: int, odd: float) -> Roster:
    alike = draw.random() < 0.4
    riders: list[Rider] = []
    for index in range(draw.randint(2, most)):
        if alike and riders:
            riders.append(replace(riders[0], id=RiderId(f"r{index}"), name=f"R{index}"))
            continue
        strange = draw.random() < odd
        mass = draw.uniform(48, 95)
        riders.append(
            Rider(
                id=RiderId(f"r{index}"),
                name=f"R{index}",
                spoken=f"R{index}",
                mass_kg=mass,
                critical_power_w=min(550.0, mass * (draw.uniform(2.0, 6.5) if strange else draw.uniform(3.8, 4.8))),
                w_prime_j=draw.uniform(3_000, 45_000) if strange else draw.uniform(12_000, 24_000),
                drag_area_m2=draw.uniform(0.16, 0.5) if strange else draw.uniform(0.2, 0.27),
            )
        )
    return Roster(riders=tuple(riders))


def _course(draw: Random) -> Course:
    steepest = draw.choice((0.0, 0.04, 0.08, 0.2))
    legs, longest_m = draw.choice(((12, 500.0), (5, 2_000.0), (5, 6_000.0)))
    distance, height = [0.0], [draw.choice((0.0, 400.0, 2_500.0))]
    for _ in range(draw.randint(1, legs)):
        run_m = draw.uniform(250, longest_m)
        distance.append(distance[-1] + run_m)
        height.append(height[-1] + run_m * draw.uniform(-steepest, steepest))
    try:
        return course_from_profile(name="drawn", distance_m=distance, height_m=height)
    except FileRefused:  # a valley far below the sea
        return course_from_profile(name="drawn", distance_m=distance, height_m=[1_000.0] * len(distance))


def _rules(draw: Random, riders: int, odd: float) -> RaceRules:
    shortest_s = draw.uniform(5, 150)
    strange: dict[str, tuple[object, ...]] = {
        "reserve_margin": (0.0, 0.5, draw.uniform(0, 0.5)),
        "shortest_turn_s": (5.0, shortest_s),
        "draw_per_turn": (1.0, draw.uniform(0.05, 1)),
        "temperature_c": (draw.uniform(-20, 50),),
        "pressure_hpa": (draw.uniform(500, 1_090),),
        "wind_mps": (draw.uniform(-5, 5), draw.uniform(-15, 15)),
        "rolling": (draw.uniform(0.001, 0.02),),
        "shelter_efficiency": (0.0, 1.5, draw.uniform(0, 1.5)),
        "shelter_table": (tuple(draw.uniform(0.1, 1.2) for _ in range(draw.randint(2, 6))),),
        "closing_mps": (0.2, 4.0, draw.uniform(0.2, 4)),
        "latch_s": (0.0, draw.uniform(0, 15)),
    }
    values = {name: draw.choice(choices) for name, choices in strange.items() if draw.random() < odd}
    values["counted"] = riders if draw.random() > max(0.3, odd) else draw.randint(max(1, riders - 2), riders)
    longest_s = draw.choice((90.0, 600.0, 0.0))
    values["longest_turn_s"] = max(longest_s, float(str(values.get("shortest_turn_s", 10.0))))
    return RaceRules(**{"recovery": draw.choice(RECOVERIES), **values})  # type: ignore[arg-type]


def drawn_case(draw: Random, most_riders: int = 8) -> Case:
    """A team, a course and rules: from nearly usual, where bounds are close to rides, to odd in every way."""
    odd = draw.choice((0.1, 0.1, 0.3, 0.8))
    roster, course = _roster(draw, most_riders, odd), _course(draw)
    rules = _rules(draw, len(roster.riders), odd)
    return Case(
        roster=roster, course=course, rules=rules, team=form_team(roster, rules), ground=cut_ground(course, rules)
    )


def _lengths_s(draw: Random, case: Case, order: tuple[int, ...], alike: float | None) -> tuple[float, ...]:
    rules = case.rules
    most_s = draw.choice((rules.shortest_turn_s, min(rules.longest_turn_s, 90.0), rules.longest_turn_s))
    row = [0.0] * case.team.riders
    for rider in order:
        if alike is not None:
            row[rider] = alike
        elif draw.random() < 0.85:
            row[rider] = draw.uniform(rules.shortest_turn_s, max(most_s, rules.shortest_turn_s))
    if not any(row):
        row[draw.choice(order)] = rules.shortest_turn_s
    return tuple(row)


def ways(draw: Random, case: Case, count: int) -> Iterator[Way]:
    """So many ways to ride, from even and plausible to rough."""
    team, rules = case.team, case.rules
    everybody = list(range(team.riders))
    for number in range(count):
        present = everybody[:]
        draw.shuffle(present)
        spare = team.riders - rules.counted
        spent: list[tuple[int, float]] = []
        if number % 3 == 2:
            present = present[: draw.randint(rules.counted, team.riders)]
        elif number % 3 == 1:
            places = sorted(draw.uniform(0, case.course.length_m) for _ in range(draw.randint(0, spare)))
            spent = list(zip(draw.sample(everybody, len(places)), places, strict=True))
        order = tuple(present)
        alike = draw.uniform(rules.shortest_turn_s, rules.longest_turn_s) if draw.random() < 0.4 else None
        rows = tuple(_lengths_s(draw, case, order, alike) for _ in case.course.stretches)
        wildness = draw.choice((0.0, 0.1, 0.4))
        bumps = [1 + wildness * draw.uniform(-1, 1) for _ in range(7)]
        place = np.linspace(0, 6, len(case.ground.grade))
        yield Way(
            shape=np.interp(place, np.arange(7), bumps),
            rough=draw.random() < 0.3,
            rotation=Rotation(order=order, lengths_s=rows, spent=tuple(spent)),
        )


def speed_of_power_mps(team: Team, ground: Ground, mean_w: Floats, riders: tuple[int, ...]) -> Floats:
    """(cells,) about the speed that a mean wheel power (cells,) holds."""
    low = np.full(len(ground.grade), SLOWEST_LINE_MPS)
    high = np.full(len(ground.grade), FASTEST_LINE_MPS)
    for _ in range(20):
        middle = 0.5 * (low + high)
        held = average_power_w(team, ground, middle, riders) <= mean_w
        low, high = np.where(held, middle, low), np.where(held, high, middle)
    return low


def holds(case: Case, ride: Ride, present: tuple[int, ...]) -> bool:
    """Whether nobody present is out of reserve, and as many as are counted are never below the margin."""
    least, w_prime = ride.least_j, case.team.w_prime_j
    safe = sum(bool(least[rider] >= case.rules.reserve_margin * w_prime[rider]) for rider in present)
    return safe >= case.rules.counted and all(bool(least[rider] >= 0) for rider in present)


def least_turn_s(ride: Ride) -> float:
    """The shortest turn but the last, never less than the race calls."""
    return max(LEAST_TURN_S, min((turn.end_s - turn.start_s for turn in ride.turns[:-1]), default=1e3))


def speeds_of(case: Case, way: Way, power_w: float) -> Floats:
    """(cells + 1,) speeds at cells' edges for a way to ride at a mean power of the line."""
    team, ground, riders = case.team, case.ground, way.rotation.order
    targets = speed_of_power_mps(team, ground, power_w * way.shape, riders)
    if not way.rough:
        return speed_profile(team, ground, targets, riders)
    return np.concatenate(([0.0], 0.5 * (targets[1:] + targets[:-1]), targets[-1:]))


def ridden(case: Case, way: Way, halvings: int = 12) -> Ride | None:
    """The fastest ride of that way found that holds; None if not even a crawl does."""
    best: Ride | None = None
    low, high = np.log(5.0), np.log(1_500.0)
    for _ in range(halvings):
        middle = 0.5 * (low + high)
        ride = simulate(case.team, case.ground, speeds_of(case, way, float(np.exp(middle))), way.rotation)
        if holds(case, ride, way.rotation.order):
            low = middle
            if best is None or ride.finish_s < best.finish_s:
                best = ride
        else:
            high = middle
    return best

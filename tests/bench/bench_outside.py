"""Plans beside what lies outside the planner: everything tried on small cases, plans ridden again, rides beside bounds.

    python -m tests.bench.bench_outside [small | again | beside]

Courses of one's own are ridden again, too, if SWINGOFF_COURSES names a directory of GPX or TCX files. Figures are
printed, not asserted.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from random import Random

from caller.course import Course, course_from_profile
from caller.errors import CallerError
from caller.formats import read_course
from caller.plan import RECOVERIES, RaceRules
from caller.planner import optimise
from caller.planner.bound import lower_bound_s
from caller.planner.model import cut_ground, form_team
from caller.planner.prices import good_prices
from caller.riders import Rider, Roster
from caller.units import RiderId
from tests.bench.bench_planner import flat, hilly, team_of
from tests.caller.planner.again import ride_again
from tests.caller.planner.exhaustive import best_of_all
from tests.caller.planner.wild import Case, drawn_case, least_turn_s, ridden, ways

SHORT = bool(os.environ.get("BENCH_SHORT"))


def small_case(seed: int) -> tuple[Case, tuple[float, ...]]:
    """Two or three riders, 2 to 5 km of one stretch or two; and the lengths of turns to try."""
    draw = Random(seed)
    riders = tuple(
        Rider(
            id=RiderId(f"r{index}"),
            name=f"R{index}",
            spoken=f"R{index}",
            mass_kg=(mass := draw.uniform(52, 90)),
            critical_power_w=mass * draw.uniform(3.4, 5.0),
            w_prime_j=draw.uniform(9_000, 24_000),
            drag_area_m2=draw.uniform(0.2, 0.28),
        )
        for index in range(draw.choice((2, 3)))
    )
    first_m, then_m = draw.uniform(1_200, 2_500), draw.uniform(1_000, 2_500)
    steep = draw.choice((0.0, 0.0, 0.06, -0.05)) if len(riders) == 2 else 0.0
    course = course_from_profile(
        name="small", distance_m=(0, first_m, first_m + then_m), height_m=(200, 200, 200 + then_m * steep)
    )
    rules = RaceRules(
        counted=len(riders),
        draw_per_turn=1,
        longest_turn_s=60,
        recovery=draw.choice(RECOVERIES),
        wind_mps=draw.choice((0.0, 3.0, -3.0)),
        shelter_efficiency=draw.choice((0.9, 0.6)),
    )
    case = Case(
        roster=Roster(riders=riders),
        course=course,
        rules=rules,
        team=form_team(Roster(riders=riders), rules),
        ground=cut_ground(course, rules),
    )
    lengths_s = (0, 10, 30, 60) if len(riders) == 3 or len(course.stretches) == 2 else tuple(range(10, 61, 5))
    return case, lengths_s


def small() -> None:
    """How much slower or faster plans are than the best of everything tried."""
    print("plans beside everything tried, small random cases")
    apart: list[tuple[float, int]] = []
    for seed in range(2 if SHORT else 30):
        case, lengths_s = small_case(seed)
        best_s, _ = best_of_all(case, lengths_s, (0.85, 1.05, 1.3))
        try:
            plan = optimise(case.course, case.roster, case.rules)
        except CallerError as refusal:
            print(f"  {seed}: {refusal}; everything tried {best_s:.1f} s")
            continue
        apart.append((plan.finish_s / best_s - 1, seed))
        print(
            f"  {seed}: {case.team.riders} riders, {len(case.course.stretches)} stretches: plan {plan.finish_s:.1f} s, "
            f"tried {best_s:.1f} s, {100 * apart[-1][0]:+.2f} %",
            flush=True,
        )
    apart.sort()
    print(f"  worst {100 * apart[-1][0]:+.2f} % ({apart[-1][1]}), median {100 * apart[len(apart) // 2][0]:+.2f} %")


def own_courses() -> Iterator[Course]:
    folder = os.environ.get("SWINGOFF_COURSES")
    for path in sorted(Path(folder).iterdir()) if folder else ():
        if path.suffix in (".gpx", ".tcx"):
            try:
                yield replace(read_course(path.read_bytes(), path.name), name=path.name)
            except CallerError as refusal:
                print(f"  {path.name}: {refusal}")


def again() -> None:
    """What is left of each rider's reserve above the margin when a plan is ridden again, at worst, in % of W′."""
    print("plans ridden again by scipy at steps of 0.1 s; reserve above the margin at worst, in % of W′")
    courses = [flat(8_000)] if SHORT else [flat(20_000), hilly(20_000, 1), hilly(20_000, 2), *own_courses()]
    roster, rules = team_of(6), RaceRules(counted=6)
    for course in courses:
        plan = optimise(course, roster, rules)
        planned = {reserve.rider: reserve.least_j for reserve in plan.reserves}
        told = []
        for even in (True, False):
            ridden_again = ride_again(plan, course, roster, rules, even=even)
            over = [100 * (left / roster[rider].w_prime_j - 0.1) for rider, left in ridden_again.least_j.items()]
            off = [
                100 * abs(left - planned[rider]) / roster[rider].w_prime_j
                for rider, left in ridden_again.least_j.items()
            ]
            place = 100 * abs(ridden_again.reached_m / course.length_m - 1)
            told.append(f"{min(over):+.2f} (from plan {max(off):.2f}, place {place:.3f} %)")
        print(f"  {course.name}: even legs {told[0]}; on rails {told[1]}", flush=True)


def beside() -> None:
    """How near rides come to what is claimed for all: small gaps make a sharp test."""
    print("rides of wild cases beside the bound")
    gaps = []
    for seed in range(3 if SHORT else 60):
        draw = Random(seed)
        case = drawn_case(draw, most_riders=6)
        rides = [ride for way in ways(draw, case, 10) if (ride := ridden(case, way)) is not None]
        if rides:
            best = min(rides, key=lambda ride: ride.finish_s)
            shortest_s = least_turn_s(best)
            prices = good_prices(case.team, case.ground, least_turn_s=shortest_s)
            claim_s = lower_bound_s(case.team, case.ground, prices, shortest_s)
            gaps.append((best.finish_s / claim_s - 1 if claim_s > 0 else float("inf"), seed))
    gaps.sort()
    below = sum(gap < 0 for gap, _ in gaps)
    print(
        f"  {len(gaps)} cases, {below} below the bound; gap least {100 * gaps[0][0]:.2f} % ({gaps[0][1]}), "
        f"median {100 * gaps[len(gaps) // 2][0]:.1f} %"
    )


def main() -> None:
    for name in sys.argv[1:] or ["small", "again", "beside"]:
        {"small": small, "again": again, "beside": beside}[name]()


if __name__ == "__main__":
    main()

"""What the planner reaches: gap to the proved bound, time and memory, and other optimisers on the same simulator.

    python -m tests.bench.bench_planner [gaps | limits | rivals]

Courses of one's own are tried too if SWINGOFF_COURSES names a directory of GPX or TCX files. Figures are printed, not
asserted; times are wall clock, so run it on a machine with nothing else to do. Ratios are within one run.
"""

import contextlib
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import random
import resource
import statistics
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from scipy.optimize import differential_evolution, dual_annealing

from caller.course import Course, course_from_profile
from caller.errors import CallerError
from caller.formats import read_course
from caller.plan import Plan, RaceRules
from caller.planner import optimise, proved, steady_plan
from caller.planner.model import Floats, Rotation, cut_ground, form_team, simulate, speed_profile
from caller.planner.steady import speed_at_power_mps
from caller.riders import Rider, Roster
from caller.units import RiderId

SHORT = bool(os.environ.get("BENCH_SHORT"))
Cost = Callable[[Floats], float]
Solver = Callable[..., Any]


def team_of(count: int, seed: int = 1) -> Roster:
    """Amateurs of 4.0 to 5.0 W/kg, W′ 14 to 24 kJ (usual values: from memory)."""
    draw = random.Random(seed)
    riders = []
    for index in range(count):
        mass = draw.uniform(58, 84)
        riders.append(
            Rider(
                id=RiderId(f"r{index}"),
                name=f"R{index}",
                spoken=f"R{index}",
                mass_kg=round(mass, 1),
                critical_power_w=round(mass * draw.uniform(4.0, 5.0)),
                w_prime_j=round(draw.uniform(14_000, 24_000), -2),
                drag_area_m2=round(0.235 + 0.0018 * (mass - 71) + draw.uniform(-0.012, 0.012), 3),
            )
        )
    return Roster(riders=tuple(riders))


def flat(length_m: float) -> Course:
    return course_from_profile(name=f"flat {length_m / 1000:.0f} km", distance_m=(0, length_m), height_m=(0, 0))


def hilly(length_m: float, seed: int = 0) -> Course:
    """Climbs and descents of 3 to 8 %, flats between."""
    draw = random.Random(seed)
    distance, height = [0.0], [300.0]
    while distance[-1] < length_m - 3_000:
        for grade in (0.0, 1.0, -1.0):
            run = draw.uniform(1_200, 4_000)
            steep = grade * draw.uniform(0.03, 0.08)
            if grade < 0:
                run = min(run, max(400.0, (height[-1] - 280) / -steep)) if height[-1] > 320 else 400.0
            distance.append(distance[-1] + run)
            height.append(height[-1] + run * steep)
    distance.append(max(length_m, distance[-1] + 1_000))
    height.append(height[-1])
    return course_from_profile(name=f"hilly {distance[-1] / 1000:.0f} km", distance_m=distance, height_m=height)


def own_courses() -> Iterator[Course]:
    folder = os.environ.get("SWINGOFF_COURSES")
    for path in sorted(Path(folder).iterdir()) if folder else ():
        if path.suffix in (".gpx", ".tcx"):
            try:
                course = read_course(path.read_bytes(), path.name)
            except CallerError as refusal:
                print(f"  {path.name}: {refusal}")
                continue
            yield course


def shown(plan: Plan, steady: Plan, took_s: float) -> str:
    assert plan.bound_s is not None
    gap = plan.finish_s / plan.bound_s - 1
    equal = "none holds" if plan.equal_turns_s is None else f"{plan.equal_turns_s:.1f}"
    return (
        f"finish {plan.finish_s:8.1f} s  bound {plan.bound_s:8.1f}  gap {100 * gap:5.2f} %  "
        f"steady {steady.finish_s:8.1f}  equal turns {equal:>8}  in {took_s:5.2f} s  "
        f"spent {len(plan.spent)}  finale {'yes' if plan.rules[-1].name == 'finale' else 'no'}"
    )


def timed(course: Course, roster: Roster, rules: RaceRules, form: str = "memorable") -> tuple[Plan, float]:
    began = time.perf_counter()
    plan = optimise(course, roster, rules, form=form)
    return plan, time.perf_counter() - began


def nearer(course: Course, roster: Roster, rules: RaceRules, plan: Plan) -> Plan:
    """The plan with a thorough proof; where riders may be spent, and in the short bench, with the one it came with."""
    return plan if SHORT or rules.counted < len(roster.riders) else proved(course, roster, rules, plan)


def gaps() -> None:
    """Gap of the plan to the bound, on named courses, own courses and random pairs."""
    print("gap to the bound, memorable form; proofs are thorough where everybody is counted")
    named = [(flat(20_000), 4), (flat(40_000), 6)] if SHORT else []
    if not SHORT:
        named = [(flat(km * 1000), count) for km in (20, 40) for count in (4, 6, 8)]
        named += [(hilly(40_000, seed), count) for seed in (1, 2) for count in (4, 6, 8)]
    for course, count in named:
        for counted in sorted({4, count}):
            rules = RaceRules(counted=counted)
            roster = team_of(count)
            plan, took_s = timed(course, roster, rules)
            plan = nearer(course, roster, rules, plan)
            steady = steady_plan(course, roster, rules)
            print(f"  {course.name:>12}, {counted} of {count}: {shown(plan, steady, took_s)}", flush=True)
    for course in own_courses():
        for count in (4, 6):
            rules = RaceRules(counted=count)
            plan, took_s = timed(course, team_of(count), rules)
            free, _ = timed(course, team_of(count), rules, "free")
            plan = nearer(course, team_of(count), rules, plan)
            print(
                f"  own course of {course.length_m / 1000:.1f} km, {count} riders: "
                f"{shown(plan, steady_plan(course, team_of(count), rules), took_s)}  "
                f"free form {free.finish_s - plan.finish_s:+.1f} s",
                flush=True,
            )
    pairs = 4 if SHORT else 50
    found: dict[str, list[float]] = {"flat": [], "hilly": []}
    slower, refused = 0, 0
    for seed in range(pairs):
        draw = random.Random(seed)
        kind = draw.choice(("flat", "hilly"))
        length_m = draw.uniform(8_000, 40_000)
        course = flat(length_m) if kind == "flat" else hilly(length_m, seed)
        count = draw.randint(4, 8)
        rules = RaceRules(counted=count)
        roster = team_of(count, seed)
        try:
            plan = nearer(course, roster, rules, timed(course, roster, rules)[0])
        except CallerError as refusal:
            refused += 1
            print(f"  pair {seed}: {refusal}")
            continue
        assert plan.bound_s is not None
        found[kind].append(plan.finish_s / plan.bound_s - 1)
        slower += plan.finish_s >= steady_plan(course, roster, rules).finish_s
        slower += plan.equal_turns_s is not None and plan.finish_s >= plan.equal_turns_s
    for kind, values in found.items():
        if values:
            print(
                f"  {len(values)} random {kind} pairs: median {100 * statistics.median(values):.2f} %, "
                f"worst {100 * max(values):.2f} %, least {100 * min(values):.2f} %"
            )
    print(f"  not faster than steady or equal turns: {slower}; refused: {refused}", flush=True)


def limits() -> None:
    """Wall clock and memory at the sizes that matter."""
    print("time and memory")
    for course, count in ((flat(40_000), 6), (hilly(40_000, 1), 6), (hilly(100_000, 3), 8))[: 1 if SHORT else 3]:
        for counted in (4, count):
            plan, took_s = timed(course, team_of(count), RaceRules(counted=counted))
            peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            size = f"{course.name}, {counted} of {count}"
            print(f"  {size}: {took_s:.2f} s, {len(plan.turns)} turns, peak {peak_mb:.0f} MB", flush=True)


def on_the_same_simulator(course: Course, roster: Roster, rules: RaceRules) -> tuple[Cost, list[tuple[float, float]]]:
    """What a general optimiser is given: team power a stretch, a turn a rider and stretch, the order as a ranking."""
    team, ground = form_team(roster, rules), cut_ground(course, rules)
    count, stretches = len(roster.riders), len(course.stretches)
    riders = tuple(range(count))
    floor = rules.reserve_margin * team.w_prime_j

    def cost(x: Floats) -> float:
        power = np.exp(x[:stretches])[ground.stretch]
        lengths = x[stretches : stretches * (1 + count)].reshape(stretches, count)
        rows = tuple(tuple(0.0 if one < rules.shortest_turn_s else float(one) for one in row) for row in lengths)
        rows = tuple(row if any(row) else (30.0,) * count for row in rows)
        order = tuple(int(one) for one in np.argsort(x[-count:], kind="stable"))
        speeds = speed_profile(team, ground, speed_at_power_mps(team, ground, power, riders), riders)
        ride = simulate(team, ground, speeds, Rotation(order=order, lengths_s=rows))
        missing = np.maximum(0.0, floor - ride.least_j)
        return ride.finish_s + float(missing.sum()) * 5e-3 + (50.0 if missing.max() > 1 else 0.0)

    bounds = [(float(np.log(80.0)), float(np.log(420.0)))] * stretches + [(0.0, 90.0)] * (stretches * count)
    return cost, bounds + [(0.0, 1.0)] * count


class EnoughTried(Exception):
    """The time is used up."""


def best_within(solve: Solver, cost: Cost, bounds: list[tuple[float, float]], budget_s: float) -> float:
    """The best a general optimiser finds in that time; infinite if it finds nothing that holds."""
    best = float("inf")
    ends_at = time.perf_counter() + budget_s

    def tried(x: Floats) -> float:
        nonlocal best
        if time.perf_counter() > ends_at:
            raise EnoughTried
        value = cost(x)
        best = min(best, value)
        return value

    with contextlib.suppress(EnoughTried):
        solve(tried, bounds, maxiter=100_000, rng=1)
    return best


def rivals() -> None:
    """General optimisers on the same simulator, with twenty times our time."""
    times = 2 if SHORT else 20
    print(f"rivals, {times} times the time")
    cases = ((flat(20_000), 4), (hilly(16_000, 1), 4), (hilly(16_000, 2), 6))[: 1 if SHORT else 3]
    for course, count in cases:
        roster, rules = team_of(count), RaceRules(counted=count)
        plan, took_s = timed(course, roster, rules)
        cost, bounds = on_the_same_simulator(course, roster, rules)
        for name, solve in (("differential evolution", differential_evolution), ("dual annealing", dual_annealing)):
            best = best_within(solve, cost, bounds, times * took_s)
            print(
                f"  {course.name}, {count} riders: ours {plan.finish_s:.1f} s in {took_s:.1f} s; "
                f"{name} {best:.1f} s in {times * took_s:.0f} s",
                flush=True,
            )


def main() -> None:
    chosen = sys.argv[1:] or ["gaps", "limits", "rivals"]
    for name in chosen:
        {"gaps": gaps, "limits": limits, "rivals": rivals}[name]()


if __name__ == "__main__":
    main()

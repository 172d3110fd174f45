"""Every rotation of a small case at even power on each stretch, then free speeds for the best few of them.

Only the simulator is the planner's own. What is found here is what a plan may be asked to reach.
"""

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from itertools import islice, permutations, product

import numpy as np
from scipy.optimize import minimize

from caller.planner.model import Floats, Rotation, simulate
from tests.caller.planner.wild import Case, Way, holds, ridden, speeds_of

__all__ = ["best_of_all"]

_BUMPS = 6
_POWERS_W = np.geomspace(100.0, 700.0, 511)
"""Even powers of a line that are tried, the mean of its riders at the wheel: 0.4 % apart, 0.13 % of time."""


def best_of_all(
    case: Case, lengths_s: tuple[float, ...], pushes: tuple[float, ...], refined: int = 2
) -> tuple[float, Rotation]:
    """The best finish time of all orders, turns of these lengths (0: only follows) and pushes, and its rotation.

    Args:
        lengths_s: what a turn may last, for each rider on each stretch.
        pushes: what the power on each stretch after the first may be beside that of the first.
        refined: for so many of the best rotations the power along the course is then let free, in six knots.
    """
    stretches, riders = len(case.course.stretches), case.team.riders
    rows = [row for row in product(lengths_s, repeat=riders) if any(row)]
    tried: list[tuple[float, int, Way]] = []
    for push in product(pushes, repeat=stretches - 1):
        shape = np.array([1.0, *push])[case.ground.stretch]

        @cache
        def speeds(level: int, shape: Floats = shape) -> Floats:
            way = Way(shape=shape, rough=False, rotation=Rotation(order=tuple(range(riders)), lengths_s=()))
            return speeds_of(case, way, float(_POWERS_W[level]))

        for order in permutations(range(riders)):
            for lengths in product(rows, repeat=stretches):
                rotation = Rotation(order=order, lengths_s=lengths)
                finish_s = _best_level_s(case, speeds, rotation)
                tried.append((finish_s, len(tried), Way(shape=shape, rough=False, rotation=rotation)))
    best_s, best = min(tried)[0], min(tried)[2]
    seen: list[Rotation] = []
    for _, _, way in islice(sorted(tried), 40 * refined):
        if len(seen) == refined:
            break
        if way.rotation not in seen:
            seen.append(way.rotation)
            freed_s = _freed(case, way)
            if freed_s < best_s:
                best_s, best = freed_s, way
    return best_s, best.rotation


def _best_level_s(case: Case, speeds: Callable[[int], Floats], rotation: Rotation) -> float:
    """The finish time at the greatest of the powers that holds; infinite if none does."""
    best_s, low, high = float("inf"), 0, len(_POWERS_W) - 1
    while low <= high:
        middle = (low + high) // 2
        ride = simulate(case.team, case.ground, speeds(middle), rotation)
        if holds(case, ride, rotation.order):
            best_s, low = min(best_s, ride.finish_s), middle + 1
        else:
            high = middle - 1
    return best_s


def _freed(case: Case, way: Way) -> float:
    """The finish time with the power along the course let free."""
    place = np.linspace(0, _BUMPS - 1, len(way.shape))

    def finish_s(bumps: Floats) -> float:
        shape = way.shape * np.interp(place, np.arange(_BUMPS), np.exp(bumps))
        ride = ridden(case, replace(way, shape=shape), halvings=13)
        return 1e9 if ride is None else ride.finish_s

    found = minimize(finish_s, np.zeros(_BUMPS), method="Powell", bounds=[(-0.5, 0.5)] * _BUMPS, options={"maxfev": 90})
    return float(found.fun)

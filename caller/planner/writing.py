"""From numbers to a Plan: what was found, in the words riders and screens use. Must not know how it was found."""

import numpy as np

from caller.course import Course
from caller.plan import Plan, PlannedReserve, PlannedTurn, StretchRule, TurnRule
from caller.planner.model import Floats, Ground, Ride, Rotation, Team, power_w
from caller.riders import Roster

__all__ = ["places_m", "write_plan"]

_COLUMNS = 90
"""A picture of a rider's reserve on a page has no more."""


def write_plan(
    *,
    method: str,
    course: Course,
    roster: Roster,
    team: Team,
    ground: Ground,
    speeds_mps: Floats,
    rotation: Rotation,
    ride: Ride,
    bound_s: float | None = None,
    equal_turns_s: float | None = None,
) -> Plan:
    """The plan a simulated ride stands for. Speeds in mm/s, powers in tenths of a watt, times in ms.

    Where a rider has a turn but the ride never brings that rider to the front, the power is what the front would need
    at the stretch's mean speed.
    """
    ids = roster.ids
    edges = ground.edge_m
    leader, leading_s = _leaders(ride)
    places = places_m(ground, ride, speeds_mps)
    cells = np.searchsorted(ride.edge_s, ride.cut_s[:-1], side="right") - 1
    stretch = ground.stretch[np.minimum(cells, len(ground.stretch) - 1)]
    front_w = ride.power_w[np.arange(len(leader)), leader]
    rules = []
    for index, part in enumerate(course.stretches):
        here = np.flatnonzero(ground.stretch == index)
        first, last = int(here[0]), int(here[-1])
        speed = float((edges[last + 1] - edges[first]) / (ride.edge_s[last + 1] - ride.edge_s[first]))
        turns = []
        for rider in rotation.order:
            mine = (stretch == index) & (leader == rider)
            weight = leading_s[mine]
            if weight.sum() > 0:
                power = float(np.average(front_w[mine], weights=weight))
            else:
                power = float(_mean_front_w(team, ground, here, speed)[rider])
            turns.append(TurnRule(rider=ids[rider], length_s=rotation.lengths_s[index][rider], power_w=round(power, 1)))
        rules.append(
            StretchRule(
                name=part.name,
                start_m=part.start_m,
                end_m=part.end_m,
                speed_mps=round(speed, 3),
                turns=tuple(turns),
            )
        )
    return Plan(
        method=method,
        order=tuple(ids[rider] for rider in rotation.order),
        rules=tuple(rules),
        turns=tuple(
            PlannedTurn(
                rider=ids[turn.rider],
                start_s=round(turn.start_s, 3),
                start_m=round(_place_m(ground, ride, speeds_mps, turn.start_s), 1),
                length_s=round(turn.end_s - turn.start_s, 3),
                power_w=round(_mean_w(ride, front_w, turn.start_s, turn.end_s), 1),
                speed_mps=round(
                    (_place_m(ground, ride, speeds_mps, turn.end_s) - _place_m(ground, ride, speeds_mps, turn.start_s))
                    / (turn.end_s - turn.start_s),
                    3,
                ),
            )
            for turn in ride.turns
        ),
        schedule=_schedule(ground, ride),
        finish_s=round(ride.finish_s, 3),
        reserves=tuple(
            PlannedReserve(
                rider=ids[rider],
                at_stretch_end_j=tuple(round(float(left_j), 1) for left_j in ride.stretch_j[:, rider]),
                least_j=round(float(ride.least_j[rider]), 1),
                least_at_m=round(float(places[int(np.argmin(ride.left_j[:, rider]))]), 1),
                curve=_curve(places, ride.left_j[:, rider], _last(ride, rider)),
            )
            for rider in sorted(rotation.order)
        ),
        bound_s=None if bound_s is None else round(bound_s, 3),
        equal_turns_s=None if equal_turns_s is None else round(equal_turns_s, 3),
        spent=tuple(sorted(((ids[rider], round(at_m, 1)) for rider, at_m in rotation.spent), key=lambda one: one[1])),
    )


def _leaders(ride: Ride) -> tuple[np.ndarray[tuple[int], np.dtype[np.int64]], Floats]:
    """Who leads through each part, and how long each part lasts."""
    begins = np.array([turn.start_s for turn in ride.turns])
    riders = np.array([turn.rider for turn in ride.turns])
    return riders[np.searchsorted(begins, ride.cut_s[:-1], side="right") - 1], np.diff(ride.cut_s)


def _mean_w(ride: Ride, front_w: Floats, start_s: float, end_s: float) -> float:
    first, last = np.searchsorted(ride.cut_s, (start_s, end_s))
    spans = np.diff(ride.cut_s)[first:last]
    return float(np.average(front_w[first:last], weights=spans))


def _mean_front_w(team: Team, ground: Ground, here: np.ndarray[tuple[int], np.dtype[np.int64]], speed: float) -> Floats:
    shares = np.full((len(here), team.riders), team.shares[team.riders][0])
    powers = power_w(team, ground, here, np.full(len(here), speed), shares)
    return np.asarray(np.average(powers, axis=0, weights=ground.length_m[here]))


def _place_m(ground: Ground, ride: Ride, speeds_mps: Floats, at_s: float) -> float:
    """Where the line is at an instant; speed changes evenly with time within a cell."""
    cell = int(np.clip(np.searchsorted(ride.edge_s, at_s, side="right") - 1, 0, len(ground.grade) - 1))
    since = at_s - float(ride.edge_s[cell])
    span = float(ride.edge_s[cell + 1] - ride.edge_s[cell])
    gain = (float(speeds_mps[cell + 1]) - float(speeds_mps[cell])) / span
    return float(ground.edge_m[cell]) + float(speeds_mps[cell]) * since + 0.5 * gain * since * since


def places_m(ground: Ground, ride: Ride, speeds_mps: Floats) -> Floats:
    """(parts + 1,) where the line is at each instant between which nothing changes."""
    cells = np.append(ride.cell, len(ground.grade) - 1)
    since = ride.cut_s - ride.edge_s[cells]
    gain = np.diff(speeds_mps) / np.diff(ride.edge_s)
    return np.asarray(ground.edge_m[cells] + speeds_mps[cells] * since + 0.5 * gain[cells] * since * since)


def _last(ride: Ride, rider: int) -> int:
    """The last instant at which a rider rides: the end, or when one who is spent lets the line go."""
    gone = np.flatnonzero(ride.phases.rides[ride.phase, rider] == 0)
    return int(gone[0]) if len(gone) else len(ride.cut_s) - 1


def _curve(places_m: Floats, left_j: Floats, last: int) -> tuple[tuple[float, float], ...]:
    """A rider's reserve along the course: the lowest and the highest in each of _COLUMNS parts, and both ends."""
    columns = np.minimum((places_m / places_m[-1] * _COLUMNS).astype(int), _COLUMNS - 1)[: last + 1]
    kept = {0, last}
    for column in range(_COLUMNS):
        here = np.flatnonzero(columns == column)
        if len(here):
            kept |= {int(here[np.argmin(left_j[here])]), int(here[np.argmax(left_j[here])])}
    points: list[tuple[float, float]] = []
    for index in sorted(kept):
        at_m = round(float(places_m[index]), 1)
        if not points or at_m > points[-1][0]:
            points.append((at_m, round(float(left_j[index]))))
    return tuple(points)


def _schedule(ground: Ground, ride: Ride) -> tuple[tuple[float, float], ...]:
    """Every edge of a cell: speed changes evenly with time between two marks, from a standing start.

    To the microsecond, as speeds are read off it; only the last one is the finish as it is told.
    """
    marks = list(zip(ground.edge_m.tolist(), ride.edge_s.tolist(), strict=True))
    return (*((at_m, round(at_s, 6)) for at_m, at_s in marks[:-1]), (marks[-1][0], round(ride.finish_s, 3)))

"""A plan changed by hand: the same line by somebody else's turns, at the speeds that those turns can hold.

The rotation is taken as it is told; only the speeds are found anew, downhill from the plan's own. Must not know who
tells it, nor how a plan is searched for.
"""

from collections.abc import Mapping, Sequence

import numpy as np

from caller.course import Course
from caller.errors import NoPlan, PlanRefused
from caller.plan import Plan, RaceRules, Shortfall
from caller.planner.model import (
    FASTEST_LINE_MPS,
    SLOWEST_LINE_MPS,
    Floats,
    Ground,
    Rotation,
    Team,
    as_planned,
    cut_ground,
    floors_j,
    form_team,
    simulate,
)
from caller.planner.polish import polished
from caller.planner.search import holding
from caller.planner.steady import check_counted
from caller.planner.writing import places_m, write_plan
from caller.riders import Roster
from caller.units import RiderId

__all__ = ["HAND", "by_hand"]

HAND = "by hand"
"""The method of such a plan."""

_STEPS = 12
_SMOOTH = 0.01


def by_hand(
    course: Course,
    roster: Roster,
    rules: RaceRules,
    plan: Plan,
    *,
    order: Sequence[RiderId] | None = None,
    lengths_s: Mapping[tuple[int, RiderId], float] | None = None,
) -> tuple[Plan, tuple[Shortfall, ...]]:
    """The plan with turns or order changed, without a search; and who would fall short at the plan's own speeds.

    Args:
        roster: who rides; the plan's riders, or some of them.
        plan: as it was. Its turns stand where nothing else is told.
        order: the line at the gun; the plan's own if None.
        lengths_s: turns told for (stretch, rider), 0 for one who only follows there.
    Raises:
        RulesRefused: the time counts on more riders than there are.
        PlanRefused: an order that is not these riders; a turn that is none of the rules'; nobody leads somewhere.
        NoPlan: nobody holds these turns at any pace.
    """
    check_counted(roster, rules)
    course = as_planned(course, plan)
    rotation = _rotation(course, roster, rules, plan, order, lengths_s or {})
    team, ground = form_team(roster, rules), cut_ground(course, rules)
    speeds = _speeds_mps(plan, ground)
    short = _short(roster, team, ground, speeds, rotation)
    effort = holding(team, ground, polished(team, ground, speeds, rotation, _STEPS), rotation)
    if effort is None:
        worst = max(short, key=lambda one: one.short_j, default=None)
        whose = "somebody" if worst is None else roster[worst.rider].name
        where = "" if worst is None else f" at {worst.at_m / 1000:.1f} km"
        raise NoPlan(
            f"{whose} does not hold these turns{where} at any pace",
            "the reserve margin" if worst is None else f"{worst.short_j / 1000:.1f} kJ at the plan's speeds",
            f"shorter turns for {whose}, or none",
        )
    changed = write_plan(
        method=HAND,
        course=course,
        roster=roster,
        team=team,
        ground=ground,
        speeds_mps=effort.speeds_mps,
        rotation=effort.rotation,
        ride=effort.ride,
        equal_turns_s=None,
    )
    return changed, short


def _rotation(
    course: Course,
    roster: Roster,
    rules: RaceRules,
    plan: Plan,
    order: Sequence[RiderId] | None,
    lengths_s: Mapping[tuple[int, RiderId], float],
) -> Rotation:
    wanted = tuple(order) if order is not None else tuple(one for one in plan.order if one in roster.ids)
    if sorted(wanted) != sorted(roster.ids):
        raise PlanRefused(
            "plan", "order", ", ".join(wanted) or "nobody", f"expected each of {', '.join(roster.ids)} once"
        )
    for index, rider in lengths_s:
        if not 0 <= index < len(plan.rules) or rider not in roster.ids:
            raise PlanRefused(
                "plan", "turn", f"stretch {index + 1}, rider {rider}", "expected a stretch and a rider of it"
            )
    rows = []
    for index, rule in enumerate(plan.rules):
        row = []
        for one in roster.riders:
            before = rule.turn_of(one.id)
            length = lengths_s.get((index, one.id), before.length_s if before else 0.0)
            if length and not rules.shortest_turn_s <= length <= rules.longest_turn_s:
                raise PlanRefused(
                    "plan",
                    f"turn of {one.name} on {rule.name}",
                    f"{length:g} s",
                    f"expected {rules.shortest_turn_s:g} to {rules.longest_turn_s:g} s as the rules have it, or 0",
                )
            row.append(float(length))
        if not any(row):
            raise PlanRefused("plan", f"turns on {rule.name}", "nobody who leads", "expected at least one turn")
        rows.append(tuple(row))
    spare = len(roster.riders) - rules.counted
    spent = [(roster.ids.index(rider), at_m) for rider, at_m in plan.spent if rider in roster.ids]
    return Rotation(
        order=tuple(roster.ids.index(rider) for rider in wanted),
        lengths_s=tuple(rows),
        spent=tuple(spent[: max(0, spare)]),
    )


def _speeds_mps(plan: Plan, ground: Ground) -> Floats:
    """(cells + 1,) the plan's speeds at the edges, 0 at the start.

    Half the sum of two neighbours is their cell's mean speed, which the schedule tells to the millisecond; of all
    speeds that fit, the smoothest.
    """
    marks_m, marks_s = (np.array(column) for column in zip(*plan.schedule, strict=True))
    means = np.diff(ground.edge_m) / np.diff(np.interp(ground.edge_m, marks_m, marks_s))
    cells = len(means)
    halves = 0.5 * (np.eye(cells, cells + 1) + np.eye(cells, cells + 1, 1))
    bends = np.eye(cells - 1, cells + 1) - 2 * np.eye(cells - 1, cells + 1, 1) + np.eye(cells - 1, cells + 1, 2)
    rows = np.vstack((halves, _SMOOTH * bends))[:, 1:]
    wanted = np.concatenate((means, np.zeros(cells - 1)))
    found = np.linalg.lstsq(rows, wanted, rcond=None)[0]
    return np.concatenate(([0.0], np.clip(found, SLOWEST_LINE_MPS / 2, FASTEST_LINE_MPS)))


def _short(roster: Roster, team: Team, ground: Ground, speeds: Floats, rotation: Rotation) -> tuple[Shortfall, ...]:
    ride = simulate(team, ground, speeds, rotation)
    places = places_m(ground, ride, speeds)
    floor_j = floors_j(team, rotation)
    found = []
    for rider in rotation.order:
        worst = int(np.argmin(ride.left_j[:, rider]))
        short_j = float(floor_j[rider] - ride.left_j[worst, rider])
        if short_j > 0.01 * team.w_prime_j[rider]:
            found.append(
                Shortfall(rider=roster.ids[rider], at_m=round(float(places[worst]), 1), short_j=round(short_j, 1))
            )
    return tuple(sorted(found, key=lambda one: -one.short_j))

"""How fast any plan could be: the bound that goes with a plan. Must not know how the plan was found."""

from collections.abc import Callable, Iterable
from dataclasses import replace

from caller.course import Course
from caller.plan import Plan, RaceRules
from caller.planner.bound import lower_bound_s
from caller.planner.model import LEAST_TURN_S, Ground, Team, cut_ground, form_team
from caller.planner.prices import EFFORTS, good_prices
from caller.riders import Roster

__all__ = ["EFFORTS", "bound_beside_s", "proved"]

_ROUNDED_S = 0.001
"""Plans tell times in whole milliseconds."""


def bound_beside_s(
    team: Team,
    ground: Ground,
    turn_lengths_s: Iterable[float],
    effort: str = "quick",
    report: Callable[[float], None] | None = None,
) -> float:
    """No rotation is faster of which no turn but the last is shorter than the rules' shortest, or than any of these.

    A rider short of rest leads for less than the rules' shortest turn: then the proof must allow for that.

    Args:
        turn_lengths_s: of a plan, but for its last turn.
        effort: one of EFFORTS.
        report: told which share of the whole is behind.
    """
    shortest_s = max(min([team.rules.shortest_turn_s, *turn_lengths_s]), LEAST_TURN_S)
    prices = good_prices(team, ground, effort=effort, least_turn_s=shortest_s, report=report)
    return lower_bound_s(team, ground, prices, shortest_s)


def proved(
    course: Course,
    roster: Roster,
    rules: RaceRules,
    plan: Plan,
    *,
    effort: str = "thorough",
    report: Callable[[str, float], None] | None = None,
) -> Plan:
    """The plan with the best bound so far: its own, or one found with this effort.

    Args:
        effort: one of EFFORTS. "quick" takes about a second for six riders on 40 km of hills, "thorough" half a minute.
        report: told what is being done, and which share of the whole is behind.
    """
    lengths_s = [turn.length_s - 2 * _ROUNDED_S for turn in plan.turns[:-1]]
    team, ground = form_team(roster, rules), cut_ground(course, rules)
    tell = None if report is None else (lambda share: report("bound", share))
    bound_s = round(bound_beside_s(team, ground, lengths_s, effort, tell) - _ROUNDED_S, 3)
    return replace(plan, bound_s=max(bound_s, plan.bound_s or 0.0))

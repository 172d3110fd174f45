"""How many seconds each choice in a plan buys: the same race solved once more without that choice.

Nothing here is a rule of how to ride. Must not know how a plan is searched for, nor who asks.
"""

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from caller.course import Course, Terrain
from caller.errors import NoPlan, RequestRefused
from caller.plan import Effect, Plan, RaceRules
from caller.planner.search import Report, optimise
from caller.riders import Roster

__all__ = ["EFFECTS", "effect", "effects_of"]

_SCATTER: Final = 0.001
"""Two searches of the same race from different beginnings differ by about so much of the time (seen on our courses)."""


def effects_of(course: Course, plan: Plan) -> tuple[str, ...]:
    """The effects that can be asked for on this course with this plan, in the order they are told.

    Raises: RequestRefused: the plan was not searched for, so a search without something says nothing about it.
    """
    if not plan.method.startswith("optimised"):
        why = f"it compares searches, and this plan is {plan.method}; have an optimised plan worked out first"
        raise RequestRefused("work out what each choice buys", why)
    terrains = {part.terrain for part in course.stretches}
    return tuple(
        key
        for key, question in EFFECTS.items()
        if question.terrain is None or (question.terrain in terrains and len(terrains) > 1)
    )


def effect(
    course: Course, roster: Roster, rules: RaceRules, plan: Plan, key: str, report: Report | None = None
) -> Effect:
    """One effect, by one more search.

    Args:
        plan: as optimise found it for this course, these riders and these rules.
        key: one of EFFECTS.
    """
    question = EFFECTS[key]
    other_s: float | None = None
    gain_s: float | None = None
    with suppress(NoPlan):
        other_s = question.solve(course, roster, rules, plan, report).finish_s
        gain_s = round(other_s - plan.finish_s, 3)
    return Effect(
        key=key,
        words=question.words,
        otherwise=question.otherwise,
        other_s=other_s,
        gain_s=gain_s,
        tells=gain_s is None or question.sign(plan) * gain_s >= _SCATTER * plan.finish_s,
    )


_Solve = Callable[[Course, Roster, RaceRules, Plan, Report | None], Plan]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Question:
    """How the choice is made otherwise.

    Attributes:
        words: the choice, for people.
        otherwise: what is solved instead.
        solve: does it.
        sign: -1 if the other race leaves more freedom and so can only be faster, else 1. What comes out the other way
            round is the search's scatter.
        terrain: which the course must have, besides another.
    """

    words: str
    otherwise: str
    solve: _Solve
    sign: Callable[[Plan], int] = lambda _plan: 1
    terrain: Terrain | None = None


def _form(plan: Plan) -> str:
    return "free" if plan.method.endswith("free") else "memorable"


def _tied(terrain: Terrain) -> _Solve:
    def solve(course: Course, roster: Roster, rules: RaceRules, plan: Plan, report: Report | None) -> Plan:
        here = {part.terrain for part in course.stretches}
        other = Terrain.FLAT if Terrain.FLAT in here else next(one for one in Terrain if one in here and one != terrain)
        return optimise(course, roster, rules, form=_form(plan), report=report, tied=frozenset((terrain, other)))

    return solve


def _equal(course: Course, roster: Roster, rules: RaceRules, plan: Plan, report: Report | None) -> Plan:
    return optimise(course, roster, rules, form=_form(plan), report=report, equal_turns=True)


def _turned_round(course: Course, roster: Roster, rules: RaceRules, plan: Plan, report: Report | None) -> Plan:
    return optimise(course, roster, rules, form=_form(plan), report=report, order=plan.order[::-1])


def _as_listed(course: Course, roster: Roster, rules: RaceRules, plan: Plan, report: Report | None) -> Plan:
    return optimise(course, roster, rules, form=_form(plan), report=report, order=roster.ids)


def _other_form(course: Course, roster: Roster, rules: RaceRules, plan: Plan, report: Report | None) -> Plan:
    form = "memorable" if _form(plan) == "free" else "free"
    return optimise(course, roster, rules, form=form, report=report)


EFFECTS: Final = MappingProxyType(
    {
        "climbs": _Question(
            words="other turns on climbs: the strong into the climb",
            otherwise="everybody's turns on climbs as long as on the flat",
            solve=_tied(Terrain.CLIMB),
            terrain=Terrain.CLIMB,
        ),
        "descents": _Question(
            words="other turns on descents: the heavy down the descent",
            otherwise="everybody's turns on descents as long as on the flat",
            solve=_tied(Terrain.DESCENT),
            terrain=Terrain.DESCENT,
        ),
        "unequal": _Question(
            words="longer turns for some than for others", otherwise="all turns equally long", solve=_equal
        ),
        "turned_round": _Question(words="this order", otherwise="the same order turned round", solve=_turned_round),
        "as_listed": _Question(
            words="this order", otherwise="the order in which the riders are listed", solve=_as_listed
        ),
        "form": _Question(
            words="turns short enough to remember",
            otherwise="the other form: to the second, not to 5 s",
            solve=_other_form,
            sign=lambda plan: 1 if _form(plan) == "free" else -1,
        ),
    }
)
"""Each question's key."""

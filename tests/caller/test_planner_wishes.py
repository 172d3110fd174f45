"""How riders are wished to lead: the plan keeps to it, or says why it can't."""

from dataclasses import replace

import pytest

from caller.course import Course, course_from_profile
from caller.errors import RosterRefused
from caller.plan import Plan, RaceRules
from caller.planner import optimise, steady_plan
from caller.riders import Roster
from tests.caller.planning import FLAT, TEAM

HILLY = course_from_profile(
    name="hilly", distance_m=(0, 5_000, 8_000, 12_000, 16_000), height_m=(50.0, 55.0, 205.0, 60.0, 60.0)
)


def wished(**wishes: dict[str, str]) -> Roster:
    """The team with wishes by rider."""
    return Roster(riders=tuple(replace(rider, **wishes.get(rider.id, {})) for rider in TEAM.riders))


def length_s(plan: Plan, stretch: str, rider: str) -> float:
    rule = next(rule for rule in plan.rules if rule.name.startswith(stretch))
    return next(turn.length_s for turn in rule.turns if turn.rider == rider)


@pytest.mark.parametrize("planner", [steady_plan, optimise])
def test_a_rider_leads_no_longer_than_wished(planner: object) -> None:
    roster = wished(bo={"on_climbs": "none"}, di={"on_climbs": "short", "on_flat": "short"}, cy={"on_descents": "none"})
    plan: Plan = planner(HILLY, roster, RaceRules())  # type: ignore[operator]
    for rule in plan.rules:
        lengths = {turn.rider: turn.length_s for turn in rule.turns}
        if rule.name.startswith("climb"):
            assert lengths["bo"] == 0
            assert lengths["di"] <= 15
        elif rule.name.startswith("flat"):
            assert lengths["di"] <= 15
            assert lengths["bo"] > 15  # the strongest of them; nothing was wished of Bo there
        else:
            assert lengths["cy"] == 0


def test_short_turns_are_as_long_as_the_rules_shortest_where_that_is_longer() -> None:
    plan = steady_plan(HILLY, wished(ana={"on_climbs": "short"}), RaceRules(shortest_turn_s=25))
    assert length_s(plan, "climb", "ana") in {0, 25}


def test_everybody_in_short_turns_is_a_plan() -> None:
    everybody = {rider.id: {"on_climbs": "short"} for rider in TEAM.riders}
    plan = steady_plan(HILLY, wished(**everybody), RaceRules())
    assert {length_s(plan, "climb", rider) for rider in TEAM.ids} <= {0, 10, 15}


def test_what_ties_the_planners_hands_buys_no_time() -> None:
    nowhere = {"on_flat": "none", "on_climbs": "none", "on_descents": "none"}
    free = steady_plan(HILLY, TEAM, RaceRules())
    tied = steady_plan(HILLY, wished(bo=nowhere), RaceRules())
    assert tied.finish_s > free.finish_s  # Bo is the strongest


@pytest.mark.parametrize("course", [FLAT, HILLY], ids=["flat", "hilly"])
def test_wishes_by_which_nobody_leads_somewhere_are_refused_by_name_of_the_stretch(course: Course) -> None:
    everybody = {rider.id: {"on_flat": "none"} for rider in TEAM.riders}
    with pytest.raises(RosterRefused, match=r"roster, leading on flat: found nobody who leads on flat 1; expected at"):
        optimise(course, wished(**everybody), RaceRules())


def test_one_rider_alone_may_lead_only_what_is_over_within_the_longest_turn() -> None:
    others = {rider: {"on_climbs": "none"} for rider in ("ana", "cy", "di")}
    with pytest.raises(RosterRefused, match=r"found only Bo who leads on climb 1, 3\.\d km; expected two at least"):
        steady_plan(HILLY, wished(**others), RaceRules())
    assert length_s(steady_plan(HILLY, wished(**others), RaceRules(longest_turn_s=300)), "climb", "bo") > 0


def test_a_wish_that_is_none_is_refused() -> None:
    with pytest.raises(
        RosterRefused, match="rider Bo, leading on climbs: found 'hard'; expected one of planned, short"
    ):
        wished(bo={"on_climbs": "hard"})

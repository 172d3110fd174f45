"""What choices buy, turns by hand, and what mends a race nobody holds."""

import re
from dataclasses import replace
from functools import cache

import pytest

from caller.course import Terrain, course_from_profile
from caller.errors import NoPlan, PlanRefused, RequestRefused
from caller.plan import Plan, RaceRules
from caller.planner import HAND, by_hand, effect, effects_of, mended, optimise, steady_plan
from caller.riders import Roster
from caller.units import RiderId, clock_text, ms_from_s
from tests.caller.planning import FLAT, TEAM, rider

HILLY = course_from_profile(
    name="hilly", distance_m=(0, 5_000, 8_000, 12_000, 16_000), height_m=(50.0, 55.0, 205.0, 60.0, 60.0)
)
RULES = RaceRules()
ANA, BO = RiderId("ana"), RiderId("bo")


@cache
def planned() -> Plan:
    return optimise(HILLY, TEAM, RULES)


def lengths(plan: Plan) -> dict[str, tuple[float, ...]]:
    """Turns by stretch, in the roster's order."""
    return {
        rule.name: tuple(next(turn.length_s for turn in rule.turns if turn.rider == one) for one in TEAM.ids)
        for rule in plan.rules
    }


# What is left out


def test_tied_terrains_have_one_length_a_rider_and_the_others_are_free() -> None:
    plan = optimise(HILLY, TEAM, RULES, tied=frozenset({Terrain.FLAT, Terrain.CLIMB}))
    by_name = lengths(plan)
    assert by_name["flat 1"] == by_name["climb 1"]
    assert by_name["flat 1"] != by_name["descent 1"]


def test_equal_turns_are_equal_for_all_who_ride() -> None:
    plan = optimise(HILLY, TEAM, RULES, equal_turns=True)
    for row in lengths(plan).values():
        assert len(set(row)) == 1


def test_effects_are_asked_only_of_what_the_course_has_and_of_plans_that_were_searched_for() -> None:
    assert effects_of(FLAT, planned()) == ("unequal", "turned_round", "as_listed", "form")
    assert effects_of(HILLY, planned())[:2] == ("climbs", "descents")
    with pytest.raises(RequestRefused, match="this plan is steady; have an optimised plan worked out first"):
        effects_of(HILLY, steady_plan(HILLY, TEAM, RULES))


def test_unequal_turns_of_unlike_riders_buy_time_and_the_gain_is_the_difference() -> None:
    found = effect(HILLY, TEAM, RULES, planned(), "unequal")
    assert found.tells
    assert found.other_s is not None
    assert found.gain_s == pytest.approx(found.other_s - planned().finish_s, abs=1e-3)
    assert found.gain_s > 0


def test_the_order_of_riders_all_alike_buys_nothing() -> None:
    # By symmetry: who is who makes no difference.
    alike = Roster(riders=tuple(rider(name, 70, 310, 18_000, 0.24) for name in ("Al", "Em", "Jo")))
    short = course_from_profile(name="short", distance_m=(0, 8_000), height_m=(10, 10))
    rules = replace(RULES, counted=3)
    plan = optimise(short, alike, rules)
    found = effect(short, alike, rules, plan, "turned_round")
    assert found.gain_s == pytest.approx(0, abs=0.001 * plan.finish_s)


def test_the_order_is_worth_no_more_on_the_flat_than_riders_were_seen_to_save_by_it() -> None:
    # Heimans et al. 2017, IJSPP 12(10):1385-91: eight riders, order changes a team's efficiency by at most 1.2 %. A
    # share of power is about a third of it in time (drag grows with the square of speed), so this is generous.
    flat = course_from_profile(name="flat", distance_m=(0, 10_000), height_m=(10, 10))
    plan = optimise(flat, TEAM, RULES)
    found = effect(flat, TEAM, RULES, plan, "turned_round")
    assert found.gain_s is not None
    assert abs(found.gain_s) <= 0.012 * plan.finish_s


# By hand


def test_the_plans_own_turns_by_hand_are_as_fast_as_the_plan() -> None:
    plan, short = by_hand(HILLY, TEAM, RULES, planned())
    assert plan.method == HAND
    assert lengths(plan) == lengths(planned())
    assert plan.order == planned().order
    assert plan.finish_s == pytest.approx(planned().finish_s, rel=2e-3)
    assert short == ()


def test_a_turn_too_long_for_a_rider_is_named_by_place_and_everybody_still_holds() -> None:
    plan, short = by_hand(HILLY, TEAM, RULES, planned(), lengths_s={(1, ANA): 90.0})
    assert plan.rules[1].turn_of(ANA).length_s == 90.0  # type: ignore[union-attr]
    ana = next(one for one in short if one.rider == ANA)
    # Ana (290 W, 16 kJ) falls short on the climb or soon after; before it nothing has changed.
    assert HILLY.stretches[1].start_m < ana.at_m
    assert 500 < ana.short_j < 16_000
    for reserve in plan.reserves:
        assert reserve.least_j >= 0.1 * TEAM[reserve.rider].w_prime_j - 0.1


def test_a_line_that_the_strongest_never_leads_is_slower() -> None:
    plan, _ = by_hand(
        HILLY, TEAM, RULES, planned(), lengths_s={(index, BO): 0.0 for index in range(len(planned().rules))}
    )
    assert plan.finish_s > planned().finish_s + 5


@pytest.mark.parametrize(
    ("told", "sentence"),
    [
        ({"lengths_s": {(0, ANA): 4.0}}, "plan, turn of Ana on flat 1: found 4 s; expected 10 to 90 s"),
        ({"lengths_s": {(0, one): 0.0 for one in TEAM.ids}}, "plan, turns on flat 1: found nobody who leads"),
        ({"lengths_s": {(9, ANA): 20.0}}, "plan, turn: found stretch 10, rider ana; expected a stretch and a rider"),
        ({"order": (ANA, BO)}, "plan, order: found ana, bo; expected each of ana, bo, cy, di once"),
    ],
)
def test_turns_by_hand_that_are_none_are_refused(told: dict[str, object], sentence: str) -> None:
    with pytest.raises(PlanRefused, match=re.escape(sentence)):
        by_hand(HILLY, TEAM, RULES, planned(), **told)  # type: ignore[arg-type]


# What mends it

STEEP = course_from_profile(name="steep", distance_m=(0, 3_000, 6_000), height_m=(50.0, 55.0, 600.0))
WEAK = Roster(riders=(*TEAM.riders, rider("Ida", 92, 150, 8_000, 0.3)))


def test_a_mend_that_is_told_holds_when_it_is_solved() -> None:
    rules = replace(RULES, counted=5)
    with pytest.raises(NoPlan) as caught:
        steady_plan(STEEP, WEAK, rules)
    told = mended(STEEP, WEAK, rules, caught.value)
    assert told.constraint.startswith("Ida cannot hold a sheltered wheel on climb 1 at")
    assert re.fullmatch(r"\d+ W", told.short_by)
    assert told.mend.startswith("this mends it: count on 4 and leave Ida out (solved: about ")
    finish_s = steady_plan(STEEP, TEAM, replace(RULES, counted=4)).finish_s
    assert f"solved: about {clock_text(ms_from_s(finish_s))}" in told.mend


def test_where_nothing_alone_mends_it_the_sentence_says_what_was_tried() -> None:
    weak = Roster(riders=tuple(rider(name, 110, 110, 4_000, 0.3) for name in ("Al", "Em", "Jo")))
    rules = replace(RULES, counted=3)
    with pytest.raises(NoPlan) as caught:
        steady_plan(STEEP, weak, rules)
    told = mended(STEEP, weak, rules, caught.value)
    assert told.mend.startswith(caught.value.mend)
    assert "tried one at a time, none is enough: one counted fewer, no margin, allow turns of 5 s" in told.mend

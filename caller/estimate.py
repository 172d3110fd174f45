"""Where the line is on the course, what each rider has left, and how well that is known, between marks.

Plan speed times a pace factor, corrected whenever somebody sees the line pass a place; power from that speed, the road
and the slot. Must not know why anybody is in a slot, nor what is told to anybody.
"""

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from operator import itemgetter

from caller.course import Course, grade_at, height_at
from caller.physics import (
    air_density_kg_m3,
    reserve_after_j,
    road_power_w,
    shelter_shares,
    standard_pressure_pa,
)
from caller.plan import Plan, RaceRules
from caller.riders import Rider, Roster
from caller.units import RiderId, ms_from_s, s_from_ms

__all__ = [
    "PACE_LIMITS",
    "Position",
    "Reserve",
    "arrival_ms",
    "at_start",
    "error_m",
    "fresh",
    "lead_and_wheel_w",
    "passed",
    "place_m",
    "speed_mps",
    "spent",
]

_SEEN_ERROR_M = 10.0
"""How exactly a tap at a landmark places the line: about a second of riding. Engineering judgement, no source."""

_DRIFT_PER_M = 0.02
"""How the error grows between marks. Road models are good to about 3 % of time (facts of the trade: Rømcke 2019, mean
absolute error 3.22 %); a pace factor takes part of that away."""

_PACE_ERROR = 0.03
"""How far real pace is from planned before anything is seen, one standard deviation; see _DRIFT_PER_M."""

_LEG_ERROR = 0.02
"""How far the pace of one leg, with its slope and its mishaps, lies from that of the whole. Engineering judgement."""

_PACE_WANDERS = 0.01
"""How far the pace of the whole goes on to change from one landmark to the next. Engineering judgement, no source."""

_START_S = 5.0
"""How much time a standing start may cost over what the plan says, one standard deviation: to be up to speed takes
some ten seconds, at half that speed in the mean. It says nothing of the pace to come. Engineering judgement."""

_LEARN_FROM_S = 30.0
"""A pace isn't learnt from less riding than this: a tap a second late would be more than 3 % of it."""

PACE_LIMITS = (0.7, 1.4)
"""Real speed over planned speed beyond which a tap says more about the tapper than about the line."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Position:
    """Where the front of the line was last known to be.

    Attributes:
        anchor_ms: when.
        anchor_m: where.
        error_m: how well, at that instant.
        pace: real speed over planned speed, as far as it is known.
        pace_error: how well, one standard deviation.
    """

    anchor_ms: int
    anchor_m: float
    error_m: float
    pace: float = 1.0
    pace_error: float = _PACE_ERROR


@dataclass(frozen=True, slots=True, kw_only=True)
class Reserve:
    """What a rider is believed to have left of W′, joules.

    Below nothing: more was asked than the figures allow.
    """

    rider: RiderId
    left_j: float


def at_start() -> Position:
    """On the line at the gun."""
    return Position(anchor_ms=0, anchor_m=0.0, error_m=0.0)


def place_m(plan: Plan, position: Position, at_ms: int) -> float:
    """Where the front of the line is believed to be at an instant; between 0 and the course's length."""
    if at_ms <= 0:
        return 0.0
    planned_s = _planned_s(plan, position.anchor_m) + s_from_ms(at_ms - position.anchor_ms) * position.pace
    return _planned_m(plan, planned_s)


def arrival_ms(plan: Plan, position: Position, at_m: float) -> int:
    """When the front of the line is believed to be at a place; in the past for a place believed passed."""
    ahead_s = (_planned_s(plan, at_m) - _planned_s(plan, position.anchor_m)) / position.pace
    return position.anchor_ms + ms_from_s(ahead_s)


def error_m(plan: Plan, position: Position, at_ms: int) -> float:
    """How far off the believed place may be, metres either way."""
    ridden_m = abs(place_m(plan, position, at_ms) - position.anchor_m)
    return position.error_m + _DRIFT_PER_M * ridden_m


def passed(plan: Plan, position: Position, at_m: float, at_ms: int) -> Position:
    """The position once the front was seen at a place.

    The place is always believed. The pace is learnt from it only if it is a pace that a line can ride, and by its
    weight: a tap a second late means much over 300 m and little over three kilometres.

    Source: two estimates of one figure, each weighted by the inverse of its variance (the scalar Kalman update).
    """
    real_s = s_from_ms(at_ms - position.anchor_ms)
    planned_s = _planned_s(plan, at_m) - _planned_s(plan, position.anchor_m)
    pace, pace_error = position.pace, position.pace_error
    if real_s >= _LEARN_FROM_S and planned_s > 0:
        seen = planned_s / real_s
        if PACE_LIMITS[0] <= seen <= PACE_LIMITS[1]:
            leg_m = at_m - position.anchor_m
            start_s = _START_S if position.anchor_m == 0 else 0.0
            seen_error = math.hypot(position.error_m / leg_m, _SEEN_ERROR_M / leg_m, start_s / real_s, _LEG_ERROR)
            known_error = math.hypot(pace_error, _PACE_WANDERS)
            weight = known_error**2 / (known_error**2 + seen_error**2)
            pace += weight * (seen - pace)
            pace_error = known_error * (1 - weight) ** 0.5
    return Position(anchor_ms=at_ms, anchor_m=at_m, error_m=_SEEN_ERROR_M, pace=pace, pace_error=pace_error)


def speed_mps(plan: Plan, position: Position, at_ms: int) -> float:
    """How fast the line is believed to ride at an instant: over the two seconds around it; 0 before the gun."""
    if at_ms <= 0:
        return 0.0
    before_m, after_m = place_m(plan, position, max(0, at_ms - 1_000)), place_m(plan, position, at_ms + 1_000)
    return (after_m - before_m) / s_from_ms(min(at_ms, 1_000) + 1_000)


def fresh(roster: Roster) -> tuple[Reserve, ...]:
    """Everybody's whole W′, as on the start line."""
    return tuple(Reserve(rider=rider.id, left_j=rider.w_prime_j) for rider in roster.riders)


def spent(
    reserves: tuple[Reserve, ...],
    *,
    roster: Roster,
    rules: RaceRules,
    course: Course,
    at_m: float,
    speed_mps: float,
    duration_s: float,
    in_the_wheels: tuple[RiderId, ...],
    in_the_wind: Iterable[RiderId],
) -> tuple[Reserve, ...]:
    """What riders have left after a while at the line's speed.

    Args:
        reserves: left before.
        at_m: where, for the slope and the air.
        in_the_wheels: the line, front first; each has the shelter of the slot.
        in_the_wind: those beside or behind it, who have none.
        Whoever is in neither doesn't race, and keeps what is left.
    Source: physics.road_power_w, shelter_shares and reserve_after_j, at a steady speed: what a switch, a surge or a
        latch costs on top isn't counted, so expect a few per cent of W′ less.
    """
    if duration_s <= 0:
        return reserves
    height_m, grade = height_at(course, at_m), grade_at(course, at_m)
    pressure_pa = standard_pressure_pa(height_m) if rules.pressure_hpa is None else 100 * rules.pressure_hpa
    density = air_density_kg_m3(rules.temperature_c, pressure_pa, rules.humidity)
    shares = dict.fromkeys(in_the_wind, 1.0)
    if in_the_wheels:
        slots = shelter_shares(len(in_the_wheels), rules.shelter_efficiency, rules.shelter_table)
        shares |= dict(zip(in_the_wheels, slots, strict=True))
    left = []
    for reserve in reserves:
        share = shares.get(reserve.rider)
        if share is None:
            left.append(reserve)
            continue
        rider = roster[reserve.rider]
        power_w = road_power_w(
            speed_mps=speed_mps,
            grade=grade,
            mass_kg=rider.all_up_mass_kg,
            drag_area_m2=rider.drag_area_m2 * share,
            density_kg_m3=density,
            wind_mps=rules.wind_mps,
            rolling=rules.rolling,
        )
        left_j = reserve_after_j(
            reserve_j=reserve.left_j,
            power_w=max(0.0, power_w),
            duration_s=duration_s,
            critical_power_w=rider.critical_power_w,
            w_prime_j=rider.w_prime_j,
            recovery=rules.recovery,
        )
        left.append(Reserve(rider=reserve.rider, left_j=left_j))
    return tuple(left)


def lead_and_wheel_w(
    riders: tuple[Rider, ...], *, course: Course, rules: RaceRules, at_m: float, speed_mps: float
) -> tuple[tuple[float, float], ...]:
    """What each rider of a line gives at a place and a steady speed: on its front, and on a wheel in the mean; W.

    Source: as spent.
    """
    height_m = height_at(course, at_m)
    pressure_pa = standard_pressure_pa(height_m) if rules.pressure_hpa is None else 100 * rules.pressure_hpa
    density = air_density_kg_m3(rules.temperature_c, pressure_pa, rules.humidity)
    shares = shelter_shares(len(riders), rules.shelter_efficiency, rules.shelter_table)
    wheels = shares[1:] or shares
    grade = grade_at(course, at_m)

    def power_w(rider: Rider, share: float) -> float:
        return max(
            0.0,
            road_power_w(
                speed_mps=speed_mps,
                grade=grade,
                mass_kg=rider.all_up_mass_kg,
                drag_area_m2=rider.drag_area_m2 * share,
                density_kg_m3=density,
                wind_mps=rules.wind_mps,
                rolling=rules.rolling,
            ),
        )

    mean = sum(wheels) / len(wheels)
    return tuple([(power_w(rider, shares[0]), power_w(rider, mean)) for rider in riders])


_second = itemgetter(1)


def _planned_s(plan: Plan, at_m: float) -> float:
    """The plan's time at a place: linear between the schedule's marks."""
    marks = plan.schedule
    if at_m <= 0.0:
        return marks[0][1]
    if at_m >= marks[-1][0]:
        return marks[-1][1]
    after = bisect_left(marks, (at_m,))
    (m0, s0), (m1, s1) = marks[after - 1], marks[after]
    return s0 + (s1 - s0) * (at_m - m0) / (m1 - m0)


def _planned_m(plan: Plan, at_s: float) -> float:
    """The plan's place at a time: linear between the schedule's marks, and no further than the finish."""
    marks = plan.schedule
    if at_s <= marks[0][1]:
        return marks[0][0]
    if at_s >= marks[-1][1]:
        return marks[-1][0]
    after = bisect_right(marks, at_s, key=_second)
    (m0, s0), (m1, s1) = marks[after - 1], marks[after]
    return m0 + (m1 - m0) * (at_s - s0) / (s1 - s0)

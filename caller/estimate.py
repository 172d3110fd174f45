"""Where the line is on the course, and how well that is known, between marks.

Plan speed times a pace factor, corrected whenever somebody sees the line pass a place. Must not know who is where in
the line, nor what is told to anybody.
"""

from bisect import bisect_left, bisect_right
from dataclasses import dataclass

from caller.plan import Plan
from caller.units import ms_from_s, s_from_ms

__all__ = ["Position", "arrival_ms", "at_start", "error_m", "passed", "place_m"]

_SEEN_ERROR_M = 10.0
"""How exactly a tap at a landmark places the line: about a second of riding. Engineering judgement, no source."""

_DRIFT_PER_M = 0.02
"""How the error grows between marks. Road models are good to about 3 % of time (facts of the trade: Rømcke 2019, mean
absolute error 3.22 %); a pace factor takes part of that away."""

_LEARN_FROM_S = 30.0
"""A pace isn't learnt from less riding than this: a tap a second late would be more than 3 % of it."""

_PACE_LIMITS = (0.7, 1.4)


@dataclass(frozen=True, slots=True, kw_only=True)
class Position:
    """Where the front of the line was last known to be.

    Attributes:
        anchor_ms: when.
        anchor_m: where.
        error_m: how well, at that instant.
        pace: real speed over planned speed since the start, as far as it is known.
    """

    anchor_ms: int
    anchor_m: float
    error_m: float
    pace: float = 1.0


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

    The place is always believed; the pace is learnt from it only if it is a pace that a line can ride.
    """
    real_s = s_from_ms(at_ms - position.anchor_ms)
    planned_s = _planned_s(plan, at_m) - _planned_s(plan, position.anchor_m)
    pace = position.pace
    if real_s >= _LEARN_FROM_S and planned_s > 0:
        seen = planned_s / real_s
        if _PACE_LIMITS[0] <= seen <= _PACE_LIMITS[1]:
            pace = (position.pace + seen) / 2 if position.anchor_ms > 0 else seen
    return Position(anchor_ms=at_ms, anchor_m=at_m, error_m=_SEEN_ERROR_M, pace=pace)


def _planned_s(plan: Plan, at_m: float) -> float:
    """The plan's time at a place: linear between the schedule's marks."""
    marks = plan.schedule
    after = min(max(bisect_left(marks, at_m, key=lambda mark: mark[0]), 1), len(marks) - 1)
    (m0, s0), (m1, s1) = marks[after - 1], marks[after]
    return s0 + (s1 - s0) * (min(max(at_m, 0.0), marks[-1][0]) - m0) / (m1 - m0)


def _planned_m(plan: Plan, at_s: float) -> float:
    """The plan's place at a time: linear between the schedule's marks, and no further than the finish."""
    marks = plan.schedule
    after = min(max(bisect_right(marks, at_s, key=lambda mark: mark[1]), 1), len(marks) - 1)
    (m0, s0), (m1, s1) = marks[after - 1], marks[after]
    return min(max(m0 + (m1 - m0) * (at_s - s0) / (s1 - s0), 0.0), marks[-1][0])

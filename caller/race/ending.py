"""The end of a race: when to go all in, who is spent on the way and who must be at the line; and the result.

Must not know how cues are told.
"""

from dataclasses import dataclass

from caller.calling import Effort
from caller.estimate import lead_and_wheel_w, place_m
from caller.plan import rule_at
from caller.race.showing import finish_ms, reserves_now, spare_riders
from caller.race.state import Phase, RaceState, policy_of
from caller.riders import Roster
from caller.rotation import Place, project
from caller.units import RiderId, clock_text, s_from_ms

__all__ = ["Result", "result", "result_says", "with_effort"]

_HARDER = 1.15
"""All in, the line gives so much more than planned: some 5 % faster on the flat, for power goes with the cube of speed.
Engineering judgement, no source."""

_SHARES = (0.3, 1.5)
"""How near to the finish, and how far from it, the last effort may begin: shares of what the rules of the race say."""

_LOOK_BACK = 3.0
"""From how far before the finish the end is worked out, as a share of what the rules of the race say."""

_STEP_M = 100.0
_STEP_S = 5.0
_POINTS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """How a race ended.

    Attributes:
        finish_ms: when the counted rider crossed the line.
        against_plan_ms: so much later than planned; sooner if negative.
        counted: who that was, as told, else as believed from the order; None if fewer riders than must be counted.
        line: riders in the line then, front first.
        adrift, out: who had been lost, in the order in which they were.
        turns: how many turns there were.
        order_changes: how many orders were named beside the first.
    """

    finish_ms: int
    against_plan_ms: int
    counted: RiderId | None
    line: tuple[RiderId, ...]
    adrift: tuple[RiderId, ...]
    out: tuple[RiderId, ...]
    turns: int
    order_changes: int


def result(state: RaceState) -> Result | None:
    """How the race ended; None while it hasn't, or if nobody saw the finish."""
    if state.phase is not Phase.OVER or state.finished_ms is None:
        return None
    order = state.line.order
    counted = state.counted_rider
    if counted is None and len(order) >= state.setup.rules.counted:
        counted = order[state.setup.rules.counted - 1]
    return Result(
        finish_ms=state.finished_ms,
        against_plan_ms=state.finished_ms - round(1000 * state.setup.plan.finish_s),
        counted=counted,
        line=order,
        adrift=tuple(member.rider for member in state.line.apart if member.place is Place.ADRIFT),
        out=tuple(member.rider for member in state.line.apart if member.place is Place.OUT),
        turns=state.line.turns_begun,
        order_changes=state.order_changes,
    )


def result_says(ended: Result, roster: Roster) -> str:
    """A result in words, with riders' names as shown."""

    def names(riders: tuple[RiderId, ...]) -> str:
        return ", ".join(roster[rider].name for rider in riders) or "nobody"

    off_s = abs(ended.against_plan_ms) / 1000
    against = f"{off_s:.1f} s {'behind' if ended.against_plan_ms > 0 else 'ahead of'} the plan"
    counted = "nobody known to be counted" if ended.counted is None else f"{roster[ended.counted].name} counted"
    changes = "1 order change" if ended.order_changes == 1 else f"{ended.order_changes} order changes"
    return (
        f"{clock_text(ended.finish_ms)}, {against}; {counted}; in the line {names(ended.line)}; "
        f"lost {names((*ended.adrift, *ended.out))}; {changes}"
    )


def with_effort(state: RaceState) -> Effort | None:
    """The last effort as it looks now; None while the end is far.

    All in, everybody leads and follows so much harder than planned. It begins as far from the finish as so many riders
    as are counted still have something left at the line; of the others, whoever has not is spent on the way. What was
    called stays: then only who is spent may be added, as long as somebody can be lost.
    """
    rules, plan = state.setup.rules, state.setup.plan
    if rules.all_in_m == 0 or state.line.turn is None or state.phase is not Phase.RACING:
        return state.effort
    at_m, length_m = place_m(plan, state.position, state.now_ms), plan.length_m
    end_ms = finish_ms(state)
    to_go_s = s_from_ms(end_ms - state.now_ms)
    if length_m - at_m > _LOOK_BACK * rules.all_in_m or to_go_s <= 1:
        return state.effort
    drains = _drains(state, at_m, end_ms)
    counted = min(rules.counted, len(drains))
    mean_mps = (length_m - at_m) / to_go_s
    told = "all_in" in state.told and state.effort is not None
    if told and state.effort is not None:
        start_m = state.effort.start_m
    else:
        nearest_s, furthest_s = (share * rules.all_in_m / mean_mps for share in _SHARES)
        # The longer, the less is left: so the longest that enough can hold is found by halving.
        held, steps = 0, int(max(0.0, min(furthest_s, to_go_s) - nearest_s) / _STEP_S)
        while held < steps:
            tried = (held + steps + 1) // 2
            if sum([one.left_j(nearest_s + tried * _STEP_S, end_ms) >= 0 for one in drains]) >= counted:
                held = tried
            else:
                steps = tried - 1
        lasts_s = nearest_s + held * _STEP_S
        start_m = _STEP_M * round((length_m - lasts_s * mean_mps) / _STEP_M)
        if state.effort is not None and abs(start_m - state.effort.start_m) < 2 * _STEP_M:
            start_m = state.effort.start_m
        start_m = min(length_m, max(start_m, at_m))
    all_in_s = (length_m - start_m) / mean_mps
    empty = sorted((one for one in drains if one.left_j(all_in_s, end_ms) < 0), key=lambda one: one.left_j(0, end_ms))
    known = () if state.effort is None or not told else state.effort.spent
    more = [
        (one.rider, max((last for _, last in one.turns), default=end_ms))
        for one in empty
        if one.rider not in dict(known)
    ]
    spent = tuple(one for one in (*known, *more) if one[0] in state.line.order)[: max(0, spare_riders(state))]
    needed = tuple(rider for rider in state.line.order if rider not in dict(spent))
    return Effort(start_m=start_m, needed=needed, spent=spent)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Drain:
    """What riding to the finish costs a rider: powers over critical power, as planned; turns to come, in ms."""

    rider: RiderId
    now_ms: int
    reserve_j: float
    full_j: float
    critical_power_w: float
    lead_w: float
    wheel_w: float
    turns: tuple[tuple[int, int], ...]

    def left_j(self, all_in_s: float, end_ms: int) -> float:
        """What is left at the line if the last so many seconds are ridden all in; below nothing: not enough."""
        begins_ms = end_ms - round(1000 * all_in_s)
        left_j = self.reserve_j
        for harder, from_ms, to_ms in ((1.0, self.now_ms, begins_ms), (_HARDER, max(begins_ms, self.now_ms), end_ms)):
            whole_s = s_from_ms(max(0, to_ms - from_ms))
            lead_s = sum([max(0, min(end, to_ms) - max(start, from_ms)) for start, end in self.turns]) / 1000
            wheel = harder * self.wheel_w - self.critical_power_w
            if wheel < 0:  # it fills up the slower, the fuller it is
                wheel *= 1 - max(0.0, self.reserve_j) / self.full_j
            left_j -= (harder * self.lead_w - self.critical_power_w) * lead_s + wheel * (whole_s - lead_s)
        return left_j


def _drains(state: RaceState, at_m: float, end_ms: int) -> tuple[_Drain, ...]:
    setup, plan, line = state.setup, state.setup.plan, state.line
    assert line.turn is not None
    turns = [line.turn]
    ends = []
    for change in project(line, policy_of(state), end_ms):
        turns.append(change.begun)
        ends.append(change.at_ms)
    spans = [(turn.rider, turn.began_ms, end) for turn, end in zip(turns, [*ends, end_ms], strict=True)]
    left = {one.rider: one.left_j for one in reserves_now(state)}
    riders = tuple([setup.roster[rider] for rider in line.order])
    places = [at_m + (plan.length_m - at_m) * (point + 0.5) / _POINTS for point in range(_POINTS)]
    powers = [
        lead_and_wheel_w(
            riders,
            course=setup.course,
            rules=setup.rules,
            at_m=there_m,
            speed_mps=rule_at(plan, there_m).speed_mps * state.position.pace,
        )
        for there_m in places
    ]
    return tuple(
        _Drain(
            rider=rider.id,
            now_ms=state.now_ms,
            reserve_j=left[rider.id],
            full_j=rider.w_prime_j,
            critical_power_w=rider.critical_power_w,
            lead_w=sum([power[slot][0] for power in powers]) / _POINTS,
            wheel_w=sum([power[slot][1] for power in powers]) / _POINTS,
            turns=tuple([(start, end) for who, start, end in spans if who == rider.id]),
        )
        for slot, rider in enumerate(riders)
    )

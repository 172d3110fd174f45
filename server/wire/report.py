"""Plans and rehearsals as the command prints them: JSON whose names stay, and a table for people. Decides nothing."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from caller.plan import Effect, Plan, PlannedReserve
from caller.rehearsal import Result
from caller.riders import Rider, Roster
from caller.units import clock_text, kmh_from_mps, ms_from_s
from server.wire.base import Message

__all__ = ["PlanReport", "plan_report", "plan_text", "rehearsal_json"]


class ReportTurn(Message):
    """How a rider leads on a stretch; a length of 0 means the rider only follows there."""

    rider: str
    length_s: float
    power_w: float


class ReportStretch(Message):
    """How the line rides one part of the course."""

    name: str
    start_m: float
    end_m: float
    speed_mps: float
    turns: tuple[ReportTurn, ...]


class ReportStay(Message):
    """One stay on the front as the plan expects it."""

    rider: str
    start_s: float
    start_m: float
    length_s: float
    power_w: float
    speed_mps: float


class ReportRider(Message):
    """A rider's part: wishes, turns, and what is left of W′ (joules): at stretch ends, at the least, along the course
    as (distance, left) pairs.
    """

    rider: str
    name: str
    w_prime_j: float
    on_flat: str
    on_climbs: str
    on_descents: str
    turns: int
    front_s: float
    reserve_at_stretch_end_j: tuple[float, ...]
    least_reserve_j: float
    least_reserve_at_m: float | None
    reserve_curve: tuple[tuple[float, float], ...]


class ReportSpent(Message):
    """A rider used up on purpose: who leads there, or first beyond, lets the line go after that turn."""

    rider: str
    at_m: float


class ReportEffect(Message):
    """What one choice buys, seconds; below 0 it costs. ``other_s`` is None where nobody holds without it; ``tells``
    is False within the search's own scatter.
    """

    key: str
    words: str
    otherwise: str
    other_s: float | None
    gain_s: float | None
    tells: bool


class PlanReport(Message):
    """A plan as ``swingoff plan FILE --json`` prints it. Distances are metres from the start, times seconds from the
    gun. ``gap`` is finish over bound less 1; None where nobody proved a bound. ``effects`` only if they were asked for.
    """

    method: str
    order: tuple[str, ...]
    finish_s: float
    bound_s: float | None
    gap: float | None
    equal_turns_s: float | None
    stretches: tuple[ReportStretch, ...]
    turns: tuple[ReportStay, ...]
    riders: tuple[ReportRider, ...]
    spent: tuple[ReportSpent, ...]
    effects: tuple[ReportEffect, ...] | None


def plan_report(plan: Plan, roster: Roster, effects: Sequence[Effect] | None = None) -> PlanReport:
    """A plan as the command prints it for other programs."""
    return PlanReport(
        method=plan.method,
        order=plan.order,
        finish_s=plan.finish_s,
        bound_s=plan.bound_s,
        gap=None if plan.bound_s is None else plan.finish_s / plan.bound_s - 1,
        equal_turns_s=plan.equal_turns_s,
        stretches=tuple(
            ReportStretch(
                name=rule.name,
                start_m=rule.start_m,
                end_m=rule.end_m,
                speed_mps=rule.speed_mps,
                turns=tuple(ReportTurn(**asdict(turn)) for turn in rule.turns),
            )
            for rule in plan.rules
        ),
        turns=tuple(ReportStay(**asdict(turn)) for turn in plan.turns),
        riders=tuple(_rider_report(plan, roster[reserve.rider], reserve) for reserve in plan.reserves),
        spent=tuple(ReportSpent(rider=rider, at_m=at_m) for rider, at_m in plan.spent),
        effects=None if effects is None else tuple(ReportEffect(**asdict(effect)) for effect in effects),
    )


def _rider_report(plan: Plan, rider: Rider, reserve: PlannedReserve) -> ReportRider:
    stays = [turn for turn in plan.turns if turn.rider == rider.id]
    return ReportRider(
        rider=rider.id,
        name=rider.name,
        w_prime_j=rider.w_prime_j,
        on_flat=rider.on_flat,
        on_climbs=rider.on_climbs,
        on_descents=rider.on_descents,
        turns=len(stays),
        front_s=round(sum(turn.length_s for turn in stays), 3),
        reserve_at_stretch_end_j=reserve.at_stretch_end_j,
        least_reserve_j=reserve.least_j,
        least_reserve_at_m=reserve.least_at_m,
        reserve_curve=reserve.curve,
    )


def plan_text(plan: Plan, roster: Roster, effects: Sequence[Effect] | None = None) -> str:
    """A plan as a table: a stretch a row, each rider's turn and power; then who has least left where."""
    names = {rider.id: rider.name for rider in roster.riders}
    lines = [
        f"{plan.method} plan, finish in {clock_text(ms_from_s(plan.finish_s))}",
        "order: " + ", ".join(names[rider] for rider in plan.order),
    ]
    if plan.bound_s is not None:
        lines.append(f"no rotation can be faster than {clock_text(ms_from_s(plan.bound_s))}")
    for rule in plan.rules:
        turns = ", ".join(
            f"{names[turn.rider]} {turn.length_s:.0f} s at {turn.power_w:.0f} W"
            if turn.length_s
            else names[turn.rider] + " follows"
            for turn in rule.turns
        )
        lines.append(
            f"{rule.start_m / 1000:6.2f} to {rule.end_m / 1000:6.2f} km  {rule.name:<14} "
            f"{kmh_from_mps(rule.speed_mps):5.1f} km/h  {turns}"
        )
    spent = dict(plan.spent)
    for reserve in plan.reserves:
        share = reserve.least_j / roster[reserve.rider].w_prime_j
        where = "" if reserve.least_at_m is None else f"at {reserve.least_at_m / 1000:.1f} km, "
        gone = "" if reserve.rider not in spent else f"; {_spent_text(spent[reserve.rider], plan.length_m)}"
        lines.append(
            f"{names[reserve.rider]}: least {where}{reserve.least_j / 1000:.1f} kJ left, {share:.0%} of W′{gone}"
        )
    lines += [_effect_text(effect) for effect in effects or ()]
    return "\n".join(lines)


def _spent_text(at_m: float, length_m: float) -> str:
    if at_m > length_m - _AT_THE_FINISH_M:
        return "spent by the finish"
    return f"spent, lets the line go from {at_m / 1000:.1f} km on"


_AT_THE_FINISH_M = 100.0
"""Who lets the line go no sooner finishes with it, empty."""


def _effect_text(effect: Effect) -> str:
    what = f"{effect.words} (not {effect.otherwise})"
    if effect.gain_s is None:
        return f"{what}: without it nobody holds"
    if not effect.tells:
        return f"{what}: too little to tell, {effect.gain_s:+.1f} s"
    return f"{what}: {'buys' if effect.gain_s >= 0 else 'costs'} {abs(effect.gain_s):.1f} s"


def rehearsal_json(result: Result) -> dict[str, Any]:
    """A rehearsal as JSON."""
    return {
        "finish_s": result.finish_s,
        "planned_finish_s": result.plan.finish_s,
        "result": None if result.ended is None else asdict(result.ended),
        "cues": [
            {
                "id": cue.id,
                "kind": cue.kind.value,
                "to": list(cue.to),
                "rider": cue.rider,
                "due_ms": cue.due_ms,
                "because": cue.because,
            }
            for cue in result.cues
        ],
        "order_changes": [
            {
                "at_ms": change.at_ms,
                "before": list(change.before),
                "after": list(change.after),
                "because": change.because,
            }
            for change in result.order_changes
        ],
        "score": {name: getattr(result.score, name) for name in type(result.score).__dataclass_fields__},
    }

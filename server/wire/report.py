"""Plans and rehearsals as the command prints them: JSON whose names stay, and a table for people. Decides nothing."""

from typing import Any

from caller.plan import Plan
from caller.rehearsal import Result
from caller.riders import Roster
from caller.units import clock_text, kmh_from_mps, ms_from_s

__all__ = ["plan_json", "plan_text", "rehearsal_json"]


def plan_json(plan: Plan, roster: Roster) -> dict[str, Any]:
    """A plan as JSON. ``gap`` is finish over bound less 1; None where nobody proved a bound."""
    return {
        "method": plan.method,
        "order": list(plan.order),
        "finish_s": plan.finish_s,
        "bound_s": plan.bound_s,
        "gap": None if plan.bound_s is None else plan.finish_s / plan.bound_s - 1,
        "equal_turns_s": plan.equal_turns_s,
        "stretches": [
            {
                "name": rule.name,
                "start_m": rule.start_m,
                "end_m": rule.end_m,
                "speed_mps": rule.speed_mps,
                "turns": [
                    {"rider": turn.rider, "length_s": turn.length_s, "power_w": turn.power_w} for turn in rule.turns
                ],
            }
            for rule in plan.rules
        ],
        "turns": [
            {
                "rider": turn.rider,
                "start_s": turn.start_s,
                "start_m": turn.start_m,
                "length_s": turn.length_s,
                "power_w": turn.power_w,
                "speed_mps": turn.speed_mps,
            }
            for turn in plan.turns
        ],
        "riders": [
            {
                "rider": reserve.rider,
                "reserve_at_stretch_end_j": list(reserve.at_stretch_end_j),
                "least_reserve_j": reserve.least_j,
                "w_prime_j": roster[reserve.rider].w_prime_j,
            }
            for reserve in plan.reserves
        ],
    }


def plan_text(plan: Plan, roster: Roster) -> str:
    """A plan as a table: a stretch a row, each rider's turn and power."""
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
    for reserve in plan.reserves:
        share = reserve.least_j / roster[reserve.rider].w_prime_j
        lines.append(f"{names[reserve.rider]}: at least {share:.0%} of W′ left")
    return "\n".join(lines)


def rehearsal_json(result: Result) -> dict[str, Any]:
    """A rehearsal as JSON."""
    return {
        "finish_s": result.finish_s,
        "planned_finish_s": result.plan.finish_s,
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

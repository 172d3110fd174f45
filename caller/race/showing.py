"""What drivers show of a race: the turns to come, the place, the reserves, what a director may do.

Changes nothing.
"""

from dataclasses import dataclass
from typing import assert_never

from caller.calling import plan_power_w
from caller.estimate import Reserve, arrival_ms, error_m, place_m
from caller.race.state import (
    Phase,
    RaceState,
    situation_of,
    stopped_at_the_start,
    why_turn_stands,
    with_reserves,
)
from caller.race.undoing import can_undo, last_told
from caller.rotation import Change, Place, begin, project, switch_ms
from caller.speech.told import says
from caller.units import RiderId

__all__ = [
    "Upcoming",
    "finish_ms",
    "may",
    "position_now",
    "reserves_now",
    "spare_riders",
    "track",
    "undo_says",
    "upcoming",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Upcoming:
    """A turn, now or to come; ``ends_ms`` is None where nobody can relieve the leader."""

    number: int
    rider: RiderId
    began_ms: int
    ends_ms: int | None
    planned_ms: int
    power_w: int
    because: str


def upcoming(state: RaceState, count: int) -> tuple[Upcoming, ...]:
    """The present turn and the next ones, so many in all; before the gun, those from the gun on."""
    situation = situation_of(state)
    line = state.line
    if state.phase in (Phase.LOBBY, Phase.COUNTDOWN):
        line = begin(line, 0, situation.policy)
    if state.phase in (Phase.HALTED, Phase.OVER) or line.turn is None:
        return ()
    changes: list[Change] = []
    for change in project(line, situation.policy, situation.last_call_ms):
        changes.append(change)
        if len(changes) >= count:
            break
    turns = [line.turn, *(change.begun for change in changes)]
    ends: list[int | None] = [change.at_ms for change in changes]
    if len(changes) < count:
        ends.append(switch_ms(line, situation.policy.latch_ms()) if not changes else None)
    return tuple(
        Upcoming(
            number=turn.number,
            rider=turn.rider,
            began_ms=turn.began_ms,
            ends_ms=end,
            planned_ms=turn.planned_ms,
            power_w=plan_power_w(state.setup.plan, turn.rider, place_m(situation.plan, state.position, turn.began_ms)),
            because=turn.because,
        )
        for turn, end in zip(turns, ends, strict=False)
    )[:count]


def position_now(state: RaceState) -> tuple[float, float]:
    """Where the front is believed to be, and how far off that may be; metres."""
    plan = state.setup.plan
    # Where a halted line was at that instant it still is: when it was told to stop, or seen at a place after that.
    at_ms = state.now_ms if state.halted_ms is None else max(state.halted_ms, state.position.anchor_ms)
    return place_m(plan, state.position, at_ms), error_m(plan, state.position, at_ms)


def reserves_now(state: RaceState) -> tuple[Reserve, ...]:
    """What each rider is believed to have left at the state's instant."""
    return with_reserves(state, state.now_ms).reserves


def track(state: RaceState, step_ms: int, count: int) -> tuple[tuple[int, float], ...]:
    """Where the front will be, as (ms, m), from now on at equal steps; stops at the finish."""
    plan = state.setup.plan
    if state.phase is Phase.HALTED:
        return ((state.now_ms, position_now(state)[0]),)
    begun_ms = max(state.now_ms, 0)
    marks = tuple(
        (at_ms, place_m(plan, state.position, at_ms)) for at_ms in range(begun_ms, begun_ms + step_ms * count, step_ms)
    )
    return tuple(mark for mark, before in zip(marks, ((0, -1.0), *marks), strict=False) if mark[1] > before[1])


def spare_riders(state: RaceState) -> int:
    """How many riders can still be lost before nobody is left to be counted; negative if too many are gone."""
    riding = len(state.line.members) + sum(1 for member in state.line.apart if member.place is Place.ADRIFT)
    return riding - min(state.setup.rules.counted, len(state.setup.roster.riders))


def undo_says(state: RaceState) -> str:
    """What undo would take back, in words; empty if nothing can be."""
    return says(last_told(state), state.setup.roster) if can_undo(state) else ""


def may(state: RaceState) -> frozenset[str]:
    """The director's acts that would be accepted now, by their names on the wire.

    ``call_aloud`` stands for what a riding line can be called; ``stop`` is accepted beyond that.
    """
    match state.phase:
        case Phase.LOBBY:
            return frozenset({"set_start"})
        case Phase.COUNTDOWN:
            return frozenset(
                {"call_off_start", "order_seen", "retired", "call_aloud", "stop", "say_aloud", *_undo_name(state)}
            )
        case Phase.OVER:
            return frozenset()
        case Phase.HALTED:
            if stopped_at_the_start(state):
                return frozenset({"call_off_start", "stop"})
        case Phase.RACING:
            pass
        case _:
            assert_never(state.phase)
    acts = {
        "swung_off", "latched_on", "rejoined_at", "came_through", "order_seen", "lost_wheel", "retired",
        "gap_opened", "line_bunched", "line_surged", "landmark_passed", "felt_good", "felt_empty", "race_finished",
        "stop",
    }  # fmt: skip
    acts |= {"resume"} if state.phase is Phase.HALTED else {"call_aloud", "say_aloud"}
    if state.gaps:
        acts.add("gap_closed")
    if not why_turn_stands(state):
        acts |= {"lengthen_turn", "shorten_turn", "cut_turn"}
    if any(member.place is Place.ADRIFT for member in state.line.apart):
        acts |= {"wait_for", "go_without"}
    return frozenset(acts | set(_undo_name(state)))


def finish_ms(state: RaceState) -> int:
    """When the front is believed to reach the finish."""
    return arrival_ms(state.setup.plan, state.position, state.setup.plan.length_m)


def _undo_name(state: RaceState) -> tuple[str, ...]:
    return ("undo",) if can_undo(state) else ()

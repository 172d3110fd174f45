"""Taking the last fact back, and what no fact may do to a switch that is being called.

Undo restores the line, never the clock. Must not know what facts mean.
"""

from dataclasses import replace

from caller.cues import CUE_TABLE, CueKind
from caller.errors import RequestRefused
from caller.facts import Entry
from caller.race.state import Held, Phase, RaceState, changed
from caller.rotation import Turn

__all__ = ["can_undo", "hold", "undone", "with_fair_warning"]

_UNDO_DEPTH = 8


def hold(state: RaceState, entry: Entry) -> RaceState:
    """The state, with how it stood kept for undo."""
    held = Held(
        seq=entry.seq,
        fact=entry.fact,
        turns_begun=state.line.turns_begun,
        line=state.line,
        position=state.position,
        form=state.form,
        gaps=state.gaps,
        decisions=state.decisions,
    )
    return changed(state, held=(*state.held[-_UNDO_DEPTH + 1 :], held))


def can_undo(state: RaceState) -> bool:
    return bool(state.held) and state.held[-1].turns_begun == state.line.turns_begun


def undone(state: RaceState, entry: Entry) -> RaceState:
    """The line as it was. The clock goes on, no number of a turn is given twice, and what is being called stays."""
    if not state.held:
        raise RequestRefused("undo", "nothing to take back")
    if not can_undo(state):
        raise RequestRefused("undo", "a switch has come since; say the order as it is now instead")
    held = state.held[-1]
    line = replace(held.line, turns_begun=state.line.turns_begun)
    return changed(
        state,
        line=line,
        position=held.position,
        form=held.form,
        gaps=held.gaps,
        decisions=held.decisions,
        held=tuple(
            replace(one, turns_begun=line.turns_begun) if one.turns_begun == held.line.turns_begun else one
            for one in state.held[:-1]
        ),
    )


def with_fair_warning(state: RaceState) -> RaceState:
    """The state with a turn that ends when its switch is called for, or later than it can still be called.

    No fact pulls a switch nearer than its commit window, and none moves one that is being called.

    A turn that outlived its call, because nobody was there to relieve the leader, goes on under a new number.
    """
    turn = state.line.turn
    if state.phase is not Phase.RACING or turn is None:
        return state
    soonest_ms = state.now_ms + CUE_TABLE[CueKind.OFF_NOW if turn.cut else CueKind.SWITCH].commit_ms
    called = f"switch:{turn.number}"
    if called in state.told:
        due_ms = next((cue.due_ms for cue in state.fixed if cue.id == called and cue.due_ms >= state.now_ms), None)
        if due_ms is not None:
            return _with_turn(state, replace(turn, ends_ms=due_ms))
        if len(state.line.members) < 2:
            return state
        turn = replace(turn, number=state.line.turns_begun + 1)
    return _with_turn(state, replace(turn, ends_ms=max(turn.ends_ms, soonest_ms)))


def _with_turn(state: RaceState, turn: Turn) -> RaceState:
    """The state with this turn in place of the present one. If its number is new, undo knows of it."""
    if turn == state.line.turn:
        return state
    begun = max(state.line.turns_begun, turn.number)
    held = tuple(
        replace(one, turns_begun=begun) if one.turns_begun == state.line.turns_begun else one for one in state.held
    )
    return changed(state, line=replace(state.line, turn=turn, turns_begun=begun), held=held)

"""Taking the last fact back, and what no fact may do to a switch that is being called.

Undo restores the line, never the clock. Must not know what facts mean.
"""

from dataclasses import replace

from caller.cues import CUE_TABLE, CueKind
from caller.errors import RequestRefused
from caller.facts import Entry, Fact
from caller.race.state import Held, Phase, RaceState, changed, policy_of
from caller.rotation import RiderSeen, Turn, observe, switch_ms
from caller.speech.told import says

__all__ = ["can_undo", "hold", "last_told", "undone", "with_fair_warning"]

_UNDO_DEPTH = 8


def hold(state: RaceState, entry: Entry, *touched: str) -> RaceState:
    """The state, with how it stood kept for undo; ``touched`` names what the fact changes of what is kept."""
    held = Held(
        seq=entry.seq,
        by=entry.by,
        fact=entry.fact,
        turns_begun=state.line.turns_begun,
        line=state.line,
        position=state.position,
        form=state.form,
        gaps=state.gaps,
        decisions=state.decisions,
        touched=touched,
    )
    return changed(state, held=(*state.held[-_UNDO_DEPTH + 1 :], held))


def can_undo(state: RaceState) -> bool:
    """Whether there is something to take back, and what followed allows it."""
    return bool(state.held) and not _in_the_way(state, _last_told(state))


def last_told(state: RaceState) -> Fact:
    """What undo would take back, if it can."""
    return state.held[_last_told(state)].fact


def undone(state: RaceState, entry: Entry) -> RaceState:
    """What the last fact changed is as it was, and what riders tapped since still holds.

    The clock goes on, no number of a turn is given twice, and what is being called stays.
    """
    if not state.held:
        raise RequestRefused("undo", "nothing to take back")
    index = _last_told(state)
    why = _in_the_way(state, index)
    if why:
        raise RequestRefused("undo", why)
    held, later = state.held[index], state.held[index + 1 :]
    begun = state.line.turns_begun
    state = changed(state, **{part: getattr(held, part) for part in held.touched})
    if "line" in held.touched:
        line = replace(held.line, turns_begun=begun)
        for one in later:
            if "line" in one.touched:
                assert isinstance(one.fact, RiderSeen), "else it would be in the way"
                line = observe(line, one.fact, entry.at_ms, policy_of(state))
        state = changed(state, line=line)
        later = tuple(one for one in later if "line" not in one.touched)
    kept = (*state.held[:index], *later)
    if "line" in held.touched:
        # Undone is also that a turn began by it: what was told before it can be taken back in its turn.
        kept = tuple(
            replace(one, turns_begun=begun) if one.turns_begun == held.line.turns_begun else one for one in kept
        )
    return changed(state, held=kept)


def _last_told(state: RaceState) -> int:
    """Which of what is kept is meant: the last that no rider told of themselves, or, if there is none, the last."""
    for index in range(len(state.held) - 1, -1, -1):
        if not state.held[index].by.startswith("rider:"):
            return index
    return len(state.held) - 1


def _in_the_way(state: RaceState, index: int) -> str:
    """Why this can't be taken back any more; empty if it can."""
    held = state.held[index]
    if "line" not in held.touched:
        return ""
    if held.turns_begun != state.line.turns_begun:
        return "a switch has come since; say the order as it is now instead"
    for one in state.held[index + 1 :]:
        if "line" in one.touched and not isinstance(one.fact, RiderSeen):
            return f"since then {says(one.fact, state.setup.roster)}; say how it is now instead"
    return ""


def with_fair_warning(state: RaceState) -> RaceState:
    """The state with a turn that ends when its switch is called for, or later than it can still be called.

    No fact pulls a switch nearer than its commit window, and none moves one that is being called.

    A turn that outlives its call, because nobody is there yet to relieve the leader, goes on under a new number: its
    switch is called once more.
    """
    turn = state.line.turn
    if state.phase is not Phase.RACING or turn is None:
        return state
    soonest_ms = state.now_ms + CUE_TABLE[CueKind.OFF_NOW if turn.cut else CueKind.SWITCH].commit_ms
    called = f"switch:{turn.number}"
    if called in state.told:
        due_ms = next((cue.due_ms for cue in state.fixed if cue.id == called and cue.due_ms >= state.now_ms), None)
        if due_ms is not None:
            as_called = _with_turn(state, replace(turn, ends_ms=due_ms))
            late_ms = switch_ms(as_called.line, policy_of(state).latch_ms())
            if late_ms is None or late_ms <= due_ms:
                return as_called
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

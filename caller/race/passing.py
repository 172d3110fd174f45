"""What the passage of time alone makes of a race: cues become fixed, the line rotates, the race is over at last.

Nothing ticks: the next wake is the next instant at which anything happens. Must not know what facts do.
"""

from operator import itemgetter

from caller.calling import LOOSE_KINDS, cues_until, loose_cues
from caller.cues import CUE_TABLE, Cue
from caller.race.state import (
    SILENT,
    Ahead,
    Phase,
    RaceState,
    changed,
    in_the_wheels,
    policy_of,
    situation_of,
    still_open,
    with_reserves,
    with_told,
)
from caller.rotation import Line, advance_line, begin, next_change_ms

__all__ = ["advance", "ahead_with_loose", "calls", "next_wake"]

_LOOK_AHEAD_MS = 45_000
"""How far the rules look to find what becomes fixed next; then the driver is asked to look again."""

_LOOK_AFTER_FACT_MS = 12_000
"""Not so far just after a fact: the next one may make all of it anew."""

_LONGEST_COMMIT_MS = max(row.commit_ms for row in CUE_TABLE.values())

_OVERDUE_MS = 300_000
"""A race that nobody ends is over so long after the front is believed to have finished."""


def advance(state: RaceState, now_ms: int) -> tuple[RaceState, tuple[Cue, ...]]:
    """The state at a later instant if nothing was seen meanwhile, and the cues that became fixed.

    Looking more often changes nothing: advancing to one instant and then another is advancing to the other.
    An instant before the state's own changes nothing.
    """
    fixed: tuple[Cue, ...] = ()
    state = _looked(state)
    while (wake_ms := _wake_ms(state)) is not None and wake_ms <= now_ms:
        state, cues = _step(state, wake_ms)
        fixed += cues
    if now_ms > state.now_ms and state.phase in (Phase.COUNTDOWN, Phase.RACING, Phase.HALTED):
        state = changed(state, now_ms=now_ms, fixed=_not_too_late(state.fixed, now_ms))
    return state, fixed


def next_wake(state: RaceState) -> int | None:
    """The next instant at which something happens with no new fact; None in the lobby and when all is over."""
    return _wake_ms(_looked(state))


def calls(state: RaceState, until_ms: int | None = None) -> tuple[Cue, ...]:
    """What is fixed and not yet too late, and the known future up to an instant, or all of it.

    In order of (due, priority, id). Whatever a driver was told before and isn't in here is withdrawn.
    """
    if state.phase in SILENT:
        future: tuple[Cue, ...] = ()
    else:
        situation = situation_of(state)
        future = _not_told(state, cues_until(situation, situation.last_call_ms if until_ms is None else until_ms))
    fixed = tuple(cue for cue in state.fixed if until_ms is None or cue.due_ms <= until_ms)
    return tuple(sorted(fixed + future, key=lambda cue: (cue.due_ms, CUE_TABLE[cue.kind].priority, cue.id)))


def ahead_with_loose(ahead: Ahead | None, state: RaceState) -> Ahead | None:
    """What was known of the near future, for a state in which nothing changed but what LOOSE_RULES look at.

    Every cue that this instant could put off is fixed by now, for none of what is still ahead becomes fixed before it.
    """
    if ahead is None:
        return None
    others = [one for one in ahead.cues if one[1].kind not in LOOSE_KINDS]
    loose: list[tuple[int, Cue]] = []
    if state.gaps or state.news is not None:
        loose = [(_fix_ms(cue), cue) for cue in _not_told(state, loose_cues(situation_of(state), ahead.until_ms))]
    if not loose and len(others) == len(ahead.cues):
        return ahead
    # Cues fixed at one instant are told in the order in which they are due, as by cues_until.
    cues = sorted(others + loose, key=lambda one: (one[0], one[1].due_ms, CUE_TABLE[one[1].kind].priority, one[1].id))
    return _ahead_with(ahead, tuple(cues), ahead.line_ms)


_first = itemgetter(0)


def _ahead_with(ahead: Ahead, cues: tuple[tuple[int, Cue], ...], line_ms: int | None) -> Ahead:
    # Written out: see rotation's moves.
    return Ahead(
        cues=cues,
        until_ms=ahead.until_ms,
        finish_ms=ahead.finish_ms,
        last_call_ms=ahead.last_call_ms,
        line_ms=line_ms,
    )


def _looked(state: RaceState) -> RaceState:
    """The state with what is ahead."""
    if state.ahead is not None or state.phase in SILENT:
        return state
    situation = situation_of(state)
    finish_ms, last_call_ms = situation.finish_ms, situation.last_call_ms
    until_ms = state.now_ms + (_LOOK_AFTER_FACT_MS if state.now_ms == state.settled_ms else _LOOK_AHEAD_MS)
    cues = [(_fix_ms(cue), cue) for cue in _not_told(state, cues_until(situation, until_ms))]
    ahead = Ahead(
        cues=tuple(sorted(cues, key=_first)),
        until_ms=until_ms,
        finish_ms=finish_ms,
        last_call_ms=last_call_ms,
        line_ms=_line_ms(state, last_call_ms),
    )
    return changed(state, ahead=ahead)


def _line_ms(state: RaceState, last_call_ms: int) -> int | None:
    """When the line next changes by itself, if it does before the last call."""
    line_ms = 0 if state.phase is Phase.COUNTDOWN else next_change_ms(state.line, policy_of(state).latch_ms())
    return None if line_ms is None or line_ms > last_call_ms else line_ms


def _wake_ms(state: RaceState) -> int | None:
    """The next instant at which a cue ahead becomes fixed, the line changes, or it is time to look again."""
    ahead = state.ahead
    if ahead is None:
        return None
    wake_ms = min(_look_again_ms(ahead), ahead.finish_ms + _OVERDUE_MS)
    if ahead.cues and ahead.cues[0][0] < wake_ms:
        wake_ms = ahead.cues[0][0]
    if ahead.line_ms is not None and ahead.line_ms < wake_ms:
        wake_ms = ahead.line_ms
    return max(state.now_ms, wake_ms)


def _look_again_ms(ahead: Ahead) -> int:
    """Until then no cue becomes fixed that isn't known."""
    return ahead.until_ms - _LONGEST_COMMIT_MS


def _step(state: RaceState, at_ms: int) -> tuple[RaceState, tuple[Cue, ...]]:
    """The state at its next wake: cues become fixed first, then the line changes."""
    ahead = state.ahead
    assert ahead is not None, "a state that wakes has looked ahead"
    fixed = tuple(cue for fix_ms, cue in ahead.cues if fix_ms <= at_ms)
    still = state.fixed if at_ms == state.now_ms else _not_too_late(state.fixed, at_ms)
    if fixed:
        ahead = _ahead_with(ahead, ahead.cues[len(fixed) :], ahead.line_ms)
        state = with_told(changed(state, now_ms=at_ms, fixed=still, ahead=ahead), fixed)
    else:
        state = changed(state, now_ms=at_ms, fixed=still)
    if state.phase is Phase.COUNTDOWN:
        if at_ms >= 0:
            begun = begin(state.line, 0, policy_of(state))
            state = _with_line(changed(state, phase=Phase.RACING), begun, ahead)
    elif at_ms >= ahead.finish_ms + _OVERDUE_MS:
        return changed(state, phase=Phase.OVER, ahead=None), fixed
    elif ahead.line_ms is not None and ahead.line_ms <= at_ms:
        line = advance_line(state.line, at_ms, policy_of(state))
        if in_the_wheels(line) != in_the_wheels(state.line):
            state = with_reserves(state, at_ms)
        state = _with_line(state, line, ahead)
    if at_ms >= _look_again_ms(ahead):
        state = _looked(changed(state, ahead=None))
    return state, fixed


def _with_line(state: RaceState, line: Line, ahead: Ahead) -> RaceState:
    """The state once its line has changed by itself, as was foretold."""
    state = changed(state, line=line)
    gaps = still_open(state)
    if gaps is not state.gaps:
        state = changed(state, gaps=gaps)
        ahead = ahead_with_loose(ahead, state) or ahead
    return changed(state, ahead=_ahead_with(ahead, ahead.cues, _line_ms(state, ahead.last_call_ms)))


def _fix_ms(cue: Cue) -> int:
    return cue.due_ms - CUE_TABLE[cue.kind].commit_ms


def _not_told(state: RaceState, cues: tuple[Cue, ...]) -> tuple[Cue, ...]:
    told = state.told
    return tuple([cue for cue in cues if cue.id not in told])


def _not_too_late(cues: tuple[Cue, ...], now_ms: int) -> tuple[Cue, ...]:
    if not cues:
        return cues
    return tuple(
        [cue for cue in cues if cue.due_ms >= now_ms or cue.due_ms + CUE_TABLE[cue.kind].too_late_ms >= now_ms]
    )

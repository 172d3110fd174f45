"""Turns made longer, shorter or cut: by a director, by who leads, by a good or a hard day.

Must not decide how long a turn is to be in the first place (calling).
"""

from caller.calling import FORM_STEPS, stay_on
from caller.cues import CUE_TABLE, Cue, CueKind
from caller.errors import RequestRefused
from caller.facts import Entry
from caller.race.state import RaceState, changed, policy_of, why_turn_stands
from caller.race.undoing import hold
from caller.rotation import with_turn_end
from caller.units import RiderId

__all__ = ["felt", "turn_cut", "turn_moved"]


def felt(state: RaceState, entry: Entry, rider: RiderId, steps: int) -> tuple[RaceState, tuple[Cue, ...]]:
    """A good or a hard day: from now on this rider's turns are longer or shorter, the present one too."""
    form = dict(state.form)
    now = FORM_STEPS.index(form.get(rider, 1.0))
    then = min(max(now + steps, 0), len(FORM_STEPS) - 1)
    form[rider] = FORM_STEPS[then]
    turn = state.line.turn
    moves = turn is not None and turn.rider == rider and now != then and not why_turn_stands(state)
    after = changed(
        hold(state, entry, "form", *(("line",) if moves else ())),
        form=tuple(sorted((who, step) for who, step in form.items() if step != 1.0)),
    )
    if turn is None or not moves:
        return after, ()
    length_ms = turn.ends_ms - turn.began_ms
    if FORM_STEPS[now] == 0:
        wished_ms = policy_of(after).turn(rider, turn.began_ms, turn.rest_ms, after.line.order).granted_ms
    else:
        wished_ms = round(length_ms * FORM_STEPS[then] / FORM_STEPS[now])
    # By whole fives of seconds: more is told aloud, and nobody counts seventeen.
    more_ms = 5_000 * round((wished_ms - length_ms) / 5_000)
    return _turn_ends(after, entry, turn.ends_ms + more_ms, "a good day" if steps > 0 else "a hard day")


def turn_moved(state: RaceState, entry: Entry, by_ms: int, asking: RiderId | None) -> tuple[RaceState, tuple[Cue, ...]]:
    asked = "lengthen the turn" if by_ms > 0 else "shorten the turn"
    if not 1_000 <= abs(by_ms) <= 120_000:
        raise RequestRefused(asked, f"by {abs(by_ms)} ms; give 1 to 120 s")
    why = why_turn_stands(state)
    if why:
        raise RequestRefused(asked, why)
    assert state.line.turn is not None
    if asking is not None and state.line.turn.rider != asking:
        raise RequestRefused(asked, f"{state.setup.roster[asking].name} isn't on the front")
    because = "the director lengthened it" if by_ms > 0 else "the director shortened it"
    if asking is not None:
        because = f"{state.setup.roster[asking].name} asked to stay on"
    return _turn_ends(hold(state, entry, "line"), entry, state.line.turn.ends_ms + by_ms, because)


def turn_cut(state: RaceState, entry: Entry) -> RaceState:
    why = why_turn_stands(state)
    if why:
        raise RequestRefused("off now", why)
    assert state.line.turn is not None
    if state.line.turn.cut:
        return state  # said again in a hurry: it must not be put off
    at_ms = entry.at_ms + 2 * CUE_TABLE[CueKind.OFF_NOW].commit_ms
    return changed(hold(state, entry, "line"), line=with_turn_end(state.line, at_ms, "the director cut it", cut=True))


def _turn_ends(state: RaceState, entry: Entry, ends_ms: int, because: str) -> tuple[RaceState, tuple[Cue, ...]]:
    """The present turn ends then, or as soon as its switch can still be called; longer is told to its leader.

    One that is about to end, by a cut or because the next wheel is late, gets no longer by being made shorter.
    """
    turn = state.line.turn
    assert turn is not None
    soonest_ms = entry.at_ms + CUE_TABLE[CueKind.SWITCH].commit_ms
    if ends_ms <= turn.ends_ms <= soonest_ms:
        return state, ()
    ends_ms = max(ends_ms, soonest_ms)
    cues: tuple[Cue, ...] = ()
    if ends_ms > turn.ends_ms:
        cues = (stay_on(turn.rider, ends_ms - turn.ends_ms, entry.at_ms, entry.seq, because),)
    return changed(state, line=with_turn_end(state.line, ends_ms, because)), cues

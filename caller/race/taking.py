"""What facts make of a race: each is taken as seen, or refused with nothing changed.

Must not decide where a rider is (rotation), nor what is called and when (calling).
"""

from collections.abc import Iterable
from dataclasses import replace
from typing import assert_never

from caller.calling import (
    LEAST_TURN_MS,
    answers,
    time_check,
)
from caller.cues import Cue, CueKind
from caller.errors import LogRefused, PlanRefused, RequestRefused
from caller.estimate import PACE_LIMITS, arrival_ms, at_start, passed
from caller.facts import (
    MOST_SAID,
    Aloud,
    CallAloud,
    CameThrough,
    CutTurn,
    Entry,
    Fact,
    FeltEmpty,
    FeltGood,
    GapClosed,
    GapOpened,
    GoWithout,
    LandmarkPassed,
    LatchedOn,
    LengthenTurn,
    LineBunched,
    LineSurged,
    LostWheel,
    OrderSeen,
    PlanOffered,
    RaceFinished,
    RaceOpened,
    RejoinedAt,
    Resume,
    Retired,
    SayAloud,
    ShortenTurn,
    StartCalledOff,
    StartSet,
    SwungOff,
    Undo,
    WaitFor,
)
from caller.race.ending import with_effort
from caller.race.passing import advance, ahead_with_loose
from caller.race.seeing import gap_seen, nags, seen, with_news, with_open_gaps
from caller.race.showing import finish_ms, position_now
from caller.race.state import (
    Ahead,
    Decision,
    Phase,
    RaceState,
    changed,
    opened,
    stopped_at_the_start,
    with_reserves,
    with_told,
)
from caller.race.turning import felt, turn_cut, turn_moved
from caller.race.undoing import hold, undone, with_fair_warning
from caller.rotation import (
    Place,
    ride_off,
)
from caller.speech.told import says
from caller.units import RiderId, clock_text

__all__ = ["replay", "start", "take"]

_SEEN_BACK_MS = 5_000
"""How much older than its stamp a tapper's own reading may be and still be believed."""

_ONCE = (LengthenTurn, ShortenTurn, FeltGood, FeltEmpty, CallAloud, SayAloud, Undo)
"""What counts again each time it is said, and so only once when two say it as one."""

_EFFORT_EVERY_MS = 15_000
"""Reserves change slowly, and it is worked out at some cost."""

_AS_ONE_MS = 1_500
_MOST_DOUBLES = 8


def start(entry: Entry) -> RaceState:
    """A race in the lobby.

    Raises:
        LogRefused: the entry isn't RaceOpened.
        PlanRefused: its plan's order isn't the riders of its roster.
    """
    if not isinstance(entry.fact, RaceOpened):
        raise LogRefused("log", "first entry", type(entry.fact).__name__, "a log begins with RaceOpened")
    return opened(entry.fact, entry.seq)


def take(state: RaceState, entry: Entry) -> tuple[RaceState, tuple[Cue, ...]]:
    """The state once a fact is known, and the cues that became fixed on the way to it or by it.

    Raises:
        RequestRefused: the fact is a request that can't be met now, or names nobody in this race. The caller's state is
            as good as before.
        PlanRefused: as start, for a race opened anew or a plan for one in the lobby.
    """
    fact = entry.fact
    if isinstance(fact, RaceOpened):
        if state.phase is not Phase.LOBBY:
            raise RequestRefused("open the race anew", "the start is set; call it off first")
        return opened(fact, entry.seq), ()
    if isinstance(fact, StartSet):
        return _start_set(state, fact, entry)
    if isinstance(fact, StartCalledOff):
        if state.phase is not Phase.COUNTDOWN and not stopped_at_the_start(state):
            raise RequestRefused("call off the start", "no countdown is running")
        return opened(state.setup, entry.seq), ()
    if isinstance(fact, PlanOffered) and state.phase is Phase.LOBBY:
        _check_plan(state, fact)
        return opened(replace(state.setup, plan=fact.plan), entry.seq), ()
    _check_words(fact)
    _check_riders(state, fact)
    if state.phase is not Phase.LOBBY and entry.at_ms < state.now_ms:
        raise RequestRefused(
            says(fact, state.setup.roster), f"stamped {entry.at_ms} ms, before the state's own {state.now_ms} ms"
        )
    reached, fixed = advance(state, entry.at_ms)
    if _asked_by_another(reached, entry):
        return changed(reached, seq=entry.seq), fixed
    taken, cues = _apply(reached, entry)
    if taken.phase is Phase.HALTED:
        cues = tuple(cue for cue in cues if cue.kind is CueKind.STOP)
    if taken.line is not reached.line or taken.position is not reached.position:
        # A place, too, may bring a switch near: of a line that was believed to be past the finish.
        taken = with_fair_warning(with_open_gaps(taken))
    taken = changed(taken, seq=entry.seq, settled_ms=entry.at_ms, doubles=_with_double(taken, entry))
    if _effort_may_differ(reached, taken):
        effort = with_effort(taken)
        if effort is not None:
            taken = changed(taken, effort_ms=entry.at_ms, effort=effort if effort != taken.effort else taken.effort)
    if cues:
        taken = with_told(taken, cues)
    taken = changed(taken, ahead=_still_ahead(reached, taken))
    settled, more = advance(taken, entry.at_ms)
    return settled, (*fixed, *cues, *more)


def _asked_by_another(state: RaceState, entry: Entry) -> bool:
    """Whether somebody else asked for the very same a moment ago: two directors who tap as one meant it once."""
    if not isinstance(entry.fact, _ONCE):
        return False
    return any(
        fact == entry.fact and by != entry.by and entry.at_ms - at_ms <= _AS_ONE_MS for at_ms, by, fact in state.doubles
    )


def _with_double(state: RaceState, entry: Entry) -> tuple[tuple[int, str, Fact], ...]:
    if not isinstance(entry.fact, _ONCE):
        return state.doubles
    recent = tuple(one for one in state.doubles if entry.at_ms - one[0] <= _AS_ONE_MS)
    return (*recent[-_MOST_DOUBLES:], (entry.at_ms, entry.by, entry.fact))


def _effort_may_differ(before: RaceState, after: RaceState) -> bool:
    """Whether the last effort is to be looked at again: the line or its place was seen anew, and not just now."""
    if after.line is before.line and after.position is before.position:
        return False
    return (
        after.position is not before.position
        or len(after.line.members) != len(before.line.members)
        or after.now_ms >= after.effort_ms + _EFFORT_EVERY_MS
    )


def _still_ahead(before: RaceState, after: RaceState) -> Ahead | None:
    """What is still known of the near future: all but what LOOSE_RULES make, if nothing else has changed."""
    same = (
        after.line is before.line
        and after.position is before.position
        and after.form is before.form
        and after.setup is before.setup
        and after.effort is before.effort
        and after.phase is before.phase
    )
    return ahead_with_loose(before.ahead, after) if same else None


def replay(entries: Iterable[Entry]) -> RaceState:
    """The state that a log leads to, at its last entry's instant. Live, it was the same.

    Raises: LogRefused: the log is empty, doesn't begin with RaceOpened, or holds what could not have been accepted.
    """
    state: RaceState | None = None
    for entry in entries:
        if state is None:
            state = start(entry)
            continue
        try:
            state, _ = take(state, entry)
        except (RequestRefused, PlanRefused) as refused:
            raise LogRefused("log", f"entry {entry.seq}", str(refused), "a log holds what was accepted") from refused
    if state is None:
        raise LogRefused("log", "", "no entries", "a log begins with RaceOpened")
    return state


# Facts before the gun


def _start_set(state: RaceState, fact: StartSet, entry: Entry) -> tuple[RaceState, tuple[Cue, ...]]:
    if state.phase is not Phase.LOBBY:
        raise RequestRefused("set the start", "it is set already")
    if not 5_000 <= fact.countdown_ms <= 600_000:
        raise RequestRefused("set the start", f"a countdown of {fact.countdown_ms} ms; give 5 s to 10 min")
    if entry.at_ms != -fact.countdown_ms:
        raise RequestRefused("set the start", f"stamped {entry.at_ms} ms for a countdown of {fact.countdown_ms} ms")
    counting = changed(
        state,
        now_ms=entry.at_ms,
        seq=entry.seq,
        phase=Phase.COUNTDOWN,
        settled_ms=entry.at_ms,
        start_seq=entry.seq,
        countdown_ms=fact.countdown_ms,
    )
    return advance(counting, entry.at_ms)


def _check_riders(state: RaceState, fact: Fact) -> None:
    """Refuse what names somebody who isn't in this race."""
    if isinstance(fact, OrderSeen):
        if not fact.order:
            raise RequestRefused("the order seen", "nobody is named in it")
        named = fact.order
    else:
        rider = getattr(fact, "rider", None)
        if rider is None:
            return
        named = (rider,)
    riders = state.setup.roster.ids
    for rider in named:
        if rider not in riders:
            raise RequestRefused(says(fact, state.setup.roster), f"no rider {rider!r} in this race")


def _check_words(fact: Fact) -> None:
    """Refuse what no voice should be given to say."""
    if not isinstance(fact, SayAloud):
        return
    allowed = f"give 1 to {MOST_SAID} characters on one line"
    if len(fact.text) > MOST_SAID:
        raise RequestRefused("say it", f"{len(fact.text)} characters; {allowed}")
    if not fact.text.isprintable():
        raise RequestRefused("say it", f"{fact.text[:40]!r} holds what can't be printed; {allowed}")
    if not any(character.isalnum() for character in fact.text):
        raise RequestRefused("say it", f"{fact.text[:40]!r} has no word in it; {allowed}")


def _check_plan(state: RaceState, offered: PlanOffered) -> None:
    if set(offered.plan.order) - set(state.setup.roster.ids):
        raise RequestRefused("a new plan", "it names riders who aren't in this race")
    if abs(offered.plan.length_m - state.setup.course.length_m) > 1:
        raise RequestRefused("a new plan", f"it is for {offered.plan.length_m:.0f} m, not for this course")


# Facts of the race


def _apply(state: RaceState, entry: Entry) -> tuple[RaceState, tuple[Cue, ...]]:
    """What a fact changes, and the cues it calls for at once."""
    fact, at_ms = entry.fact, entry.at_ms
    if state.phase is Phase.LOBBY:
        raise RequestRefused(says(fact, state.setup.roster), "the race is still in the lobby; set the start first")
    if state.phase is Phase.OVER:
        raise RequestRefused(says(fact, state.setup.roster), "the race is over")
    if stopped_at_the_start(state) and fact != CallAloud(aloud=Aloud.STOP):
        raise RequestRefused(says(fact, state.setup.roster), "the start was stopped; call it off and set it again")
    stop = isinstance(fact, CallAloud) and fact.aloud is Aloud.STOP
    if state.phase is Phase.HALTED and isinstance(fact, CallAloud | SayAloud) and not stop:
        raise RequestRefused(says(fact, state.setup.roster), "the line was told to stop; resume first")
    called = answers(fact, state.line, at_ms, entry.seq)
    match fact:
        case SwungOff() | LatchedOn() | RejoinedAt() | CameThrough() | OrderSeen() | LostWheel() | Retired():
            return seen(state, fact, entry)
        case LandmarkPassed():
            return _landmark(state, fact, entry)
        case GapOpened(rider=rider):
            return gap_seen(state, entry, rider), called
        case GapClosed(rider=rider):
            gaps = tuple(gap for gap in state.gaps if gap.rider != rider)
            return (changed(hold(state, entry, "gaps"), gaps=gaps) if len(gaps) < len(state.gaps) else state), called
        case FeltGood(rider=rider):
            return felt(state, entry, rider, 1)
        case FeltEmpty(rider=rider):
            return felt(state, entry, rider, -1)
        case LengthenTurn(by_ms=by_ms, rider=asking):
            return turn_moved(state, entry, by_ms, asking)
        case ShortenTurn(by_ms=by_ms):
            return turn_moved(state, entry, -by_ms, None)
        case CutTurn():
            return turn_cut(state, entry), called
        case WaitFor(rider=rider):
            return _decided(state, entry, rider, Decision.WAIT), called
        case GoWithout(rider=rider):
            return _decided(state, entry, rider, Decision.GO), called
        case PlanOffered():
            _check_plan(state, fact)
            return changed(state, setup=replace(state.setup, plan=fact.plan)), called
        case RaceFinished(rider=counted):
            if state.phase is Phase.COUNTDOWN:
                raise RequestRefused("finish", "the gun hasn't gone")
            return changed(state, phase=Phase.OVER, finished_ms=at_ms, counted_rider=counted), called
        case Undo():
            return with_news(state, undone(state, entry), entry), called
        case CallAloud(aloud=Aloud.STOP, rider=None):
            return _halted(state, at_ms), called
        case Resume():
            return _resumed(state, at_ms), called
        case LineBunched() | LineSurged():
            return state, tuple(cue for cue in called if not nags(state, cue))
        case CallAloud() | SayAloud():
            return state, called
        case RaceOpened() | StartSet() | StartCalledOff():
            raise AssertionError("handled before")
        case _:
            assert_never(fact)


def _halted(state: RaceState, at_ms: int) -> RaceState:
    """The whole line was told to stop: until it is resumed nothing else is called, not even what was fixed."""
    if state.phase is Phase.HALTED:
        return state
    fixed = tuple(cue for cue in state.fixed if cue.due_ms <= at_ms)
    return changed(with_reserves(state, at_ms), phase=Phase.HALTED, halted_ms=at_ms, fixed=fixed)


def _resumed(state: RaceState, at_ms: int) -> RaceState:
    """The line rides off from where it stood, with what was left of the turn, and it can't be undone."""
    if state.phase is not Phase.HALTED:
        raise RequestRefused("resume", "the line wasn't told to stop")
    assert state.halted_ms is not None
    turn = state.line.turn
    left_ms = 0 if turn is None else turn.ends_ms - max(state.halted_ms, turn.began_ms)
    where_m, error_m_ = position_now(state)
    return changed(
        state,
        phase=Phase.RACING,
        halted_ms=None,
        line=ride_off(state.line, at_ms, max(LEAST_TURN_MS, left_ms)),
        position=replace(state.position, anchor_ms=at_ms, anchor_m=where_m, error_m=error_m_),
        reserves_ms=at_ms,
        held=(),
        news=None,
    )


def _landmark(state: RaceState, fact: LandmarkPassed, entry: Entry) -> tuple[RaceState, tuple[Cue, ...]]:
    if fact.at_m > state.setup.course.length_m:
        raise RequestRefused(
            "a landmark passed", f"{fact.at_m:.0f} m is beyond the finish at {state.setup.course.length_m:.0f} m"
        )
    if state.phase is Phase.COUNTDOWN:
        raise RequestRefused("a landmark passed", "the gun hasn't gone")
    seen_ms = entry.at_ms if entry.seen_ms is None else entry.seen_ms
    seen_ms = min(max(seen_ms, entry.at_ms - _SEEN_BACK_MS, 0), entry.at_ms)
    position = passed(state.setup.plan, state.position, fact.at_m, seen_ms)
    after = changed(hold(with_reserves(state, entry.at_ms), entry, "position"), position=position)
    behind_ms = seen_ms - arrival_ms(state.setup.plan, at_start(), fact.at_m)
    planned_ms = seen_ms - behind_ms
    if not (planned_ms > 0 and PACE_LIMITS[0] <= planned_ms / max(1, seen_ms) <= PACE_LIMITS[1]):
        return after, ()  # no line rides like that: more likely another landmark was meant
    planned_finish_ms = arrival_ms(state.setup.plan, at_start(), state.setup.plan.length_m)
    because = f"finish believed at {clock_text(finish_ms(after))}, planned at {clock_text(planned_finish_ms)}"
    cue = time_check(round(behind_ms / 1000), entry.at_ms, entry.seq, because)
    return after, () if nags(state, cue) else (cue,)


def _decided(state: RaceState, entry: Entry, rider: RiderId, decision: Decision) -> RaceState:
    if state.line.member(rider).place is not Place.ADRIFT:
        name = state.setup.roster[rider].name
        raise RequestRefused(f"{decision.value} ({name})", f"{name} is not adrift; say so first")
    others = tuple(other for other in state.decisions if other[0] != rider)
    return changed(hold(state, entry, "decisions"), decisions=(*others, (rider, decision)))

"""What facts make of a race: each is taken as seen, or refused with nothing changed.

Must not decide where a rider is (rotation), nor what is called and when (calling).
"""

from collections.abc import Iterable
from dataclasses import replace
from typing import assert_never

from caller.calling import (
    FORM_STEPS,
    LEAST_TURN_MS,
    News,
    adrift,
    answers,
    gap_opened,
    out,
    plan_power_w,
    ride_on,
    stay_on,
    time_check,
    told_ms,
)
from caller.cues import CUE_TABLE, Cue, CueKind
from caller.errors import LogRefused, PlanRefused, RequestRefused
from caller.estimate import PACE_LIMITS, arrival_ms, at_start, passed, place_m
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
from caller.race.showing import finish_ms, position_now, spare_riders
from caller.race.state import (
    Ahead,
    Decision,
    Phase,
    RaceState,
    changed,
    opened,
    policy_of,
    still_open,
    stopped_at_the_start,
    why_turn_stands,
    with_reserves,
    with_told,
)
from caller.race.undoing import hold, undone, with_fair_warning
from caller.rotation import (
    Place,
    hogs,
    observe,
    project,
    ride_off,
    same_round,
    stays_on_front,
    with_most,
    with_turn_end,
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

_NEXT_TURNS_MS = 600_000
"""How far ahead everybody's next turn is looked for: ten riders at a minute each."""


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
        taken = with_fair_warning(_with_open_gaps(taken))
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


def _with_open_gaps(state: RaceState) -> RaceState:
    gaps = still_open(state)
    return state if gaps is state.gaps else changed(state, gaps=gaps)


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
            return _seen(state, fact, entry)
        case LandmarkPassed():
            return _landmark(state, fact, entry)
        case GapOpened(rider=rider):
            return _gap_opened(state, entry, rider), called
        case GapClosed(rider=rider):
            gaps = tuple(gap for gap in state.gaps if gap.rider != rider)
            return (changed(hold(state, entry, "gaps"), gaps=gaps) if len(gaps) < len(state.gaps) else state), called
        case FeltGood(rider=rider):
            return _felt(state, entry, rider, 1)
        case FeltEmpty(rider=rider):
            return _felt(state, entry, rider, -1)
        case LengthenTurn(by_ms=by_ms, rider=asking):
            return _turn_moved(state, entry, by_ms, asking)
        case ShortenTurn(by_ms=by_ms):
            return _turn_moved(state, entry, -by_ms, None)
        case CutTurn():
            return _turn_cut(state, entry), called
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
            return _with_news(state, undone(state, entry), entry), called
        case CallAloud(aloud=Aloud.STOP, rider=None):
            return _halted(state, at_ms), called
        case Resume():
            return _resumed(state, at_ms), called
        case LineBunched() | LineSurged():
            return state, tuple(cue for cue in called if not _nags(state, cue))
        case CallAloud() | SayAloud():
            return state, called
        case RaceOpened() | StartSet() | StartCalledOff():
            raise AssertionError("handled before")
        case _:
            assert_never(fact)


def _nags(state: RaceState, cue: Cue) -> bool:
    """Whether the same was told to the same rider or line just before; what is seen goes on without being said."""
    last_ms = told_ms(state.lately, cue.kind, cue.rider)
    return last_ms is not None and cue.due_ms < last_ms + CUE_TABLE[cue.kind].again_ms


def _gap_opened(state: RaceState, entry: Entry, rider: RiderId) -> RaceState:
    """A gap that stands already is the same gap, until its rider may be told again."""
    close = CUE_TABLE[CueKind.CLOSE_GAP]
    known = next((gap for gap in state.gaps if gap.rider == rider), None)
    if known is not None and entry.at_ms < known.tell_ms + (close.repeats + 1) * close.again_ms:
        return state
    if state.line.turn is not None and state.line.member(rider).place is not Place.FOLLOWING:
        return state  # before whoever leads, or rides beside the line or behind it, there is no wheel to close up to
    gap = gap_opened(rider, entry.at_ms, entry.seq, state.lately)
    return changed(hold(state, entry, "gaps"), gaps=(*(one for one in state.gaps if one is not known), gap))


def _with_news(before: RaceState, after: RaceState, entry: Entry) -> RaceState:
    """The state with its order to be named, if it is another rotation than the line was last told of.

    One rider less is told by itself and makes no other order of those who are left.
    """
    order = after.line.order
    told = before.line.order if before.news is None else before.news.told
    news = None
    if len(order) > 1 and not same_round(tuple(rider for rider in told if rider in order), order):
        undone_ = isinstance(entry.fact, Undo)
        because = "the last tap was taken back" if undone_ else says(entry.fact, after.setup.roster)
        news = News(told=told, order=order, since_ms=entry.at_ms, seq=entry.seq, because=because)
    return changed(after, news=news)


def _seen(
    state: RaceState,
    fact: SwungOff | LatchedOn | RejoinedAt | CameThrough | OrderSeen | LostWheel | Retired,
    entry: Entry,
) -> tuple[RaceState, tuple[Cue, ...]]:
    """An observation of the line is true. If it makes another rotation, that is named once."""
    before = state.line
    policy = policy_of(state)
    hogged = isinstance(fact, CameThrough) and hogs(before, fact.rider)
    if hogged:
        assert isinstance(fact, CameThrough)
        line = stays_on_front(before, fact.rider, entry.at_ms, LEAST_TURN_MS, policy)
    else:
        line = observe(before, fact, entry.at_ms, policy)
    if line == before:
        return state, ()
    gone = {member.rider for member in line.apart}
    old = state
    state = changed(
        hold(with_reserves(state, entry.at_ms), entry, "line", "gaps", "decisions"),
        line=line,
        gaps=tuple(gap for gap in state.gaps if gap.rider not in gone),
        decisions=tuple(decision for decision in state.decisions if decision[0] in gone),
    )
    state = changed(state, held=(*state.held[:-1], replace(state.held[-1], turns_begun=line.turns_begun)))
    # Who drifts is expected on the last wheel of those who lead; there it is no news, though riders who only follow
    # are passed over on the way.
    expected = (
        isinstance(fact, LatchedOn | RejoinedAt)
        and before.member(fact.rider).place in (Place.DRIFTING, Place.LATCHING)
        and line.order == observe(before, LatchedOn(rider=fact.rider), entry.at_ms, policy).order
    )
    if not expected:
        state = _with_reserves_heeded(_with_news(old, state, entry))
    return state, (*_lost(old, state, entry), *_together(old, state, entry))


def _together(before: RaceState, after: RaceState, entry: Entry) -> tuple[Cue, ...]:
    """Once the last rider who was waited for is back, the line is told to ride on."""
    back = [rider for rider, decision in before.decisions if decision is Decision.WAIT and rider in after.line.order]
    if not back or any(decision is Decision.WAIT for _, decision in after.decisions):
        return ()
    name = after.setup.roster[back[0]].name
    return tuple(cue for cue in (ride_on(entry.at_ms, entry.seq, f"{name} is back"),) if not _nags(before, cue))


def _lost(before: RaceState, after: RaceState, entry: Entry) -> tuple[Cue, ...]:
    """Who is off the back, and who is out, is told to the line, which rides with its eyes to the front."""
    was = {member.rider: member.place for member in before.line.apart}
    lost = tuple(
        member.rider for member in after.line.apart if member.rider not in was and member.place is Place.ADRIFT
    )
    gone = [
        member.rider
        for member in after.line.apart
        if member.place is Place.OUT and was.get(member.rider) is not Place.OUT
    ]
    cues = [out(rider, spare_riders(after), entry.at_ms, entry.seq) for rider in gone]
    if lost:
        cues.append(adrift(lost, entry.at_ms, entry.seq))
    return tuple(cue for cue in cues if cue.kind is CueKind.OUT or not _nags(before, cue))


def _with_reserves_heeded(state: RaceState) -> RaceState:
    """The state with next turns no longer than reserves allow, now that the rotation isn't as planned.

    Each rider is taken to follow, in the slot the rider has now, until the rider's next turn begins.
    """
    plan, rules, line = state.setup.plan, state.setup.rules, state.line
    if state.phase is not Phase.RACING or line.turn is None:
        return state
    begins: dict[RiderId, int] = {}
    last_ms = state.now_ms + _NEXT_TURNS_MS
    for change in project(with_most(line, dict.fromkeys(line.order)), policy_of(state), last_ms):
        begins.setdefault(change.begun.rider, change.at_ms)
        if len(begins) >= len(line.members):
            break
    most: dict[RiderId, int | None] = dict.fromkeys(line.order)
    together = with_reserves(state, state.now_ms)
    together = changed(together, line=ride_off(line, state.now_ms, 0))
    for rider, begins_ms in begins.items():
        figures = state.setup.roster[rider]
        power_w = plan_power_w(plan, rider, place_m(plan, state.position, begins_ms))
        if power_w <= figures.critical_power_w:
            continue
        left_j = next(one.left_j for one in with_reserves(together, begins_ms).reserves if one.rider == rider)
        spare_j = left_j - rules.reserve_margin * figures.w_prime_j
        most[rider] = max(0, 1000 * int(spare_j / (power_w - figures.critical_power_w)))
    return changed(state, line=with_most(line, most))


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
    return after, () if _nags(state, cue) else (cue,)


def _felt(state: RaceState, entry: Entry, rider: RiderId, steps: int) -> tuple[RaceState, tuple[Cue, ...]]:
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


def _turn_moved(
    state: RaceState, entry: Entry, by_ms: int, asking: RiderId | None
) -> tuple[RaceState, tuple[Cue, ...]]:
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


def _turn_cut(state: RaceState, entry: Entry) -> RaceState:
    why = why_turn_stands(state)
    if why:
        raise RequestRefused("off now", why)
    assert state.line.turn is not None
    if state.line.turn.cut:
        return state  # said again in a hurry: it must not be put off
    at_ms = entry.at_ms + 2 * CUE_TABLE[CueKind.OFF_NOW].commit_ms
    return changed(hold(state, entry, "line"), line=with_turn_end(state.line, at_ms, "the director cut it", cut=True))


def _decided(state: RaceState, entry: Entry, rider: RiderId, decision: Decision) -> RaceState:
    if state.line.member(rider).place is not Place.ADRIFT:
        name = state.setup.roster[rider].name
        raise RequestRefused(f"{decision.value} ({name})", f"{name} is not adrift; say so first")
    others = tuple(other for other in state.decisions if other[0] != rider)
    return changed(hold(state, entry, "decisions"), decisions=(*others, (rider, decision)))

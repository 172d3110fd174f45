"""The only composer: the state of a race, and what facts and the passage of time make of it.

``take`` and ``advance`` return a new state and the cues that became fixed. ``next_wake`` names the next instant at
which something happens with no new fact. ``calls`` is the whole known future. Nothing here reads a clock: the driver
waits until the next wake or a fact, whichever comes first, and hands over the instant.

Must not decide where a rider is (rotation), how long a turn is or when a cue is due (calling), or in which words
(speech).
"""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from enum import Enum
from operator import itemgetter
from typing import assert_never

from caller.calling import (
    FORM_STEPS,
    LEAST_TURN_MS,
    Gap,
    PlanPolicy,
    Situation,
    answers,
    cues_until,
    new_order,
    plan_power_w,
    stay_on,
)
from caller.cues import CUE_TABLE, Cue, CueKind
from caller.errors import LogRefused, PlanRefused, RequestRefused
from caller.estimate import (
    Position,
    Reserve,
    arrival_ms,
    at_start,
    error_m,
    fresh,
    passed,
    place_m,
    speed_mps,
    spent,
)
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
from caller.rotation import (
    Change,
    Line,
    Place,
    Turn,
    advance_line,
    begin,
    form_line,
    next_change_ms,
    observe,
    project,
    ride_off,
    same_round,
    switch_ms,
    with_turn_end,
)
from caller.speech.told import says
from caller.units import LOBBY_MS, RiderId, s_from_ms

__all__ = [
    "Decision",
    "Phase",
    "RaceState",
    "Upcoming",
    "advance",
    "calls",
    "finish_ms",
    "may",
    "next_wake",
    "position_now",
    "replay",
    "reserves_now",
    "spare_riders",
    "start",
    "take",
    "track",
    "undo_says",
    "upcoming",
]

_LOOK_AHEAD_MS = 45_000
"""How far the rules look to find what becomes fixed next; then the driver is asked to look again."""

_LOOK_AFTER_FACT_MS = 12_000
"""Not so far just after a fact: the next one may make all of it anew."""

_LONGEST_COMMIT_MS = max(row.commit_ms for row in CUE_TABLE.values())

_OVERDUE_MS = 300_000
"""A race that nobody ends is over so long after the front is believed to have finished."""

_SEEN_BACK_MS = 5_000
"""How much older than its stamp a tapper's own reading may be and still be believed."""

_UNDO_DEPTH = 8


class Phase(Enum):
    """How far a race has come."""

    LOBBY = "lobby"
    COUNTDOWN = "countdown"
    RACING = "racing"
    HALTED = "halted"
    OVER = "over"


_SILENT = (Phase.LOBBY, Phase.HALTED, Phase.OVER)
"""Nothing follows from the passage of time in these: nothing is called, and nobody is believed to move in the line."""


class Decision(Enum):
    """What the director decided on a rider who is adrift."""

    WAIT = "wait"
    GO = "go"


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """How things stood before a fact, for undo.

    Attributes:
        seq: of the fact.
        says: what it was, for people.
        turns_begun: how many turns had begun just after it; once another has, it can't be undone.
    """

    seq: int
    says: str
    turns_begun: int
    line: Line
    position: Position
    form: tuple[tuple[RiderId, float], ...]
    gaps: tuple[Gap, ...]
    decisions: tuple[tuple[RiderId, Decision], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ahead:
    """What is known of the near future. It stays true until a fact changes something: time alone does as foretold.

    Attributes:
        cues: those that aren't fixed, as (instant at which it becomes fixed, cue), soonest first.
        until_ms: all cues due by then are in here.
        finish_ms: when the front is believed to reach the finish.
        last_call_ms: after this nothing is called.
    """

    cues: tuple[tuple[int, Cue], ...]
    until_ms: int
    finish_ms: int
    last_call_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RaceState:
    """All that is known of a race at one instant. A value: forks are free, and a failing test prints it.

    Attributes:
        now_ms: the instant, on the race clock.
        seq: the newest entry taken.
        phase: how far it has come.
        setup: what was opened: name, course, riders, rules, and the plan in force.
        line: who is where.
        position: where the front was last seen.
        form: riders on another day than planned.
        gaps: those that stand open.
        decisions: on riders adrift.
        settled_ms: when the last fact came in.
        halted_ms: when the whole line was told to stop; None while it rides.
        start_seq, countdown_ms: of the countdown; None and 0 in the lobby.
        fixed: cues that are fixed and not yet too late to tell.
        told: ids of all cues ever fixed.
        reserves: what riders had left when the line last changed, at ``reserves_ms``; see reserves_now.
        held: for undo, oldest first.
        ahead: follows from all the rest and is kept to be worked out once; None where that is still to be done.
    """

    now_ms: int
    seq: int
    phase: Phase
    setup: RaceOpened
    line: Line
    position: Position
    form: tuple[tuple[RiderId, float], ...] = ()
    gaps: tuple[Gap, ...] = ()
    decisions: tuple[tuple[RiderId, Decision], ...] = ()
    settled_ms: int = LOBBY_MS
    halted_ms: int | None = None
    start_seq: int | None = None
    countdown_ms: int = 0
    fixed: tuple[Cue, ...] = ()
    told: frozenset[str] = frozenset()
    reserves: tuple[Reserve, ...] = ()
    reserves_ms: int = 0
    held: tuple[Held, ...] = ()
    ahead: Ahead | None = field(default=None, compare=False, repr=False)


# The six functions


def start(entry: Entry) -> RaceState:
    """A race in the lobby.

    Raises:
        LogRefused: the entry isn't RaceOpened.
        PlanRefused: its plan's order isn't the riders of its roster.
    """
    if not isinstance(entry.fact, RaceOpened):
        raise LogRefused("log", "first entry", type(entry.fact).__name__, "a log begins with RaceOpened")
    return _opened(entry.fact, entry.seq)


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
        return _opened(fact, entry.seq), ()
    if isinstance(fact, StartSet):
        return _start_set(state, fact, entry)
    if isinstance(fact, StartCalledOff):
        if state.phase is not Phase.COUNTDOWN and not _stopped_at_the_start(state):
            raise RequestRefused("call off the start", "no countdown is running")
        return _opened(state.setup, entry.seq), ()
    if isinstance(fact, PlanOffered) and state.phase is Phase.LOBBY:
        _check_plan(state, fact)
        return _opened(replace(state.setup, plan=fact.plan), entry.seq), ()
    _check_words(fact)
    _check_riders(state, fact)
    if state.phase is not Phase.LOBBY and entry.at_ms < state.now_ms:
        raise RequestRefused(
            says(fact, state.setup.roster), f"stamped {entry.at_ms} ms, before the state's own {state.now_ms} ms"
        )
    reached, fixed = advance(state, entry.at_ms)
    taken, cues = _apply(reached, entry)
    if taken.phase is Phase.HALTED:
        cues = tuple(cue for cue in cues if cue.kind is CueKind.STOP)
    if taken.line is not reached.line:
        taken = _with_fair_warning(taken)
    # What changes nothing leaves the future as it was.
    ahead = reached.ahead if taken is reached else None
    taken = replace(taken, seq=entry.seq, settled_ms=entry.at_ms, ahead=ahead)
    taken = _fix(taken, cues)
    settled, more = advance(taken, entry.at_ms)
    return settled, (*fixed, *cues, *more)


def advance(state: RaceState, now_ms: int) -> tuple[RaceState, tuple[Cue, ...]]:
    """The state at a later instant if nothing was seen meanwhile, and the cues that became fixed.

    Looking more often changes nothing: advancing to one instant and then another is advancing to the other.
    An instant before the state's own changes nothing.
    """
    fixed: list[Cue] = []
    state = _looked(state)
    while (wake_ms := _wake_ms(state)) is not None and wake_ms <= now_ms:
        state, cues = _step(state, wake_ms)
        fixed.extend(cues)
    if state.phase in (Phase.COUNTDOWN, Phase.RACING, Phase.HALTED) and now_ms > state.now_ms:
        state = replace(state, now_ms=now_ms, fixed=_not_too_late(state.fixed, now_ms))
    return state, tuple(fixed)


def next_wake(state: RaceState) -> int | None:
    """The next instant at which something happens with no new fact; None in the lobby and when all is over."""
    return _wake_ms(_looked(state))


def calls(state: RaceState, until_ms: int | None = None) -> tuple[Cue, ...]:
    """What is fixed and not yet too late, and the known future up to an instant, or all of it.

    In order of (due, priority, id). Whatever a driver was told before and isn't in here is withdrawn.
    """
    if state.phase in _SILENT:
        future: tuple[Cue, ...] = ()
    else:
        situation = _situation(state)
        future = _not_told(state, cues_until(situation, situation.last_call_ms if until_ms is None else until_ms))
    fixed = tuple(cue for cue in state.fixed if until_ms is None or cue.due_ms <= until_ms)
    return tuple(sorted(fixed + future, key=lambda cue: (cue.due_ms, CUE_TABLE[cue.kind].priority, cue.id)))


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


# What drivers show


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
    situation = _situation(state)
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
    at_ms = state.now_ms if state.halted_ms is None else _stood_since_ms(state, state.halted_ms)
    return place_m(plan, state.position, at_ms), error_m(plan, state.position, at_ms)


def reserves_now(state: RaceState) -> tuple[Reserve, ...]:
    """What each rider is believed to have left at the state's instant."""
    return _spent(state, state.now_ms).reserves


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
    return state.held[-1].says if state.held and _can_undo(state) else ""


def may(state: RaceState) -> frozenset[str]:
    """The director's acts that would be accepted now, by their names on the wire."""
    match state.phase:
        case Phase.LOBBY:
            return frozenset({"set_start"})
        case Phase.COUNTDOWN:
            return frozenset({"call_off_start", "order_seen", "retired", "call_aloud", "say_aloud", *_undo_name(state)})
        case Phase.OVER:
            return frozenset()
        case Phase.HALTED:
            if _stopped_at_the_start(state):
                return frozenset({"call_off_start", "call_aloud"})
        case Phase.RACING:
            pass
        case _:
            assert_never(state.phase)
    acts = {
        "swung_off", "latched_on", "rejoined_at", "came_through", "order_seen", "lost_wheel", "retired",
        "gap_opened", "line_bunched", "line_surged", "landmark_passed", "felt_good", "felt_empty", "race_finished",
        "call_aloud",
    }  # fmt: skip
    acts.add("resume" if state.phase is Phase.HALTED else "say_aloud")
    if state.gaps:
        acts.add("gap_closed")
    if not _why_turn_stands(state):
        acts |= {"lengthen_turn", "shorten_turn", "cut_turn"}
    if any(member.place is Place.ADRIFT for member in state.line.apart):
        acts |= {"wait_for", "go_without"}
    return frozenset(acts | set(_undo_name(state)))


# Steps of time


def _looked(state: RaceState) -> RaceState:
    """The state with what is ahead."""
    if state.ahead is not None or state.phase in _SILENT:
        return state
    situation = _situation(state)
    until_ms = state.now_ms + (_LOOK_AFTER_FACT_MS if state.now_ms == state.settled_ms else _LOOK_AHEAD_MS)
    cues = [(_fix_ms(cue), cue) for cue in _not_told(state, cues_until(situation, until_ms))]
    ahead = Ahead(
        cues=tuple(sorted(cues, key=itemgetter(0))),
        until_ms=until_ms,
        finish_ms=situation.finish_ms,
        last_call_ms=situation.last_call_ms,
    )
    return replace(state, ahead=ahead)


def _wake_ms(state: RaceState) -> int | None:
    """The next instant at which a cue ahead becomes fixed, the line changes, or it is time to look again."""
    ahead = state.ahead
    if ahead is None:
        return None
    wake_ms = min(_look_again_ms(ahead), ahead.finish_ms + _OVERDUE_MS)
    if ahead.cues:
        wake_ms = min(wake_ms, ahead.cues[0][0])
    line_ms = 0 if state.phase is Phase.COUNTDOWN else next_change_ms(state.line, _policy(state))
    if line_ms is not None and line_ms <= ahead.last_call_ms:
        wake_ms = min(wake_ms, line_ms)
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
        left = replace(ahead, cues=ahead.cues[len(fixed) :])
        told = state.told.union(cue.id for cue in fixed)
        state = replace(state, now_ms=at_ms, fixed=still + fixed, told=told, ahead=left)
    else:
        state = replace(state, now_ms=at_ms, fixed=still)
    if state.phase is Phase.COUNTDOWN:
        if at_ms >= 0:
            state = replace(state, phase=Phase.RACING, line=begin(state.line, 0, _policy(state)))
    elif at_ms >= ahead.finish_ms + _OVERDUE_MS:
        return replace(state, phase=Phase.OVER, ahead=None), fixed
    else:
        policy = _policy(state)
        change_ms = next_change_ms(state.line, policy)
        if change_ms is not None and change_ms <= min(at_ms, ahead.last_call_ms):
            state = replace(_spent(state, at_ms), line=advance_line(state.line, at_ms, policy))
    if at_ms >= _look_again_ms(ahead):
        state = _looked(replace(state, ahead=None))
    return state, fixed


def _fix(state: RaceState, cues: tuple[Cue, ...]) -> RaceState:
    if not cues:
        return state
    return replace(state, fixed=state.fixed + cues, told=state.told.union(cue.id for cue in cues))


def _fix_ms(cue: Cue) -> int:
    return cue.due_ms - CUE_TABLE[cue.kind].commit_ms


def _not_told(state: RaceState, cues: tuple[Cue, ...]) -> tuple[Cue, ...]:
    return tuple(cue for cue in cues if cue.id not in state.told)


def _not_too_late(cues: tuple[Cue, ...], now_ms: int) -> tuple[Cue, ...]:
    return tuple(cue for cue in cues if cue.due_ms >= now_ms or cue.due_ms + CUE_TABLE[cue.kind].too_late_ms >= now_ms)


def _situation(state: RaceState) -> Situation:
    return Situation(
        plan=state.setup.plan,
        course=state.setup.course,
        rules=state.setup.rules,
        line=state.line,
        position=state.position,
        form=state.form,
        gaps=state.gaps,
        settled_ms=state.settled_ms,
        start_seq=state.start_seq,
        countdown_ms=state.countdown_ms,
        started=state.phase is Phase.RACING,
    )


def _policy(state: RaceState) -> PlanPolicy:
    return PlanPolicy(plan=state.setup.plan, rules=state.setup.rules, position=state.position, form=state.form)


def _spent(state: RaceState, to_ms: int) -> RaceState:
    """The state with what the line, as it is, cost everybody since it last changed.

    Only ever at instants that follow from the facts, so that looking in between changes no figure.
    """
    if state.phase is not Phase.RACING or to_ms <= state.reserves_ms:
        return state
    middle_ms = (state.reserves_ms + to_ms) // 2
    plan = state.setup.plan
    in_the_wheels = (Place.LEADING, Place.FOLLOWING)
    members = state.line.members
    reserves = spent(
        state.reserves,
        roster=state.setup.roster,
        rules=state.setup.rules,
        course=state.setup.course,
        at_m=place_m(plan, state.position, middle_ms),
        speed_mps=speed_mps(plan, state.position, middle_ms),
        duration_s=s_from_ms(to_ms - state.reserves_ms),
        in_the_wheels=tuple(member.rider for member in members if member.place in in_the_wheels),
        in_the_wind=[
            *(member.rider for member in members if member.place not in in_the_wheels),
            *(member.rider for member in state.line.apart if member.place is Place.ADRIFT),
        ],
    )
    return replace(state, reserves=reserves, reserves_ms=to_ms)


# Facts before the gun


def _opened(fact: RaceOpened, seq: int) -> RaceState:
    strangers = set(fact.plan.order) - set(fact.roster.ids)
    absent = [rider.name for rider in fact.roster.riders if rider.id not in fact.plan.order]
    if strangers or absent:
        found = ", ".join(sorted(strangers)) if strangers else f"without {', '.join(absent)}"
        raise PlanRefused("plan", "order", found, "expected every rider of the roster once and nobody else")
    return RaceState(
        now_ms=LOBBY_MS,
        seq=seq,
        phase=Phase.LOBBY,
        setup=fact,
        line=form_line(fact.plan.order),
        position=at_start(),
        reserves=fresh(fact.roster),
    )


def _start_set(state: RaceState, fact: StartSet, entry: Entry) -> tuple[RaceState, tuple[Cue, ...]]:
    if state.phase is not Phase.LOBBY:
        raise RequestRefused("set the start", "it is set already")
    if not 5_000 <= fact.countdown_ms <= 600_000:
        raise RequestRefused("set the start", f"a countdown of {fact.countdown_ms} ms; give 5 s to 10 min")
    if entry.at_ms != -fact.countdown_ms:
        raise RequestRefused("set the start", f"stamped {entry.at_ms} ms for a countdown of {fact.countdown_ms} ms")
    counting = replace(
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
    named = list(getattr(fact, "order", ()))
    if isinstance(getattr(fact, "rider", None), str):
        named.append(fact.rider)  # type: ignore[union-attr]
    if isinstance(fact, OrderSeen) and not fact.order:
        raise RequestRefused("the order seen", "nobody is named in it")
    for rider in named:
        if rider not in state.setup.roster.ids:
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
    if _stopped_at_the_start(state) and fact != CallAloud(aloud=Aloud.STOP):
        raise RequestRefused(says(fact, state.setup.roster), "the start was stopped; call it off and set it again")
    stop = isinstance(fact, CallAloud) and fact.aloud is Aloud.STOP
    if state.phase is Phase.HALTED and isinstance(fact, CallAloud | SayAloud) and not stop:
        raise RequestRefused(says(fact, state.setup.roster), "the line was told to stop; resume first")
    called = answers(fact, state.line, at_ms, entry.seq)
    match fact:
        case SwungOff() | LatchedOn() | RejoinedAt() | CameThrough() | OrderSeen() | LostWheel() | Retired():
            return _seen(state, fact, entry)
        case LandmarkPassed():
            return _landmark(state, fact, entry), called
        case GapOpened(rider=rider):
            gaps = tuple(gap for gap in state.gaps if gap.rider != rider)
            opened = Gap(rider=rider, since_ms=at_ms, seq=entry.seq)
            return replace(_hold(state, entry), gaps=(*gaps, opened)), called
        case GapClosed(rider=rider):
            gaps = tuple(gap for gap in state.gaps if gap.rider != rider)
            return replace(_hold(state, entry), gaps=gaps), called
        case FeltGood(rider=rider):
            return _felt(state, entry, rider, 1)
        case FeltEmpty(rider=rider):
            return _felt(state, entry, rider, -1)
        case LengthenTurn(by_ms=by_ms):
            return _turn_moved(state, entry, by_ms)
        case ShortenTurn(by_ms=by_ms):
            return _turn_moved(state, entry, -by_ms)
        case CutTurn():
            return _turn_cut(state, entry), called
        case WaitFor(rider=rider):
            return _decided(state, entry, rider, Decision.WAIT), called
        case GoWithout(rider=rider):
            return _decided(state, entry, rider, Decision.GO), called
        case PlanOffered():
            _check_plan(state, fact)
            return replace(state, setup=replace(state.setup, plan=fact.plan)), called
        case RaceFinished():
            if state.phase is Phase.COUNTDOWN:
                raise RequestRefused("finish", "the gun hasn't gone")
            return replace(state, phase=Phase.OVER), called
        case Undo():
            return _undone(state, entry), called
        case CallAloud(aloud=Aloud.STOP, rider=None):
            return _halted(state, at_ms), called
        case Resume():
            return _resumed(state, at_ms), called
        case CallAloud() | SayAloud() | LineBunched() | LineSurged():
            return state, called
        case RaceOpened() | StartSet() | StartCalledOff():
            raise AssertionError("handled before")
        case _:
            assert_never(fact)


def _seen(
    state: RaceState,
    fact: SwungOff | LatchedOn | RejoinedAt | CameThrough | OrderSeen | LostWheel | Retired,
    entry: Entry,
) -> tuple[RaceState, tuple[Cue, ...]]:
    """An observation of the line is true. If it makes another rotation, that is named once."""
    before = state.line
    policy = _policy(state)
    line = observe(before, fact, entry.at_ms, policy)
    if line == before:
        return state, ()
    gone = {member.rider for member in line.apart}
    state = replace(
        _hold(_spent(state, entry.at_ms), entry),
        line=line,
        gaps=tuple(gap for gap in state.gaps if gap.rider not in gone),
        decisions=tuple(decision for decision in state.decisions if decision[0] in gone),
    )
    state = replace(state, held=(*state.held[:-1], replace(state.held[-1], turns_begun=line.turns_begun)))
    # Who drifts is expected on the last wheel of those who lead; there it is no news, though riders who only follow
    # are passed over on the way.
    expected = (
        isinstance(fact, LatchedOn | RejoinedAt)
        and before.member(fact.rider).place in (Place.DRIFTING, Place.LATCHING)
        and line.order == observe(before, LatchedOn(rider=fact.rider), entry.at_ms, policy).order
    )
    if expected or same_round(before.order, line.order) or len(line.members) < 2:
        return state, ()
    return state, (new_order(line.order, entry.at_ms, entry.seq, says(fact, state.setup.roster)),)


def _halted(state: RaceState, at_ms: int) -> RaceState:
    """The whole line was told to stop: until it is resumed nothing else is called, not even what was fixed."""
    if state.phase is Phase.HALTED:
        return state
    fixed = tuple(cue for cue in state.fixed if cue.due_ms <= at_ms)
    return replace(_spent(state, at_ms), phase=Phase.HALTED, halted_ms=at_ms, fixed=fixed)


def _resumed(state: RaceState, at_ms: int) -> RaceState:
    """The line rides off from where it stood, with what was left of the turn, and it can't be undone."""
    if state.phase is not Phase.HALTED:
        raise RequestRefused("resume", "the line wasn't told to stop")
    assert state.halted_ms is not None
    turn = state.line.turn
    left_ms = 0 if turn is None else turn.ends_ms - max(state.halted_ms, turn.began_ms)
    where_m, error_m_ = position_now(state)
    return replace(
        state,
        phase=Phase.RACING,
        halted_ms=None,
        line=ride_off(state.line, at_ms, max(LEAST_TURN_MS, left_ms)),
        position=replace(state.position, anchor_ms=at_ms, anchor_m=where_m, error_m=error_m_),
        reserves_ms=at_ms,
        held=(),
    )


def _stood_since_ms(state: RaceState, halted_ms: int) -> int:
    """Where the line was at this instant it still is: when it was told to stop, or seen at a place after that."""
    return max(halted_ms, state.position.anchor_ms)


def _stopped_at_the_start(state: RaceState) -> bool:
    """Whether the line was told to stop before the gun."""
    return state.phase is Phase.HALTED and state.line.turns_begun == 0


def _landmark(state: RaceState, fact: LandmarkPassed, entry: Entry) -> RaceState:
    if fact.at_m > state.setup.course.length_m:
        raise RequestRefused(
            "a landmark passed", f"{fact.at_m:.0f} m is beyond the finish at {state.setup.course.length_m:.0f} m"
        )
    if state.phase is Phase.COUNTDOWN:
        raise RequestRefused("a landmark passed", "the gun hasn't gone")
    seen_ms = entry.at_ms if entry.seen_ms is None else entry.seen_ms
    seen_ms = min(max(seen_ms, entry.at_ms - _SEEN_BACK_MS, 0), entry.at_ms)
    position = passed(state.setup.plan, state.position, fact.at_m, seen_ms)
    return replace(_hold(_spent(state, entry.at_ms), entry), position=position)


def _felt(state: RaceState, entry: Entry, rider: RiderId, steps: int) -> tuple[RaceState, tuple[Cue, ...]]:
    """A good or a hard day: from now on this rider's turns are longer or shorter, the present one too."""
    form = dict(state.form)
    now = FORM_STEPS.index(form.get(rider, 1.0))
    then = min(max(now + steps, 0), len(FORM_STEPS) - 1)
    form[rider] = FORM_STEPS[then]
    state = replace(_hold(state, entry), form=tuple(sorted((who, step) for who, step in form.items() if step != 1.0)))
    turn = state.line.turn
    if turn is None or turn.rider != rider or now == then or _why_turn_stands(state):
        return state, ()
    length_ms = turn.ends_ms - turn.began_ms
    # By whole fives of seconds: more is told aloud, and nobody counts seventeen.
    more_ms = 5_000 * round(length_ms * (FORM_STEPS[then] / FORM_STEPS[now] - 1) / 5_000)
    return _turn_ends(state, entry, turn.ends_ms + more_ms, "a good day" if steps > 0 else "a hard day")


def _turn_moved(state: RaceState, entry: Entry, by_ms: int) -> tuple[RaceState, tuple[Cue, ...]]:
    asked = "lengthen the turn" if by_ms > 0 else "shorten the turn"
    if not 1_000 <= abs(by_ms) <= 120_000:
        raise RequestRefused(asked, f"by {abs(by_ms)} ms; give 1 to 120 s")
    why = _why_turn_stands(state)
    if why:
        raise RequestRefused(asked, why)
    assert state.line.turn is not None
    because = "the director lengthened it" if by_ms > 0 else "the director shortened it"
    return _turn_ends(_hold(state, entry), entry, state.line.turn.ends_ms + by_ms, because)


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
    return replace(state, line=with_turn_end(state.line, ends_ms, because)), cues


def _turn_cut(state: RaceState, entry: Entry) -> RaceState:
    why = _why_turn_stands(state)
    if why:
        raise RequestRefused("off now", why)
    assert state.line.turn is not None
    if state.line.turn.cut:
        return state  # said again in a hurry: it must not be put off
    at_ms = entry.at_ms + 2 * CUE_TABLE[CueKind.OFF_NOW].commit_ms
    return replace(_hold(state, entry), line=with_turn_end(state.line, at_ms, "the director cut it", cut=True))


def _why_turn_stands(state: RaceState) -> str:
    """Why the present turn's end can't be moved; empty if it can."""
    turn = state.line.turn
    if state.phase is Phase.HALTED:
        return "the line was told to stop; resume first"
    if turn is None:
        return "nobody leads yet"
    if len(state.line.members) < 2:
        return "there is nobody to relieve the leader"
    if f"switch:{turn.number}" in state.told:
        return "its switch is being called already"
    return ""


def _decided(state: RaceState, entry: Entry, rider: RiderId, decision: Decision) -> RaceState:
    if state.line.member(rider).place is not Place.ADRIFT:
        name = state.setup.roster[rider].name
        raise RequestRefused(f"{decision.value} ({name})", f"{name} is not adrift; say so first")
    others = tuple(other for other in state.decisions if other[0] != rider)
    return replace(_hold(state, entry), decisions=(*others, (rider, decision)))


# Undo


def _hold(state: RaceState, entry: Entry) -> RaceState:
    """The state, with how it stood kept for undo."""
    held = Held(
        seq=entry.seq,
        says=says(entry.fact, state.setup.roster),
        turns_begun=state.line.turns_begun,
        line=state.line,
        position=state.position,
        form=state.form,
        gaps=state.gaps,
        decisions=state.decisions,
    )
    return replace(state, held=(*state.held[-_UNDO_DEPTH + 1 :], held))


def _can_undo(state: RaceState) -> bool:
    return bool(state.held) and state.held[-1].turns_begun == state.line.turns_begun


def _undo_name(state: RaceState) -> tuple[str, ...]:
    return ("undo",) if _can_undo(state) else ()


def _undone(state: RaceState, entry: Entry) -> RaceState:
    """The line as it was. The clock goes on, no number of a turn is given twice, and what is being called stays."""
    if not state.held:
        raise RequestRefused("undo", "nothing to take back")
    if not _can_undo(state):
        raise RequestRefused("undo", "a switch has come since; say the order as it is now instead")
    held = state.held[-1]
    line = replace(held.line, turns_begun=state.line.turns_begun)
    return replace(
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


def _with_fair_warning(state: RaceState) -> RaceState:
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
    return replace(state, line=replace(state.line, turn=turn, turns_begun=begun), held=held)


def finish_ms(state: RaceState) -> int:
    """When the front is believed to reach the finish."""
    return arrival_ms(state.setup.plan, state.position, state.setup.plan.length_m)

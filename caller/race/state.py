"""The state of a race, and what of it follows at once: how the line rotates, what riders have left.

Must not know what facts do to it, nor what time does.
"""

from dataclasses import dataclass, field
from enum import Enum
from typing import TYPE_CHECKING

from caller.calling import Effort, Gap, Lately, News, PlanPolicy, Situation
from caller.cues import CUE_TABLE, Cue, CueKind
from caller.errors import PlanRefused
from caller.estimate import Position, Reserve, arrival_ms, at_start, fresh, place_m, speed_mps, spent
from caller.facts import Fact, RaceOpened
from caller.rotation import Line, Place, form_line
from caller.units import LOBBY_MS, RiderId, s_from_ms

if TYPE_CHECKING:
    from dataclasses import replace as changed

__all__ = [
    "SILENT",
    "Ahead",
    "Decision",
    "Held",
    "Phase",
    "RaceState",
    "changed",
    "in_the_wheels",
    "opened",
    "policy_of",
    "situation_of",
    "still_open",
    "stopped_at_the_start",
    "why_turn_stands",
    "with_reserves",
    "with_told",
]


class Phase(Enum):
    """How far a race has come."""

    LOBBY = "lobby"
    COUNTDOWN = "countdown"
    RACING = "racing"
    HALTED = "halted"
    OVER = "over"


SILENT = (Phase.LOBBY, Phase.HALTED, Phase.OVER)
"""Nothing follows from the passage of time in these: nothing is called, and nobody is believed to move in the line."""


_GAP_STANDS_MS = 45_000
"""A gap of which nothing more is heard has closed by itself, or else its rider is adrift. Engineering judgement."""


class Decision(Enum):
    """What the director decided on a rider who is adrift."""

    WAIT = "wait"
    GO = "go"


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """How things stood before a fact, for undo.

    Attributes:
        seq: of the fact.
        by: who told it.
        fact: what it was.
        touched: which of the values kept here it changed.
        turns_begun: how many turns had begun just after it; once another has, it can't be undone.
    """

    seq: int
    by: str
    fact: Fact
    turns_begun: int
    line: Line
    position: Position
    form: tuple[tuple[RiderId, float], ...]
    gaps: tuple[Gap, ...]
    decisions: tuple[tuple[RiderId, Decision], ...]
    touched: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Ahead:
    """What is known of the near future. It stays true until a fact changes something: time alone does as foretold.

    Attributes:
        cues: those that aren't fixed, as (instant at which it becomes fixed, cue), soonest first.
        until_ms: all cues due by then are in here.
        finish_ms: when the front is believed to reach the finish.
        last_call_ms: after this nothing is called.
        line_ms: when the line next changes by itself; None if it doesn't before the last call.
    """

    cues: tuple[tuple[int, Cue], ...]
    until_ms: int
    finish_ms: int
    last_call_ms: int
    line_ms: int | None


@dataclass(frozen=True, kw_only=True)  # no slots: see changed
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
        news: another order than the line was last told of, to be named; None once it is.
        effort: the last one, as reserves allowed it at ``effort_ms``; None while the end is far.
        order_changes: how many orders were named beside the first.
        finished_ms, counted_rider: when the counted rider crossed the line, and who that was if it was told.
        lately: when kinds that must not nag were last told.
        doubles: requests of the last moments, as (instant, who asked, what), for what two directors ask at once.
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
    news: News | None = None
    effort: Effort | None = None
    effort_ms: int = LOBBY_MS
    order_changes: int = 0
    finished_ms: int | None = None
    counted_rider: RiderId | None = None
    lately: tuple[Lately, ...] = ()
    doubles: tuple[tuple[int, str, Fact], ...] = ()
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


if not TYPE_CHECKING:

    def changed(state: RaceState, **values: object) -> RaceState:
        """The same state with other values for some of its fields.

        As dataclasses.replace, and checked by types as such, at a tenth of its cost: several are made for each fact.
        """
        made = object.__new__(RaceState)
        made.__dict__.update(state.__dict__)
        made.__dict__.update(values)
        return made


def opened(fact: RaceOpened, seq: int) -> RaceState:
    """A race in the lobby. Raises: PlanRefused: its plan's order isn't the riders of its roster."""
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


def situation_of(state: RaceState) -> Situation:
    """What the rules of calling look at."""
    return Situation(
        plan=state.setup.plan,
        course=state.setup.course,
        rules=state.setup.rules,
        line=state.line,
        position=state.position,
        form=state.form,
        gaps=state.gaps,
        news=state.news,
        effort=state.effort,
        lately=state.lately,
        settled_ms=state.settled_ms,
        start_seq=state.start_seq,
        countdown_ms=state.countdown_ms,
        started=state.phase is Phase.RACING,
        finish_ms=arrival_ms(state.setup.plan, state.position, state.setup.plan.length_m),
    )


def with_told(state: RaceState, cues: tuple[Cue, ...]) -> RaceState:
    """The state once these cues are fixed; those that have become too late are kept."""
    made = changed(state, fixed=state.fixed + cues, told=state.told.union([cue.id for cue in cues]))
    for cue in cues:
        if CUE_TABLE[cue.kind].again_ms:
            others = [one for one in made.lately if one.kind is not cue.kind or one.rider != cue.rider]
            made = changed(made, lately=(*others, Lately(kind=cue.kind, rider=cue.rider, due_ms=cue.due_ms)))
        elif cue.kind is CueKind.NEW_ORDER:
            made = changed(made, news=None, order_changes=made.order_changes + 1)
    return made


def still_open(state: RaceState) -> tuple[Gap, ...]:
    """The gaps that can still stand: before a rider on a wheel, and not so long ago that nobody sees them any more."""
    if not state.gaps:
        return state.gaps
    following = [member.rider for member in state.line.members[1:] if member.place is Place.FOLLOWING]
    gaps = tuple([gap for gap in state.gaps if gap.rider in following and state.now_ms < gap.since_ms + _GAP_STANDS_MS])
    return state.gaps if len(gaps) == len(state.gaps) else gaps


def policy_of(state: RaceState) -> PlanPolicy:
    """How this line rotates now."""
    return PlanPolicy(plan=state.setup.plan, rules=state.setup.rules, position=state.position, form=state.form)


def in_the_wheels(line: Line) -> tuple[RiderId, ...]:
    """Who has the shelter of the line, front first; the others ride beside it or behind."""
    return tuple(
        [member.rider for member in line.members if member.place is Place.FOLLOWING or member.place is Place.LEADING]
    )


def with_reserves(state: RaceState, to_ms: int) -> RaceState:
    """The state with what the line, as it is, cost everybody since it last changed.

    Only ever at instants that follow from the facts, so that looking in between changes no figure.
    """
    if state.phase is not Phase.RACING or to_ms <= state.reserves_ms:
        return state
    middle_ms = (state.reserves_ms + to_ms) // 2
    plan = state.setup.plan
    sheltered = in_the_wheels(state.line)
    reserves = spent(
        state.reserves,
        roster=state.setup.roster,
        rules=state.setup.rules,
        course=state.setup.course,
        at_m=place_m(plan, state.position, middle_ms),
        speed_mps=speed_mps(plan, state.position, middle_ms),
        duration_s=s_from_ms(to_ms - state.reserves_ms),
        in_the_wheels=sheltered,
        in_the_wind=[
            *(member.rider for member in state.line.members if member.rider not in sheltered),
            *(member.rider for member in state.line.apart if member.place is Place.ADRIFT),
        ],
    )
    return changed(state, reserves=reserves, reserves_ms=to_ms)


def stopped_at_the_start(state: RaceState) -> bool:
    """Whether the line was told to stop before the gun."""
    return state.phase is Phase.HALTED and state.line.turns_begun == 0


def why_turn_stands(state: RaceState) -> str:
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

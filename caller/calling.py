"""Rules from the state of a race to timed cues.

Rule 1: whatever decides that a cue is due, and when, lives in this file. Each rule is a small pure function in RULES;
what a fact itself calls for is in ``answers``. Must not know in which words a cue is said, nor who listens.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from caller.course import Course
from caller.cues import CUE_TABLE, Cue, CueKind
from caller.estimate import Position, arrival_ms, place_m
from caller.facts import Aloud, CallAloud, Fact, GoWithout, LineBunched, LineSurged, Resume, SayAloud, WaitFor
from caller.physics import drift_s
from caller.plan import Plan, RaceRules, rule_at
from caller.rotation import Change, Length, Line, Place, begin, project
from caller.units import RiderId, clock_text, ms_from_s

__all__ = [
    "FORM_STEPS",
    "LEAST_TURN_MS",
    "LOOSE_KINDS",
    "RULES",
    "Effort",
    "Gap",
    "Lately",
    "News",
    "PlanPolicy",
    "Situation",
    "adrift",
    "answers",
    "cues_until",
    "gap_opened",
    "loose_cues",
    "out",
    "plan_power_w",
    "ride_on",
    "stay_on",
    "time_check",
    "told_ms",
]

LEAST_TURN_MS = 5_000
"""However little rest or strength, a turn is no shorter: by then the next one has only just come through."""

FORM_STEPS = (0.0, 0.5, 1.0, 1.5, 2.0)
"""What a turn is multiplied by for a rider who only follows, on a bad day, as planned, on a good and a very good one
(common practice, no source: a planned 30 s may become 60 s on a good day or 15 s on a bad one)."""

COUNT_S = (60, 30, 20, 10, 5, 4, 3, 2, 1)
"""Seconds before the gun that are counted aloud."""

_STAND_BY_AFTER_SWITCH_MS = 3_500
_STAND_BY_LEAST_MS = 3_000
_TERRAIN_AHEAD_M = 300
_CALL_ON_MS = 60_000
_SWITCH_AHEAD_MS = CUE_TABLE[CueKind.STAND_BY].lead_ms
_EASE_FOR_GAP_MS = 5_000
_NEWS_SETTLE_MS = 2_500
"""How long an order must stand before it is named: of two riders back at once, or a slip put right, the line hears
once. Engineering judgement, no source."""
_HOLD_STEP_W = 5
_LAST_TURN_MS = 15_000
"""A turn that begins so shortly before the last effort is ridden in it for the greater part."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A gap that stands open.

    Attributes:
        rider: who is behind it and must close it.
        since_ms: when it was seen.
        seq: of the entry that told of it.
        tell_ms: when its rider is first told.
    """

    rider: RiderId
    since_ms: int
    seq: int
    tell_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Lately:
    """When a kind of cue was last told to a rider, or with None to the line."""

    kind: CueKind
    rider: RiderId | None
    due_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class News:
    """Another order than the line was last told of.

    Attributes:
        told: the order it was told of, or set off in.
        order: the one to be named.
        since_ms: when it was seen.
        seq: of the entry that told of it.
        because: what was seen, in words.
    """

    told: tuple[RiderId, ...]
    order: tuple[RiderId, ...]
    since_ms: int
    seq: int
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Effort:
    """The last effort, as reserves allow it.

    Attributes:
        start_m: where it begins.
        needed: who must be at the line.
        spent: who is spent on the way, and when at the latest; ms.
    """

    start_m: float
    needed: tuple[RiderId, ...]
    spent: tuple[tuple[RiderId, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    """All that a rule may look at.

    Attributes:
        plan, course, rules: as they are now.
        line: who is where.
        position: where the front was last seen.
        form: riders on another day than planned, as (rider, one of FORM_STEPS).
        gaps: those that stand open.
        news: an order that is still to be named.
        effort: the last one, as reserves allow it; None while the end is far, and then it is as the rules say.
        lately: when kinds that must not nag were last told.
        settled_ms: when the last fact came in; nothing that follows from it is due before its commit window is over.
        start_seq: the entry that set the start; None in the lobby.
        countdown_ms: how long the countdown is.
        started: the gun has gone.
        finish_ms: when the front is believed to reach the finish.
    """

    plan: Plan
    course: Course
    rules: RaceRules
    line: Line
    position: Position
    form: tuple[tuple[RiderId, float], ...]
    gaps: tuple[Gap, ...]
    news: News | None
    effort: Effort | None
    lately: tuple[Lately, ...]
    settled_ms: int
    start_seq: int | None
    countdown_ms: int
    started: bool
    finish_ms: int

    @property
    def policy(self) -> "PlanPolicy":
        """How this line rotates now."""
        return PlanPolicy(plan=self.plan, rules=self.rules, position=self.position, form=self.form)

    @property
    def last_call_ms(self) -> int:
        """After this nothing is called and the line rotates no more: a minute past the believed finish.

        Riders may be later than believed, and a line that still rides must not lose its caller.
        """
        return self.finish_ms + _CALL_ON_MS


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanPolicy:
    """How the line rotates by a plan, a rider's rest and a rider's day; see rotation.Policy."""

    plan: Plan
    rules: RaceRules
    position: Position
    form: tuple[tuple[RiderId, float], ...]

    def turn(
        self,
        rider: RiderId,
        began_ms: int,
        rest_ms: int | None,
        rotation: tuple[RiderId, ...],
        most_ms: int | None = None,
    ) -> Length:
        """The plan's length where the line will be then, in proportion to the rest had, times the rider's day.

        A rider who had half the rest earns half the turn; more rest than planned earns no more. No turn is longer than
        the reserve allows. Whoever only follows comes through and straight off.
        """
        at_m = place_m(self.plan, self.position, began_ms)
        stretch = rule_at(self.plan, at_m)
        rule = stretch.turn_of(rider)
        planned_ms = 0 if rule is None else ms_from_s(rule.length_s)
        # Whoever was to be spent by now and still rides follows behind those who lead, for as long as it goes.
        forms = dict(self.form) | {spent: 0.0 for spent, spent_m in self.plan.spent if spent_m <= at_m}
        form = forms.get(rider, 1.0)
        if form == 0.0:
            return Length(planned_ms=0, granted_ms=LEAST_TURN_MS, because="only follows for now")
        rested, full_rest_ms = 1.0, 0
        if rest_ms is not None:
            full_rest_ms = sum(
                [
                    ms_from_s(rule.length_s)
                    for rule in stretch.turns
                    if rule.rider != rider and rule.rider in rotation and forms.get(rule.rider) != 0.0
                ]
            )
            rested = 1.0 if full_rest_ms == 0 else min(1.0, rest_ms / full_rest_ms)
        if rested == 1.0 and form == 1.0 and (most_ms is None or planned_ms <= most_ms):
            return Length(planned_ms=planned_ms, granted_ms=max(LEAST_TURN_MS, planned_ms))
        granted_ms = max(LEAST_TURN_MS, 1000 * round(planned_ms * rested * form / 1000))
        if most_ms is not None and most_ms < granted_ms:
            because = f"reserve for {most_ms // 1000} s"
            return Length(planned_ms=planned_ms, granted_ms=max(LEAST_TURN_MS, most_ms), because=because)
        reasons = []
        if rested < 1.0 and rest_ms is not None:
            reasons.append(f"rested {rest_ms // 1000} s of {full_rest_ms // 1000} s")
        if form != 1.0:
            reasons.append("a good day" if form > 1.0 else "a hard day")
        return Length(planned_ms=planned_ms, granted_ms=granted_ms, because=" and ".join(reasons))

    def only_follows(self, rider: RiderId, at_ms: int) -> bool:
        """Whether the plan gives this rider no turn where the line will be then.

        Not by the day: of a rider who has little left the others don't know, and go onto the last wheel as ever.
        """
        at_m = place_m(self.plan, self.position, at_ms)
        rule = rule_at(self.plan, at_m).turn_of(rider)
        spent = any(one == rider and spent_m <= at_m for one, spent_m in self.plan.spent)
        return spent or rule is None or ms_from_s(rule.length_s) == 0

    def drift_ms(self, passed: int) -> int:
        """See physics.drift_s."""
        return ms_from_s(drift_s(passed + 1, self.rules.closing_mps))

    def latch_ms(self) -> int:
        """As the rules of the race have it."""
        return ms_from_s(self.rules.latch_s)


def told_ms(lately: tuple[Lately, ...], kind: CueKind, rider: RiderId | None) -> int | None:
    """When a kind was last told to a rider, or to the line; None if never."""
    return next((one.due_ms for one in lately if one.kind is kind and one.rider == rider), None)


def plan_power_w(plan: Plan, rider: RiderId, at_m: float) -> int:
    """What the plan has a rider hold on the front at a place, in whole steps a voice can say; 0 if it has no turn."""
    rule = rule_at(plan, at_m).turn_of(rider)
    return 0 if rule is None else _HOLD_STEP_W * round(rule.power_w / _HOLD_STEP_W)


# Rules: what follows from the state with no new fact


def _start(situation: Situation, changes: tuple[Change, ...], until_ms: int) -> Iterator[Cue]:
    """The countdown and the gun."""
    if situation.start_seq is None or situation.started:
        return
    for seconds in COUNT_S:
        if seconds * 1000 < situation.countdown_ms:
            yield Cue(
                id=f"start_count:{situation.start_seq}:{seconds}",
                kind=CueKind.START_COUNT,
                due_ms=-1000 * seconds,
                seconds=seconds,
                because="the start is set",
            )
    yield Cue(id=f"start:{situation.start_seq}", kind=CueKind.START, due_ms=0, because="the start is set")


def _switch(situation: Situation, changes: tuple[Change, ...], until_ms: int) -> Iterator[Cue]:
    """The word lands on the end of the turn."""
    for change in changes:
        kind = CueKind.RESTED if change.ended.hogged else CueKind.OFF_NOW if change.ended.cut else CueKind.SWITCH
        yield Cue(
            id=f"switch:{change.ended.number}",
            kind=kind,
            due_ms=change.at_ms,
            to=(change.ended.rider, change.begun.rider),
            rider=change.ended.rider,
            because=f"turn {change.ended.number} ends" + (f": {change.ended.because}" if change.ended.because else ""),
        )


def _stand_by(situation: Situation, changes: tuple[Change, ...], until_ms: int) -> Iterator[Cue]:
    """The next leader is told ahead; less far ahead where the turn before is short."""
    for change in changes:
        wished_ms = change.at_ms - CUE_TABLE[CueKind.STAND_BY].lead_ms
        due_ms = max(wished_ms, change.ended.began_ms + _STAND_BY_AFTER_SWITCH_MS)
        if due_ms <= change.at_ms - _STAND_BY_LEAST_MS:
            yield Cue(
                id=f"stand_by:{change.ended.number}:{change.begun.rider}",
                kind=CueKind.STAND_BY,
                due_ms=due_ms,
                to=(change.begun.rider,),
                rider=change.begun.rider,
                because=f"leads after turn {change.ended.number}",
            )


def _hold(situation: Situation, changes: tuple[Change, ...], until_ms: int) -> Iterator[Cue]:
    """Each new leader is told what to hold, once settled on the front."""
    now = situation.line.turn
    for turn in (*(() if now is None else (now,)), *(change.begun for change in changes)):
        power_w = plan_power_w(situation.plan, turn.rider, place_m(situation.plan, situation.position, turn.began_ms))
        if power_w:
            yield Cue(
                id=f"hold:{turn.number}:{turn.rider}",
                kind=CueKind.HOLD,
                due_ms=turn.began_ms - CUE_TABLE[CueKind.HOLD].lead_ms,
                to=(turn.rider,),
                rider=turn.rider,
                power_w=power_w,
                because=f"turn {turn.number} begins",
            )


def _latch_on(situation: Situation, changes: tuple[Change, ...], until_ms: int) -> Iterator[Cue]:
    """Whoever drifts is told when the last wheel comes by."""
    drifts = [
        (member.rider, member.until_ms)
        for member in situation.line.members
        if member.place is Place.DRIFTING and member.until_ms is not None
    ]
    # Named by the instant, not by the turn: a rider may still drift when the turn after the next one begins.
    for rider, over_ms in (*drifts, *((change.ended.rider, change.drift_over_ms) for change in changes)):
        yield Cue(
            id=f"latch_on:{rider}:{over_ms}",
            kind=CueKind.LATCH_ON,
            due_ms=over_ms,
            to=(rider,),
            rider=rider,
            because="the last wheel is near",
        )


def _close_gap(situation: Situation, changes: tuple[Change, ...], until_ms: int) -> Iterator[Cue]:
    """Whoever is behind a gap is told, and told again while it stands open; the line is eased in between.

    Not so soon after the same was told for another reason; a cue told already isn't told again in any case.
    """
    close, ease = CUE_TABLE[CueKind.CLOSE_GAP], CUE_TABLE[CueKind.EASE]
    eased_ms = told_ms(situation.lately, CueKind.EASE, None)
    for gap in situation.gaps:
        ease_ms = gap.tell_ms + _EASE_FOR_GAP_MS
        if eased_ms is None or abs(ease_ms - eased_ms) >= ease.again_ms:
            eased_ms = ease_ms
            yield Cue(id=f"ease_gap:{gap.seq}", kind=CueKind.EASE, due_ms=ease_ms, because="a gap is still open")
        last_ms = told_ms(situation.lately, CueKind.CLOSE_GAP, gap.rider)
        for time in range(close.repeats + 1):
            due_ms = gap.tell_ms + time * close.again_ms
            if last_ms is None or due_ms >= last_ms + close.again_ms:
                yield Cue(
                    id=f"close_gap:{gap.seq}:{time}",
                    kind=CueKind.CLOSE_GAP,
                    due_ms=due_ms,
                    to=(gap.rider,),
                    rider=gap.rider,
                    because="a gap was seen" if time == 0 else "the gap is still open",
                )


def _terrain(situation: Situation, changes: tuple[Change, ...], until_ms: int) -> Iterator[Cue]:
    """The line is told what comes, and who will lead into it."""
    if situation.line.turn is None:
        return
    plan, position, stretches = situation.plan, situation.position, situation.course.stretches
    long_ago_m = place_m(plan, position, situation.settled_ms - CUE_TABLE[CueKind.TERRAIN].window_ms) - 1
    until_m = place_m(plan, position, until_ms) + 1
    for number, stretch in enumerate(stretches[1:], 1):
        tell_m = max(stretch.start_m - _TERRAIN_AHEAD_M, stretches[number - 1].start_m)
        if tell_m < long_ago_m:
            continue
        if tell_m > until_m:
            return
        due_ms = arrival_ms(plan, position, tell_m)
        leader = _leader_at(
            situation, changes, until_ms, arrival_ms(situation.plan, situation.position, stretch.start_m)
        )
        yield Cue(
            id=f"terrain:{number}",
            kind=CueKind.TERRAIN,
            due_ms=due_ms,
            rider=leader,
            distance_m=50 * round((stretch.start_m - tell_m) / 50),
            place=stretch.terrain.value,
            because=f"{stretch.name} begins at {stretch.start_m / 1000:.1f} km",
        )


def _new_order(situation: Situation, changes: tuple[Change, ...], until_ms: int) -> Iterator[Cue]:
    """An accepted order is named once it has stood for a moment."""
    news = situation.news
    if news is not None:
        yield Cue(
            id=f"new_order:{news.seq}",
            kind=CueKind.NEW_ORDER,
            due_ms=news.since_ms + _NEWS_SETTLE_MS,
            order=news.order,
            because=news.because,
        )


def _all_in(situation: Situation, changes: tuple[Change, ...], until_ms: int) -> Iterator[Cue]:
    """The last metres: where reserves last to the line, or as the rules say."""
    if situation.line.turn is None or situation.rules.all_in_m == 0:
        return
    effort = situation.effort
    at_m = max(0.0, situation.course.length_m - situation.rules.all_in_m) if effort is None else effort.start_m
    yield Cue(
        id="all_in",
        kind=CueKind.ALL_IN,
        due_ms=arrival_ms(situation.plan, situation.position, at_m),
        order=() if effort is None else effort.needed,
        because=f"{situation.course.length_m - at_m:.0f} m to go",
    )


def _spend(situation: Situation, changes: tuple[Change, ...], until_ms: int) -> Iterator[Cue]:
    """Whoever need not finish is told which turn is the last."""
    effort = situation.effort
    if effort is None:
        return
    begins_ms = arrival_ms(situation.plan, situation.position, effort.start_m) - _LAST_TURN_MS
    for rider, spent_ms in effort.spent:
        last = [change for change in changes if change.begun.rider == rider and begins_ms <= change.at_ms]
        for change in last[:1]:
            yield Cue(
                id=f"spend:{rider}",
                kind=CueKind.SPEND,
                due_ms=change.at_ms - CUE_TABLE[CueKind.SPEND].lead_ms,
                to=(rider,),
                rider=rider,
                because=f"spent by {clock_text(spent_ms)}; others can hold it to the line",
            )


Rule = Callable[[Situation, tuple[Change, ...], int], Iterator[Cue]]

RULES: tuple[Rule, ...] = (
    _start,
    _switch,
    _stand_by,
    _hold,
    _latch_on,
    _close_gap,
    _new_order,
    _terrain,
    _all_in,
    _spend,
)
"""Every rule that makes cues from the state. A new cue adds a function here; it doesn't lengthen one."""

LOOSE_RULES: tuple[Rule, ...] = (_close_gap, _new_order)
"""Of RULES, those that ask neither who leads when nor where the line is, but only what was seen and when."""

LOOSE_KINDS = (CueKind.CLOSE_GAP, CueKind.EASE, CueKind.NEW_ORDER)
"""What LOOSE_RULES make, and no other rule."""


def cues_until(situation: Situation, until_ms: int) -> tuple[Cue, ...]:
    """Every cue that follows from the state and is due up to an instant, in order of (due, priority, id).

    Those whose wished instant lies before the last fact could have made them due are put off within their window, or
    left out.
    """
    policy, last_call_ms = situation.policy, situation.last_call_ms
    until_ms = min(until_ms, last_call_ms)
    if situation.start_seq is not None and not situation.started:
        situation = replace(situation, line=begin(situation.line, 0, policy))
    changes = tuple(project(situation.line, policy, min(until_ms + _SWITCH_AHEAD_MS, last_call_ms)))
    cues = []
    for rule in RULES:
        for cue in rule(situation, changes, until_ms):
            told = _put_off(cue, situation.settled_ms)
            if told is not None and told.due_ms <= until_ms:
                cues.append(told)
    return tuple(sorted(cues, key=lambda cue: (cue.due_ms, CUE_TABLE[cue.kind].priority, cue.id)))


def loose_cues(situation: Situation, until_ms: int) -> tuple[Cue, ...]:
    """Of cues_until, those by LOOSE_RULES, in no order: if only what they look at has changed, others hold."""
    until_ms = min(until_ms, situation.last_call_ms)
    cues = []
    for rule in LOOSE_RULES:
        for cue in rule(situation, (), until_ms):
            told = _put_off(cue, situation.settled_ms)
            if told is not None and told.due_ms <= until_ms:
                cues.append(told)
    return tuple(cues)


def _leader_at(situation: Situation, changes: tuple[Change, ...], until_ms: int, at_ms: int) -> RiderId:
    """Who will lead at an instant, be it beyond the changes that were worked out for cues until then."""
    assert situation.line.turn is not None
    if at_ms > until_ms + _SWITCH_AHEAD_MS:
        changes = tuple(project(situation.line, situation.policy, at_ms))
    leader = situation.line.turn.rider
    for change in changes:
        if change.at_ms <= at_ms:
            leader = change.begun.rider
    return leader


def _put_off(cue: Cue, settled_ms: int) -> Cue | None:
    """The cue, due no sooner than the last fact allows; None if that is past its window."""
    row = CUE_TABLE[cue.kind]
    soonest_ms = settled_ms + row.commit_ms
    if cue.due_ms >= soonest_ms:
        return cue
    if cue.due_ms + row.window_ms < soonest_ms:
        return None
    return _due_at(cue, soonest_ms)


def _due_at(cue: Cue, due_ms: int) -> Cue:
    # Written out: dataclasses.replace costs three times as much, and this is the inner loop of every projection.
    return Cue(
        id=cue.id,
        kind=cue.kind,
        due_ms=due_ms,
        to=cue.to,
        rider=cue.rider,
        power_w=cue.power_w,
        seconds=cue.seconds,
        distance_m=cue.distance_m,
        place=cue.place,
        order=cue.order,
        words=cue.words,
        spare=cue.spare,
        against_plan_s=cue.against_plan_s,
        because=cue.because,
    )


# Answers: what a fact calls for at once

_ALOUD = {
    Aloud.STOP: CueKind.STOP,
    Aloud.EASE: CueKind.EASE,
    Aloud.LIFT: CueKind.LIFT,
    Aloud.PRESS_ON: CueKind.PRESS_ON,
    Aloud.ALL_IN: CueKind.ALL_IN,
}


def answers(fact: Fact, line: Line, at_ms: int, seq: int) -> tuple[Cue, ...]:
    """The cues that a fact calls for by itself, due as soon as their commit window allows."""
    match fact:
        case CallAloud(aloud=aloud, rider=rider):
            to = () if rider is None else (rider,)
            return (_soon(_ALOUD[aloud], at_ms, seq, to=to, rider=rider, because="the director calls it"),)
        case SayAloud(text=text, rider=rider):
            to = () if rider is None else (rider,)
            return (_soon(CueKind.SAY, at_ms, seq, to=to, rider=rider, words=text, because="the director says it"),)
        case LineSurged():
            leader = None if line.turn is None else line.turn.rider
            to = () if leader is None else (leader,)
            return (_soon(CueKind.EASE, at_ms, seq, to=to, rider=leader, because="the line stretches"),)
        case Resume():
            return (_soon(CueKind.START, at_ms, seq, because="the director resumes"),)
        case LineBunched():
            followers = tuple(member.rider for member in line.members if member.place is Place.FOLLOWING)
            return (_soon(CueKind.PRESS_ON, at_ms, seq, to=followers, because="the line bunches"),)
        case WaitFor(rider=rider):
            return (_soon(CueKind.WAIT, at_ms, seq, rider=rider, because="the director decided to wait"),)
        case GoWithout(rider=rider):
            return (_soon(CueKind.GO, at_ms, seq, rider=rider, because="the director decided to go on"),)
        case _:
            return ()


def gap_opened(rider: RiderId, at_ms: int, seq: int, lately: tuple[Lately, ...]) -> Gap:
    """A gap seen just now; its rider is told at once, or as soon as telling it again isn't nagging."""
    row = CUE_TABLE[CueKind.CLOSE_GAP]
    last_ms = told_ms(lately, CueKind.CLOSE_GAP, rider)
    tell_ms = at_ms + row.commit_ms
    return Gap(
        rider=rider,
        since_ms=at_ms,
        seq=seq,
        tell_ms=tell_ms if last_ms is None else max(tell_ms, last_ms + row.again_ms),
    )


def adrift(riders: tuple[RiderId, ...], at_ms: int, seq: int) -> Cue:
    """Riders are off the back, and the line doesn't see it."""
    if len(riders) == 1:
        return _soon(CueKind.ADRIFT, at_ms, seq, rider=riders[0], because="lost the wheel")
    return _soon(CueKind.ADRIFT, at_ms, seq, order=riders, because="the line is split")


def ride_on(at_ms: int, seq: int, because: str) -> Cue:
    """The line has waited long enough."""
    return _soon(CueKind.LIFT, at_ms, seq, because=because)


def out(rider: RiderId, spare: int, at_ms: int, seq: int) -> Cue:
    """A rider is out, and so many more can be lost."""
    because = f"{max(0, spare)} more can be lost"
    return _soon(CueKind.OUT, at_ms, seq, one_of=rider, rider=rider, spare=spare, because=because)


def time_check(against_plan_s: int, at_ms: int, seq: int, because: str) -> Cue:
    """How far behind the plan the line passes a landmark; ahead of it if negative."""
    return _soon(CueKind.TIME, at_ms, seq, against_plan_s=against_plan_s, because=because)


def stay_on(rider: RiderId, longer_ms: int, at_ms: int, seq: int, because: str) -> Cue:
    """The leader stays on so much longer."""
    return _soon(
        CueKind.STAY_ON, at_ms, seq, to=(rider,), rider=rider, seconds=round(longer_ms / 1000), because=because
    )


def _soon(
    kind: CueKind,
    at_ms: int,
    seq: int,
    *,
    to: tuple[RiderId, ...] = (),
    rider: RiderId | None = None,
    seconds: int | None = None,
    order: tuple[RiderId, ...] = (),
    words: str | None = None,
    spare: int | None = None,
    against_plan_s: int | None = None,
    one_of: str = "",
    because: str,
) -> Cue:
    return Cue(
        id=f"{kind.value}:{seq}" + (f":{one_of}" if one_of else ""),
        kind=kind,
        due_ms=at_ms + CUE_TABLE[kind].commit_ms,
        to=to,
        rider=rider,
        seconds=seconds,
        order=order,
        words=words,
        spare=spare,
        against_plan_s=against_plan_s,
        because=because,
    )

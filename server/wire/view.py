"""Domain values as the messages and cards that pages show. Decides nothing; what pages must not work out is sent.

Must not know of listeners, disks or the voice's engine: how a clip is found is passed in.
"""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from typing import Literal

from caller import race
from caller.airtime import guess
from caller.course import Course
from caller.cues import CUE_TABLE, Cue, CueKind
from caller.plan import Plan
from caller.riders import Rider, Roster
from caller.rotation import Member, Place
from caller.speech import Spoken, say, written
from caller.units import RiderId, ms_from_s
from server.wire.outbound import (
    CourseCard,
    CueMessage,
    LandmarkCard,
    LogLine,
    PlaceMessage,
    PlanCard,
    PositionMessage,
    ReserveCard,
    ReserveMessage,
    ResultMessage,
    RiderCard,
    RuleCard,
    Said,
    StateMessage,
    StayCard,
    StretchCard,
    TroubleMessage,
    TurnCard,
    TurnMessage,
    Welcome,
    You,
)

__all__ = [
    "MOST_PROFILE_POINTS",
    "ClipFor",
    "Wording",
    "cards_of",
    "course_card",
    "heard_in",
    "plan_card",
    "rider_cards",
    "state_message",
    "team_language",
    "welcome",
]

MOST_PROFILE_POINTS = 400
"""A silhouette on a phone has no more columns."""

_MARKS = ("circle", "square", "triangle", "diamond", "hexagon", "star", "cross", "drop", "bar", "ring")
_MOST_WORDED = 1_500
"""Cues kept in words, a race: about 4 kB each, three times what an hour's race foretells."""

_UPCOMING_TURNS = 12
_TRACK_STEP_MS = 5_000
_TRACK_STEPS = 37

ClipFor = Callable[[Spoken, str], Said | None]
"""What a clip of these words in this language is, with its text still empty; None while there is none."""


# Before the gun


def rider_cards(roster: Roster) -> tuple[RiderCard, ...]:
    """The riders as screens show them; mark and hue follow their place in the roster."""
    return cards_of(roster.riders)


def cards_of(riders: Sequence[Rider]) -> tuple[RiderCard, ...]:
    """The same for riders who are no team yet."""
    initials = _initials([rider.name for rider in riders])
    return tuple(
        RiderCard(
            id=rider.id,
            name=rider.name,
            initials=initials[slot],
            mark=_MARKS[slot % len(_MARKS)],  # type: ignore[arg-type]
            hue=slot,
            language=rider.language,
        )
        for slot, rider in enumerate(riders)
    )


def _initials(names: Sequence[str]) -> list[str]:
    """One or two letters a name, told apart where two or three can: ``M``, else ``MA`` and ``MO``."""
    words = [name.split() for name in names]
    short = [word[0][:1].upper() if len(word) == 1 else (word[0][:1] + word[-1][:1]).upper() for word in words]
    for length in (2, 3):
        twice = {text for text, count in Counter(short).items() if count > 1}
        short = [
            "".join(word)[:length].upper() if text in twice else text for word, text in zip(words, short, strict=True)
        ]
    return short


def course_card(course: Course) -> CourseCard:
    """The course as a silhouette, thinned to what a screen can show; highest and lowest points are kept."""
    return CourseCard(
        name=course.name,
        length_m=course.length_m,
        profile=_profile(course),
        stretches=tuple(
            StretchCard(
                name=stretch.name,
                terrain=stretch.terrain.value,
                start_m=stretch.start_m,
                end_m=stretch.end_m,
                rise_m=stretch.rise_m,
                mean_grade=stretch.mean_grade,
            )
            for stretch in course.stretches
        ),
        landmarks=tuple(LandmarkCard(name=mark.name, at_m=mark.at_m) for mark in course.landmarks),
        has_height=course.has_height,
        notes=course.notes,
    )


def _profile(course: Course) -> tuple[tuple[float, float], ...]:
    heights = course.height_m
    last = len(heights) - 1
    step_m = course.length_m / last
    if len(heights) <= MOST_PROFILE_POINTS:
        kept = list(range(len(heights)))
    else:
        # Two points a column, the highest and the lowest: thinning by every nth would clip the summits.
        columns = (MOST_PROFILE_POINTS - 2) // 2
        chosen = {0, last}
        for column in range(columns):
            inside = range(1 + (last - 1) * column // columns, 1 + (last - 1) * (column + 1) // columns)
            chosen.add(min(inside, key=heights.__getitem__))
            chosen.add(max(inside, key=heights.__getitem__))
        kept = sorted(chosen)
    return tuple((round(index * step_m, 1), round(heights[index], 2)) for index in kept)


def plan_card(plan: Plan, roster: Roster, *, whole: bool = False) -> PlanCard:
    """The plan as pages show it; reserves as shares of each rider's W′.

    Args:
        whole: with each stay on the front and each rider's curve, for who studies the plan; in a race nobody does.
    """
    return PlanCard(
        method=plan.method,
        order=plan.order,
        finish_s=plan.finish_s,
        bound_s=plan.bound_s,
        equal_turns_s=plan.equal_turns_s,
        rules=tuple(
            RuleCard(
                name=rule.name,
                start_m=rule.start_m,
                end_m=rule.end_m,
                speed_mps=rule.speed_mps,
                turns=tuple(
                    TurnCard(rider=turn.rider, length_s=turn.length_s, power_w=turn.power_w) for turn in rule.turns
                ),
            )
            for rule in plan.rules
        ),
        reserves=tuple(
            ReserveCard(
                rider=reserve.rider,
                least=reserve.least_j / roster[reserve.rider].w_prime_j,
                at_stretch_end=tuple(left_j / roster[reserve.rider].w_prime_j for left_j in reserve.at_stretch_end_j),
                w_prime_j=roster[reserve.rider].w_prime_j,
                least_at_m=reserve.least_at_m,
                curve=tuple(
                    (at_m, round(left_j / roster[reserve.rider].w_prime_j, 4)) for at_m, left_j in reserve.curve
                )
                if whole
                else (),
            )
            for reserve in plan.reserves
        ),
        schedule=_thinned(plan.schedule, MOST_PROFILE_POINTS),
        turns=_stays(plan) if whole else (),
        spent=plan.spent,
    )


def _stays(plan: Plan) -> tuple[StayCard, ...]:
    ends_m = [*(turn.start_m for turn in plan.turns[1:]), plan.length_m]
    return tuple(
        StayCard(
            rider=turn.rider,
            start_s=turn.start_s,
            start_m=turn.start_m,
            end_m=end_m,
            length_s=turn.length_s,
            power_w=turn.power_w,
            speed_mps=turn.speed_mps,
        )
        for turn, end_m in zip(plan.turns, ends_m, strict=True)
    )


def _thinned(marks: tuple[tuple[float, float], ...], most: int) -> tuple[tuple[float, float], ...]:
    if len(marks) <= most:
        return marks
    return tuple(marks[index * (len(marks) - 1) // (most - 1)] for index in range(most))


def welcome(
    state: race.RaceState,
    *,
    code: str,
    role: Literal["director", "rider"],
    rider: str | None,
    rehearsal: str | None,
    language: str | None = None,
) -> Welcome:
    """What a page is told first. ``language`` is the team voice's; None is the one that most riders hear."""
    setup = state.setup
    return Welcome(
        you=You(role=role, rider=rider),
        code=code,
        race=setup.name,
        rehearsal=rehearsal,
        language=team_language(setup.roster.riders, language),
        counted=setup.rules.counted,
        roster=rider_cards(setup.roster),
        course=course_card(setup.course),
        plan=plan_card(setup.plan, setup.roster),
    )


# Cues


def team_language(riders: Sequence[Rider], chosen: str | None = None) -> str:
    """What the team voice speaks: what was chosen, else the language that most riders hear, else English."""
    heard = Counter(rider.language for rider in riders).most_common(1)
    return chosen or (heard[0][0] if heard else "en")


def heard_in(cue: Cue, ears: Mapping[RiderId, str], team: str) -> tuple[str, ...]:
    """In which languages a cue is heard: the team voice's first, then those of whoever's own ear it is for.

    Args:
        ears: the language of each rider's own ear.
        team: the team voice's.
    """
    return tuple(dict.fromkeys((team, *(ears[rider] for rider in cue.to or ears if rider in ears))))


class Wording:
    """Cues in the words of a team's languages, with their clips. Keeps what it has worded until clips change.

    Args:
        roster: whose names there are, and in which language each rider's own ear is spoken to.
        clip_for: see ClipFor.
        language: the team voice's; None is the one that most riders hear.

    Attributes:
        team: the team voice's language.
        silent: (text, language, key word's character) of what was worded and has no clip yet, in that order, and
            whether it is called any moment.
    """

    def __init__(self, roster: Roster, clip_for: ClipFor, language: str | None = None) -> None:
        self.spoken: Mapping[RiderId, str] = {rider.id: rider.spoken for rider in roster.riders}
        self.shown: Mapping[RiderId, str] = {rider.id: rider.name for rider in roster.riders}
        self.team = team_language(roster.riders, language)
        self._ears: Mapping[RiderId, str] = {rider.id: rider.language for rider in roster.riders}
        self.silent: dict[tuple[str, str, int], bool] = {}
        self._clip_for = clip_for
        self._worded: dict[tuple[Cue, bool], CueMessage] = {}

    def forget(self) -> None:
        """Clips have come: word everything anew."""
        self._worded.clear()
        self.silent.clear()

    def line(self, cue: Cue) -> str:
        """A cue for the log view."""
        return written(cue, self.shown, self.team)

    def message(self, cue: Cue, *, fixed: bool) -> CueMessage:
        """A cue for pages."""
        key = (cue, fixed)
        message = self._worded.get(key)
        if message is None:
            if len(self._worded) > _MOST_WORDED:
                self._worded.clear()
            message = self._worded[key] = self._message(cue, fixed)
        return message

    def _message(self, cue: Cue, fixed: bool) -> CueMessage:
        row = CUE_TABLE[cue.kind]
        return CueMessage(
            id=cue.id,
            kind=cue.kind.value,
            due_ms=cue.due_ms,
            fixed=fixed,
            priority=row.priority,
            too_late_ms=row.too_late_ms,
            to=cue.to,
            rider=cue.rider,
            power_w=cue.power_w,
            seconds=cue.seconds,
            distance_m=cue.distance_m,
            place=cue.place,
            order=cue.order,
            words=cue.words,
            because=cue.because,
            said={language: self._said(cue, language, fixed) for language in heard_in(cue, self._ears, self.team)},
        )

    def _said(self, cue: Cue, language: str, fixed: bool) -> Said:
        text = written(cue, self.shown, language)
        spoken = say(cue, self.spoken, language)
        # Nobody translates a director's own words: they are said in the director's language to everybody.
        voice = self.team if cue.kind is CueKind.SAY else language
        clip = self._clip_for(spoken, voice)
        if clip is None:
            text_of_clip = (spoken.text, voice, spoken.key_at)
            self.silent[text_of_clip] = fixed or self.silent.get(text_of_clip, False)
            key_ms, length_ms = guess(spoken.text, spoken.key_at)
            return Said(text=text, clip=None, starts_ms=0, key_ms=key_ms, length_ms=length_ms)
        return clip.model_copy(update={"text": text})


# The race


def state_message(
    state: race.RaceState,
    wording: Wording,
    *,
    revision: int,
    clock: int | None,
    until_ms: int | None,
    log: Sequence[LogLine],
    adrift_since: Mapping[RiderId, int],
) -> StateMessage:
    """All that a page shows.

    Args:
        state: the race.
        wording: of its team.
        revision: rises with every message.
        clock: the race clock now; None while it stands still.
        until_ms: how far ahead cues are told; None tells them all.
        log: the newest lines, newest last.
        adrift_since: when each rider who is adrift was last seen to lose the wheel.
    """
    fixed = {cue.id for cue in state.fixed}
    cues = race.calls(state, until_ms)
    turns = tuple(
        TurnMessage(
            number=turn.number,
            rider=turn.rider,
            began_ms=turn.began_ms,
            ends_ms=turn.ends_ms,
            planned_ms=turn.planned_ms,
            power_w=turn.power_w,
            because=turn.because,
        )
        for turn in race.upcoming(state, _UPCOMING_TURNS)
    )
    leads = state.line.turn is not None
    return StateMessage(
        revision=revision,
        phase=state.phase.value,
        clock=clock,
        line=_places(state),
        turn=turns[0] if leads and turns else None,
        upcoming=turns[1:] if leads else turns,
        position=_position(state),
        reserves=tuple(
            ReserveMessage(rider=reserve.rider, share=reserve.left_j / state.setup.roster[reserve.rider].w_prime_j)
            for reserve in race.reserves_now(state)
        ),
        troubles=_troubles(state, adrift_since),
        cues=tuple(wording.message(cue, fixed=cue.id in fixed) for cue in cues),
        cues_until_ms=max((race.finish_ms(state), *(cue.due_ms for cue in cues))) if until_ms is None else until_ms,
        future=state.seq,
        spare=race.spare_riders(state),
        may=tuple(sorted(race.may(state))),
        undo=race.undo_says(state),
        sound_check=_sound_check(state, wording),
        result=_result(state),
        log=tuple(log),
    )


def _result(state: race.RaceState) -> ResultMessage | None:
    ended = race.result(state)
    if ended is None:
        return None
    return ResultMessage(
        text=race.result_says(ended, state.setup.roster),
        finish_ms=ended.finish_ms,
        against_plan_ms=ended.against_plan_ms,
        counted=ended.counted,
        line=ended.line,
        adrift=ended.adrift,
        out=ended.out,
        turns=ended.turns,
        order_changes=ended.order_changes,
    )


def _sound_check(state: race.RaceState, wording: Wording) -> tuple[CueMessage, ...]:
    """What each rider will hear most often, to be heard once before the start."""
    if state.phase is not race.Phase.LOBBY:
        return ()
    return tuple(
        wording.message(
            Cue(id=f"sound_check:{rider}", kind=CueKind.STAND_BY, due_ms=0, to=(rider,), rider=rider), fixed=False
        )
        for rider in state.setup.roster.ids
    )


def _places(state: race.RaceState) -> tuple[PlaceMessage, ...]:
    def place(member: Member, slot: int | None) -> PlaceMessage:
        return PlaceMessage(rider=member.rider, place=member.place.value, slot=slot, until_ms=member.until_ms)

    return (
        *(place(member, slot) for slot, member in enumerate(state.line.members)),
        *(place(member, None) for member in state.line.apart),
    )


def _position(state: race.RaceState) -> PositionMessage | None:
    if state.phase is race.Phase.LOBBY:
        return None
    _, error_m = race.position_now(state)
    finish_ms = race.finish_ms(state)
    return PositionMessage(
        track=tuple((at_ms, round(at_m, 1)) for at_ms, at_m in race.track(state, _TRACK_STEP_MS, _TRACK_STEPS)),
        error_m=round(error_m, 1),
        pace=round(state.position.pace, 4),
        finish_ms=finish_ms,
        against_plan_ms=finish_ms - ms_from_s(state.setup.plan.finish_s),
    )


def _troubles(state: race.RaceState, adrift_since: Mapping[RiderId, int]) -> tuple[TroubleMessage, ...]:
    decided = dict(state.decisions)
    gaps = tuple(TroubleMessage(kind="gap", rider=gap.rider, since_ms=gap.since_ms, decided="") for gap in state.gaps)
    adrift = tuple(
        TroubleMessage(
            kind="adrift",
            rider=member.rider,
            since_ms=adrift_since.get(member.rider, state.settled_ms),
            decided=decided[member.rider].value if member.rider in decided else "",
        )
        for member in state.line.apart
        if member.place is Place.ADRIFT
    )
    return gaps + adrift

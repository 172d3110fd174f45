"""A rehearsal on virtual time: the race and its simulated riders, from the countdown to the finish, without waiting.

Must not know how riders ride nor how a race is called; it only carries facts and cues between the two.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

from caller import race
from caller.course import Course
from caller.cues import Cue, CueKind
from caller.errors import RequestRefused
from caller.facts import Entry, Fact, RaceFinished, RaceOpened, StartSet, SwungOff
from caller.log import KINDS
from caller.plan import Plan, RaceRules
from caller.rehearsal.scenario import Scenario
from caller.rehearsal.team import DIRECTOR, SimulatedTeam
from caller.rehearsal.transcript import Line, cue_line, written_out
from caller.riders import Roster
from caller.speech.told import says
from caller.units import LOBBY_MS, RiderId, clock_text, ms_from_s, s_from_ms

__all__ = ["OrderChange", "Planner", "Result", "Score", "run_fast"]

Planner = Callable[[Course, Roster, RaceRules], Plan]

_TAGS = {kind: tag for tag, kind in KINDS.items()}

_HEEDED_WITHIN_MS = 3_000


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderChange:
    """Something seen was accepted as another order of the line than it was believed to be."""

    at_ms: int
    before: tuple[RiderId, ...]
    after: tuple[RiderId, ...]
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """A first, plain measure of a rehearsal; it judges the calling, not the legs.

    Attributes:
        against_plan_s: finish less what the plan expected; None if the race didn't end.
        cues_told: how many cues became fixed.
        cues_too_late: of them, those that became fixed only after they were due.
        switches_unheeded: switches called after which the one named wasn't seen to swing off within 3 s.
        requests_refused: requests of the director that could not be met.
    """

    against_plan_s: float | None
    cues_told: int
    cues_too_late: int
    switches_unheeded: int
    requests_refused: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """A rehearsal, over.

    Attributes:
        finish_s: when the counted rider crossed the line; None if that never happened.
        ended: the race's own result; None as finish_s.
        plan: what the riders were briefed on.
        cues: all that was told, in the order in which it became fixed.
        entries: the log; a replay of it leads to the same race.
        order_changes: whenever something seen was accepted as a new order.
        score: see Score.
        transcript: all of it to read, see transcript.
    """

    finish_s: float | None
    ended: race.Result | None
    plan: Plan
    cues: tuple[Cue, ...]
    entries: tuple[Entry, ...]
    order_changes: tuple[OrderChange, ...]
    score: Score
    transcript: str


@dataclass(slots=True)
class _Run:
    """What a run gathers on its way."""

    scenario: Scenario
    team: SimulatedTeam
    state: race.RaceState
    language: str
    entries: list[Entry]
    cues: list[Cue] = field(default_factory=list)
    fixed_ms: list[int] = field(default_factory=list)
    changes: list[OrderChange] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)
    refused: int = 0

    def take(self, at_ms: int, by: str, fact: Fact) -> None:
        """A fact: to the race, and what became fixed by it to the riders."""
        entry = Entry(seq=len(self.entries) + 1, at_ms=at_ms, by=by, fact=fact)
        kind = _TAGS[type(entry.fact)]
        said = says(entry.fact, self.state.setup.roster)
        # First what time alone brings, so that a change seen now is the fact's.
        self.advance(at_ms)
        try:
            state, fixed = race.take(self.state, entry)
        except RequestRefused as refused:
            self.refused += 1
            self.lines.append(Line(at_ms=at_ms, sort="refused", kind=kind, to=by, words=str(refused)))
            return
        self.entries.append(entry)
        self.lines.append(Line(at_ms=at_ms, sort="fact", kind=kind, to=by, words=said))
        news = state.news
        if news is not None and news.seq == entry.seq:
            self._order_changed(at_ms, self.state.line.order, news.order, news.because)
        self._go_on(state, fixed)

    def advance(self, at_ms: int) -> None:
        """Nothing is seen until then."""
        state, fixed = race.advance(self.state, at_ms)
        self._go_on(state, fixed)

    def _order_changed(self, at_ms: int, before: tuple[RiderId, ...], after: tuple[RiderId, ...], because: str) -> None:
        self.changes.append(OrderChange(at_ms=at_ms, before=before, after=after, because=because))
        names = ", ".join(self.scenario.roster[rider].name for rider in after)
        self.lines.append(Line(at_ms=at_ms, sort="order", kind="", to="", words=names, because=because))

    def _go_on(self, state: race.RaceState, fixed: tuple[Cue, ...]) -> None:
        self.state = state
        for cue in fixed:
            self.cues.append(cue)
            self.fixed_ms.append(state.now_ms)
            self.team.hear(cue)


def run_fast(
    scenario: Scenario,
    *,
    seed: int | None = None,
    planner: Planner | None = None,
    language: str = "en",
    title: str = "",
) -> Result:
    """Ride a scenario to its end on virtual time. Same scenario, planner and seed: the same bytes.

    Args:
        scenario: what to ride.
        seed: of all chance; None takes the scenario's.
        planner: makes the plan; the steady one if none is given.
        language: of the words in the transcript.
        title: how the transcript names the scenario; its title if empty.
    Raises: NoPlan, PlanRefused: the planner finds none, or one that doesn't fit.
    """
    if planner is None:
        # Here and not above: whoever only reads scenarios, as the server at its start, need not wait for the arrays.
        from caller.planner import steady_plan

        planner = steady_plan
    plan = planner(scenario.course, scenario.roster, scenario.rules)
    seed = scenario.seed if seed is None else seed
    opened = RaceOpened(
        name=scenario.title, course=scenario.course, roster=scenario.roster, rules=scenario.rules, plan=plan
    )
    first = Entry(seq=1, at_ms=LOBBY_MS, by=DIRECTOR, fact=opened)
    team = SimulatedTeam(scenario, plan, seed)
    run = _Run(scenario=scenario, team=team, state=race.start(first), language=language, entries=[first])
    run.take(-ms_from_s(scenario.countdown_s), DIRECTOR, StartSet(countdown_ms=ms_from_s(scenario.countdown_s)))
    wake_ms = race.next_wake(run.state)
    # Between two wakes nothing happens to the race without a fact, so only the riders are asked.
    while run.state.phase is not race.Phase.OVER and team.next_ms is not None:
        at_ms = team.next_ms if wake_ms is None else min(team.next_ms, wake_ms)
        seen = team.facts_until(at_ms)
        for seen_ms, by, fact in seen:
            run.take(seen_ms, by, fact)
        if wake_ms is not None and at_ms >= wake_ms:
            run.advance(at_ms)
        elif not seen:
            continue
        wake_ms = race.next_wake(run.state)
    return _result(run, plan, seed, title or scenario.title)


def _result(run: _Run, plan: Plan, seed: int, title: str) -> Result:
    finished = [entry.at_ms for entry in run.entries if isinstance(entry.fact, RaceFinished)]
    finish_s = s_from_ms(finished[0]) if finished else None
    score = Score(
        against_plan_s=None if finish_s is None else round(finish_s - plan.finish_s, 3),
        cues_told=len(run.cues),
        cues_too_late=sum(fixed > cue.due_ms for fixed, cue in zip(run.fixed_ms, run.cues, strict=True)),
        switches_unheeded=_unheeded(run.cues, run.entries),
        requests_refused=run.refused,
    )
    riders = run.scenario.roster.riders
    names = {rider.id: rider.name for rider in riders}
    spoken = {rider.id: rider.spoken for rider in riders}
    # A cue still to come when the race is over is never heard.
    end_ms = run.state.now_ms
    heard = [cue_line(cue, names, spoken, run.language) for cue in run.cues if cue.due_ms <= end_ms]
    ended = race.result(run.state)
    head = [
        f"{title}, seed {seed}",
        f"plan {plan.method}: {clock_text(ms_from_s(plan.finish_s))} for {plan.length_m / 1000:.2f} km, order "
        + ", ".join(names[rider] for rider in plan.order),
        f"finish: {'none' if ended is None else race.result_says(ended, run.scenario.roster)}",
    ]
    return Result(
        finish_s=finish_s,
        ended=ended,
        plan=plan,
        cues=tuple(run.cues),
        entries=tuple(run.entries),
        order_changes=tuple(run.changes),
        score=score,
        transcript=written_out(head, [*run.lines, *heard]),
    )


def _unheeded(cues: list[Cue], entries: list[Entry]) -> int:
    """How many switches were called that nobody was seen to follow."""
    swings = [(entry.fact.rider, entry.at_ms) for entry in entries if isinstance(entry.fact, SwungOff)]
    end_ms = entries[-1].at_ms
    return sum(
        cue.kind in (CueKind.SWITCH, CueKind.OFF_NOW)
        and cue.due_ms + _HEEDED_WITHIN_MS <= end_ms
        and not any(rider == cue.rider and 0 <= at_ms - cue.due_ms <= _HEEDED_WITHIN_MS for rider, at_ms in swings)
        for cue in cues
    )

"""Simulated riders: they hear cues, ride by the physics, do what the script says, and are seen.

What is seen comes out as facts, as sensors and a director's taps would tell it. A team is told the time and never asks
for it; it advances in steps of its own, so that looking more often changes nothing. Must not know the state of the
race: like people, it knows the plan and what it is told.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from heapq import heappop, heappush
from random import Random
from types import MappingProxyType
from typing import assert_never

from caller.cues import Cue, CueKind
from caller.facts import (
    CallAloud,
    CameThrough,
    CutTurn,
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
    RaceFinished,
    RejoinedAt,
    Resume,
    Retired,
    SayAloud,
    ShortenTurn,
    SwungOff,
    Undo,
    WaitFor,
)
from caller.physics import road_power_w
from caller.plan import Plan, StretchRule, rule_at
from caller.rehearsal import scenario as script
from caller.rehearsal.body import Body, Road, body_of
from caller.rehearsal.peloton import Arrival, Peloton
from caller.rehearsal.scenario import Event, Scenario
from caller.rotation import Place
from caller.units import RiderId, ms_from_s

__all__ = ["DIRECTOR", "HEEDED", "STEP_MS", "Seen", "SimulatedTeam"]

STEP_MS = 100
"""One step of the riders' physics. A line's speed changes over tens of seconds; a tenth is fine enough."""

DIRECTOR = "director"
"""Who a director's taps come from."""

Seen = tuple[int, str, Fact]
"""(at_ms, by, fact): an entry without its number."""

_STEP_S = STEP_MS / 1000
_LOOK_MS = 2 * STEP_MS
"""How often a team wants to be asked. A cue is fixed 0.2 s or more before it is due, and nobody reacts in less than
0.2 s, so at this pace no cue comes too late to be heard."""

_LEAST_REACTION_S = 0.2
_SCREEN_LATER_S = 1.5
"""How much later a cue is seen on the screen whose word was missed. Our assumption."""

_TAP_MS = 700
"""From seeing something to the tap. Our assumption."""

_LOSS_SEEN_MS = 2_000
_GAP_SEEN_M = 2.0
_GAP_CLOSED_M = 0.3
_HEREABOUTS_M = 500.0
_START_W = 1.5
"""Over the power called, until the line has its speed: from a standstill nobody holds back. Our assumption."""

_WAITING = 0.72
_EASED, _EASED_MS = 0.92, 10_000
_LIFTED, _LIFTED_MS = 1.05, 60_000
_ALL_IN_MOST = 1.25
_CHASES, _CHASES_WAITED_FOR = 0.97, 1.15
_NOISE_MEMORY = 0.98


@dataclass(slots=True)
class _Intent:
    """What one rider has in mind, beside keeping the wheel.

    Attributes:
        hold: the power told and the name of the stretch it was told for.
        stays_on_ms: swings off so much later than called, once.
        own_swing_ms: swings off then, whatever is called.
        gap_until_ms: then closes a gap unasked.
        gap_told: the gap was seen.
        lost_ms: when the wheel was lost.
        pace: over the power called.
        pace_until_ms: until when.
    """

    hold: tuple[int, str] | None = None
    stays_on_ms: int = 0
    own_swing_ms: int | None = None
    gap_until_ms: int = 0
    gap_told: bool = False
    lost_ms: int = 0
    pace: float = 1.0
    pace_until_ms: int = 0


@dataclass(slots=True, order=True)
class _Due:
    at_ms: int
    number: int
    act: Callable[[], None] = field(compare=False)


@dataclass(slots=True, order=True)
class _Told:
    at_ms: int
    number: int
    by: str = field(compare=False)
    fact: Fact = field(compare=False)


class SimulatedTeam:
    """The riders of a scenario, from the start line to the finish.

    Args:
        scenario: riders, course, script.
        plan: what they were briefed on.
        seed: of all chance; None takes the scenario's.
    """

    def __init__(self, scenario: Scenario, plan: Plan, seed: int | None = None) -> None:
        self._scenario = scenario
        self._plan = plan
        self._seed = scenario.seed if seed is None else seed
        self._random = Random(f"{self._seed}")
        self._road = Road.of(scenario.course, scenario.rules)
        self._bodies = {
            rider.id: body_of(rider, scenario.day_of(rider.id), scenario.rules) for rider in scenario.roster.riders
        }
        self._intents = {rider: _Intent() for rider in self._bodies}
        self._peloton = Peloton([self._bodies[rider] for rider in plan.order], self._road, plan, scenario.rules)
        self._now_ms = 0
        self._started = False
        self._stopping = False
        self._over = False
        self._all_in = False
        self._waits_for: RiderId | None = None
        self._bunch_next = False
        self._turns_over = 0
        self._noise_w = 0.0
        self._crossed = 0
        self._numbers = 0
        self._acts: list[_Due] = []
        self._told: list[_Told] = []
        self._seen: list[Seen] = []
        self._script = list(scenario.events)
        self._armed: list[Event] = []
        self._directed = True
        self._unheard_ms: dict[str, int] = {}
        self._late_taps: dict[str, float] = {}
        self._landmarks = list(scenario.course.landmarks)
        # The riders see the start clock too: without a word they go two seconds late.
        self._later(2_000, self._start)

    # What drivers use

    @property
    def next_ms(self) -> int | None:
        """When the team next wants to be asked for facts, on the race clock; None while nothing will come.

        That is for good once it is over; a line that was told to stop may still be told to go.
        """
        if self._over or self._stands:
            return self._told[0].at_ms if self._told else None
        return self._now_ms + _LOOK_MS

    @property
    def over(self) -> bool:
        """Whether nobody rides any more, whatever they are told."""
        return self._over

    @property
    def _stands(self) -> bool:
        """Whether all stand still, with nothing that would let them ride on."""
        return self._stopping and self.speed_mps == 0 and not self._acts and not self._script

    def hear(self, cue: Cue) -> None:
        """A cue that became fixed, once: its word will be heard when it is due, and acted on a reaction later."""
        act = HEEDED[cue.kind]
        if act is not None:
            for rider in _meant(cue) or tuple(self._bodies):
                self._later(cue.due_ms + self._reaction_ms(cue, rider), lambda rider=rider: act(self, cue, rider))  # type: ignore[misc]

    def facts_until(self, race_ms: int) -> tuple[Seen, ...]:
        """Ride on to an instant of the race clock, and tell what has been seen since the last call, in order."""
        while not self._over and self._now_ms + STEP_MS <= race_ms:
            self._step()
        self._see(race_ms)
        seen, self._seen = tuple(self._seen), []
        return seen

    # For the curious

    @property
    def order(self) -> tuple[RiderId, ...]:
        """Those in the wheels, front first."""
        return tuple(body.rider for body in self._line)

    @property
    def front_m(self) -> float:
        """Where the front of the line is."""
        return self._peloton.front_m

    @property
    def speed_mps(self) -> float:
        """How fast the line is."""
        return self._peloton.speed_mps

    def reserve_j(self, rider: RiderId) -> float:
        """What a rider really has left."""
        return self._bodies[rider].reserve_j

    def power_w(self, rider: RiderId) -> float:
        """What a rider gives, as of the last step."""
        return self._bodies[rider].power_w

    def at_m(self, rider: RiderId) -> float:
        """Where a rider's front wheel is, from the start."""
        return self._bodies[rider].at_m

    def place(self, rider: RiderId) -> Place:
        """Where a rider really is."""
        return self._bodies[rider].place

    # One step

    def _step(self) -> None:
        while self._acts and self._acts[0].at_ms <= self._now_ms:
            heappop(self._acts).act()
        self._follow_script()
        if self._started and self._line:
            self._ride()
        self._now_ms += STEP_MS
        self._watch()
        self._see(self._now_ms)

    def _see(self, until_ms: int) -> None:
        """What was told of by then is seen. A slot is named as it is at the tap, not as it was when looked at."""
        while self._told and self._told[0].at_ms <= until_ms:
            told = heappop(self._told)
            fact = told.fact
            if isinstance(fact, RejoinedAt) and fact.rider in self.order:
                fact = RejoinedAt(rider=fact.rider, slot=self.order.index(fact.rider))
            by = self._teller(told.by, fact)
            if by and told.at_ms >= self._unheard_ms.get(by, told.at_ms):
                self._seen.append((told.at_ms, by, fact))

    def _teller(self, by: str, fact: Fact) -> str:
        """Who tells it: where nobody directs, riders tell of themselves, and of the rest there is no news (empty)."""
        if self._directed or by.startswith("rider:"):
            return by
        own = isinstance(fact, CameThrough | LostWheel | RejoinedAt | Retired | RaceFinished) and fact.rider
        return f"rider:{own}" if own else ""

    def _ride(self) -> None:
        self._noise_w = _NOISE_MEMORY * self._noise_w + (1 - _NOISE_MEMORY**2) ** 0.5 * self._random.gauss(
            0, self._scenario.people.noise_w
        )
        leading_w = None if self._stopping else self._leading_power_w(self._line[0])
        for body in self._line[1:]:
            if body.wanted_gap_m and self._now_ms >= self._intents[body.rider].gap_until_ms:
                body.wanted_gap_m = 0.0
        for body in self._bodies.values():
            if body.place is Place.ADRIFT:
                has_more = self._waits_for == body.rider and body.reserve_j > 0.25 * body.w_prime_j
                body.chase = _CHASES_WAITED_FOR if has_more else _CHASES
        for arrival in self._peloton.ride(leading_w, self._now_ms, _STEP_S):
            self._join(arrival)
        for body in self._peloton.spent():
            self._lose(body, script.LosesWheel(rider=body.rider))

    def _leading_power_w(self, body: Body) -> float:
        """What the leader really rides: what was called, on this day, with the legs' unrest."""
        intent = self._intents[body.rider]
        rule = rule_at(self._plan, body.at_m)
        if intent.hold is not None and intent.hold[1] == rule.name:
            called_w = float(intent.hold[0])
        else:
            called_w = self._briefed_w(body, rule)
        factor = body.day
        if self._now_ms < intent.pace_until_ms:
            factor *= intent.pace
        if self._waits_for is not None:
            factor *= _WAITING
        elif body.speed_mps < 0.9 * rule.speed_mps and self._now_ms < 30_000:
            factor *= _START_W
        if self._all_in:
            to_go_s = max(15.0, (self._scenario.course.length_m - body.at_m) / max(body.speed_mps, 1.0))
            spare_w = body.critical_power_w + 0.8 * max(0.0, body.reserve_j) / to_go_s
            return max(called_w * factor, min(_ALL_IN_MOST * called_w, spare_w)) + self._noise_w
        return max(0.0, called_w * factor + self._noise_w)

    def _briefed_w(self, body: Body, rule: StretchRule) -> float:
        """The plan's power here; for a rider without a turn here, about what holds the line's speed."""
        turn = rule.turn_of(body.rider)
        if turn is not None and turn.power_w > 0:
            return turn.power_w
        needed_w = road_power_w(
            speed_mps=rule.speed_mps,
            grade=(self._grade(rule)),
            mass_kg=body.mass_kg,
            drag_area_m2=body.drag_area_m2,
            density_kg_m3=self._road.density_kg_m3,
            wind_mps=self._road.wind_mps,
            rolling=self._road.rolling,
        )
        return min(1.1 * body.critical_power_w, max(0.3 * body.critical_power_w, needed_w))

    def _grade(self, rule: StretchRule) -> float:
        heights = self._scenario.course.height_m
        step_m = self._scenario.course.step_m
        first, last = int(rule.start_m / step_m), min(len(heights) - 1, round(rule.end_m / step_m))
        return (heights[last] - heights[first]) / max(step_m, (last - first) * step_m)

    # Moves

    def _start(self) -> None:
        if not self._started:
            self._started = True
            self._peloton.lead(self._now_ms)

    def _swing_off(self) -> None:
        leader = self._peloton.swing_off(self._now_ms)
        intent = self._intents[leader.rider]
        intent.hold = intent.own_swing_ms = None
        intent.pace_until_ms = intent.stays_on_ms = 0
        self._turns_over += 1
        self._tell(0, f"rider:{leader.rider}", SwungOff(rider=leader.rider))
        if self._bunch_next:
            self._bunch_next, self._peloton.bunching = False, True
            self._tell(2 * _TAP_MS, DIRECTOR, LineBunched())

    def _join(self, arrival: Arrival) -> None:
        rider, slot = arrival.body.rider, self._peloton.slot_for(arrival.body)
        self._peloton.join(arrival.body, slot)
        if self._waits_for == rider:
            self._waits_for = None
        if not arrival.as_briefed:
            self._tell(_TAP_MS, DIRECTOR, RejoinedAt(rider=rider, slot=slot))
        elif self._somebody_only_follows():
            # Which wheel is the last of those who lead is a matter of a few metres here: so the slot is named.
            self._tell(0, f"rider:{rider}", RejoinedAt(rider=rider, slot=slot))
        else:
            self._tell(0, f"rider:{rider}", LatchedOn(rider=rider))

    def _somebody_only_follows(self) -> bool:
        """Whether the plan has anybody in the line only follow, hereabouts."""
        rules = {rule_at(self._plan, self.front_m + off_m) for off_m in (-_HEREABOUTS_M, 0.0, _HEREABOUTS_M)}
        turns = [rule.turn_of(body.rider) for rule in rules for body in self._line]
        return any(turn is None or turn.length_s == 0 for turn in turns)

    def _leave(self, body: Body, place: Place) -> None:
        if self._peloton.leave(body, place, self._now_ms):
            self._turns_over += 1
        self._over = self._over or not self._line

    def _lose(self, body: Body, how: script.LosesWheel) -> None:
        self._leave(body, Place.ADRIFT)
        body.wanted_slot = how.slot
        body.back_at_ms = None if how.back_after_s is None else self._now_ms + ms_from_s(how.back_after_s)
        self._intents[body.rider].lost_ms = self._now_ms
        self._tell(_LOSS_SEEN_MS, DIRECTOR, LostWheel(rider=body.rider))

    def _split(self, how: script.Splits) -> bool:
        """All from this rider back lose the wheel at once, and are seen to as one."""
        slot = self.order.index(how.rider)
        for body in self._line[slot:]:
            self._leave(body, Place.ADRIFT)
            body.wanted_slot = None
            body.back_at_ms = self._now_ms + ms_from_s(how.back_after_s)
            self._intents[body.rider].lost_ms = self._now_ms
        self._tell(_LOSS_SEEN_MS, DIRECTOR, OrderSeen(order=self.order))
        return True

    def _retire(self, body: Body, by: str = DIRECTOR) -> None:
        if body in self._line:
            self._leave(body, Place.OUT)
        body.place = Place.OUT
        if self._waits_for == body.rider:
            self._waits_for = None
        self._tell(_TAP_MS, by, Retired(rider=body.rider))

    # What is seen of where they are

    def _watch(self) -> None:
        for body in self._line[1:]:
            self._watch_gap(body)
        while self._landmarks and self._reaches(self._line[0] if self._line else None, self._landmarks[0].at_m):
            landmark = self._landmarks.pop(0)
            delay_ms = ms_from_s(self._late_taps.get(landmark.name, 0.0))
            passed_ms = self._now_ms + self._until_ms(self._line[0], landmark.at_m)
            self._tell_at(passed_ms + delay_ms, DIRECTOR, LandmarkPassed(at_m=landmark.at_m))
        self._watch_finish()
        if self._now_ms > ms_from_s(3 * self._plan.finish_s) + 600_000:
            self._over = True  # whatever holds them up, a rehearsal ends

    def _watch_gap(self, body: Body) -> None:
        intent = self._intents[body.rider]
        if body.wanted_gap_m and body.gap_m >= _GAP_SEEN_M and not intent.gap_told:
            intent.gap_told = True
            self._tell(_TAP_MS, DIRECTOR, GapOpened(rider=body.rider))
        elif intent.gap_told and body.gap_m <= _GAP_CLOSED_M:
            intent.gap_told = False
            self._tell(_TAP_MS, DIRECTOR, GapClosed(rider=body.rider))

    def _watch_finish(self) -> None:
        length_m = self._scenario.course.length_m
        for body in sorted(self._bodies.values(), key=lambda body: -body.at_m):
            if not body.crossed and body.place is not Place.OUT and self._reaches(body, length_m):
                body.crossed = True
                self._crossed += 1
                if self._crossed == self._scenario.rules.counted:
                    crossed_ms = self._now_ms + self._until_ms(body, length_m)
                    self._tell_at(crossed_ms, DIRECTOR, RaceFinished(rider=body.rider))
                    self._over = True
        if all(body.crossed or body.place is Place.OUT for body in self._bodies.values()):
            self._over = True

    @staticmethod
    def _reaches(body: Body | None, at_m: float) -> bool:
        """Whether a rider is there within the next step: then the very instant can be told ahead."""
        return body is not None and body.at_m + body.speed_mps * _STEP_S >= at_m

    @staticmethod
    def _until_ms(body: Body, at_m: float) -> int:
        return max(0, ms_from_s((at_m - body.at_m) / body.speed_mps)) if body.speed_mps > 0 else 0

    # The script

    def _follow_script(self) -> None:
        if self._script:
            come = [event for event in self._script if self._has_come(event)]
            for event in come:
                self._script.remove(event)
                self._armed.append(event)
        if self._armed:
            self._armed = [event for event in self._armed if not self._happens(event.what, event.by or DIRECTOR)]
        for body in self._line[:1]:
            swing_ms = self._intents[body.rider].own_swing_ms
            if swing_ms is not None and self._now_ms >= swing_ms and len(self._line) > 1:
                self._swing_off()

    def _has_come(self, event: Event) -> bool:
        match event.when:
            case script.AtTime(at_s=at_s):
                return self._now_ms >= ms_from_s(at_s)
            case script.AtPlace(at_m=at_m):
                return self.front_m >= at_m
            case script.OnTurn(rider=rider, turn=turn, after_s=after_s):
                body = self._bodies[rider]
                ridden_ms = self._now_ms - body.turn_began_ms
                return body.turns > turn or (body.turns == turn and ridden_ms >= ms_from_s(after_s))
            case script.AfterTurns(turns=turns):
                return self._turns_over >= turns
            case _:
                assert_never(event.when)

    def _happens(self, what: script.Happening, by: str) -> bool:
        """Let it happen if the rider's place allows it now; False to try again at the next step."""
        match what:
            case script.RejoinsEarly():
                return self._may(what.rider, Place.DRIFTING) and self._meant_slot(what)
            case script.StaysOn():
                return self._may(what.rider, Place.LEADING) and self._stay(what)
            case script.LosesWheel():
                return self._may(what.rider, Place.FOLLOWING) and self._fall_off(what)
            case script.OpensGap():
                return self._may(what.rider, Place.FOLLOWING) and self._open_gap(what)
            case script.Surges():
                return self._may(what.rider, Place.LEADING) and self._surge(what)
            case script.Retires():
                self._retire(self._bodies[what.rider])
            case script.MustStop():
                self._retire(self._bodies[what.rider], f"rider:{what.rider}")
            case script.AsksLonger():
                if not self._may(what.rider, Place.LEADING):
                    return False
                self._tell(0, f"rider:{what.rider}", LengthenTurn(by_ms=ms_from_s(what.by_s), rider=what.rider))
            case script.SwingsOffEarly():
                if not self._may(what.rider, Place.LEADING) or len(self._line) < 2:
                    return False
                self._swing_off()
            case script.ComesThrough():
                if not self._may(what.rider, Place.FOLLOWING):
                    return False
                self._peloton.pass_to_front(self._bodies[what.rider], self._now_ms)
                self._tell(2 * _TAP_MS, DIRECTOR, CameThrough(rider=what.rider))
            case script.Swaps():
                if not all(self._may(rider, Place.FOLLOWING) for rider in (what.rider, what.other)):
                    return False
                self._peloton.swap(self._bodies[what.rider], self._bodies[what.other])
                self._tell(2 * _TAP_MS, DIRECTOR, OrderSeen(order=self.order))
            case script.Splits():
                return self._may(what.rider, Place.FOLLOWING) and self._split(what)
            case script.LosesConnection():
                self._unheard_ms[f"rider:{what.rider}"] = self._now_ms + ms_from_s(what.for_s)
            case script.DirectorLeaves():
                self._directed = False
            case script.DirectorReturns():
                self._directed = True
            case script.DirectorSeesOrder():
                self._tell(0, by, OrderSeen(order=what.order))
            case script.DirectorTapsLandmark():
                marks = {mark.name: mark.at_m for mark in self._scenario.course.landmarks}
                self._tell(0, by, LandmarkPassed(at_m=marks[what.landmark]))
            case script.Bunching():
                self._bunch_next = True
            case script.LandmarkTappedLate():
                self._late_taps[what.landmark] = what.late_s
            case script.FeelsGood():
                self._tell(0, f"rider:{what.rider}", FeltGood(rider=what.rider))
            case script.FeelsEmpty():
                self._tell(0, f"rider:{what.rider}", FeltEmpty(rider=what.rider))
            case script.DirectorLengthens():
                self._tell(0, by, LengthenTurn(by_ms=ms_from_s(what.by_s)))
            case script.DirectorShortens():
                self._tell(0, by, ShortenTurn(by_ms=ms_from_s(what.by_s)))
            case script.DirectorCuts():
                self._tell(0, by, CutTurn())
            case script.DirectorWaits():
                return self._known_adrift(what.rider) and self._tell(0, by, WaitFor(rider=what.rider))
            case script.DirectorGoes():
                return self._known_adrift(what.rider) and self._tell(0, by, GoWithout(rider=what.rider))
            case script.DirectorResumes():
                self._tell(0, by, Resume())
            case script.DirectorUndoes():
                self._tell(0, by, Undo())
            case script.DirectorCalls():
                self._tell(0, by, CallAloud(aloud=what.aloud, rider=what.rider))
            case script.DirectorSays():
                self._tell(0, by, SayAloud(text=what.text, rider=what.rider))
            case _:
                assert_never(what)
        return True

    def _may(self, rider: RiderId, place: Place) -> bool:
        return self._started and self._bodies[rider].place is place

    def _known_adrift(self, rider: RiderId) -> bool:
        lost_ms = self._intents[rider].lost_ms
        return self._bodies[rider].place is Place.ADRIFT and self._now_ms >= lost_ms + _LOSS_SEEN_MS + _TAP_MS

    def _meant_slot(self, what: script.RejoinsEarly) -> bool:
        self._bodies[what.rider].wanted_slot = what.slot
        return True

    def _stay(self, what: script.StaysOn) -> bool:
        self._intents[what.rider].stays_on_ms = ms_from_s(what.by_s)
        return True

    def _fall_off(self, what: script.LosesWheel) -> bool:
        self._lose(self._bodies[what.rider], what)
        return True

    def _open_gap(self, what: script.OpensGap) -> bool:
        self._bodies[what.rider].wanted_gap_m = what.gap_m
        self._intents[what.rider].gap_until_ms = self._now_ms + ms_from_s(what.unasked_after_s)
        return True

    def _surge(self, what: script.Surges) -> bool:
        intent = self._intents[what.rider]
        intent.pace, intent.pace_until_ms = what.factor, self._now_ms + ms_from_s(what.for_s)
        self._tell(4 * _TAP_MS, DIRECTOR, LineSurged())
        return True

    # Cues heeded

    def _on_start(self, cue: Cue, rider: RiderId) -> None:
        """The gun, or the go after a stop."""
        self._stopping = False
        self._start()

    def _on_switch(self, cue: Cue, rider: RiderId) -> None:
        """The one named swings off, if leading; whoever isn't on the front can't."""
        if len(self._line) < 2 or self._line[0].rider != rider:
            return
        intent = self._intents[rider]
        if intent.own_swing_ms is not None:
            return
        if intent.stays_on_ms:
            intent.own_swing_ms = self._now_ms + intent.stays_on_ms
            self._tell(2 * _TAP_MS, DIRECTOR, CameThrough(rider=rider))
            return
        self._swing_off()

    def _on_rested(self, cue: Cue, rider: RiderId) -> None:
        """Whoever hogs the front makes way when told that the others are rested."""
        if len(self._line) > 1 and self._line[0].rider == rider:
            self._swing_off()

    def _on_hold(self, cue: Cue, rider: RiderId) -> None:
        if cue.power_w is not None:
            self._intents[rider].hold = (cue.power_w, rule_at(self._plan, self._bodies[rider].at_m).name)

    def _on_latch(self, cue: Cue, rider: RiderId) -> None:
        """Accelerate at the word."""
        if self._line:
            self._peloton.latch(self._bodies[rider])

    def _on_close_gap(self, cue: Cue, rider: RiderId) -> None:
        self._bodies[rider].wanted_gap_m = 0.0

    def _on_ease(self, cue: Cue, rider: RiderId) -> None:
        if self._bodies[rider].place is Place.LEADING:
            intent = self._intents[rider]
            intent.pace, intent.pace_until_ms = _EASED, self._now_ms + _EASED_MS

    def _on_lift(self, cue: Cue, rider: RiderId) -> None:
        if self._bodies[rider].place is Place.LEADING:
            intent = self._intents[rider]
            intent.pace, intent.pace_until_ms = _LIFTED, self._now_ms + _LIFTED_MS

    def _on_press_on(self, cue: Cue, rider: RiderId) -> None:
        self._peloton.bunching = False

    def _on_wait(self, cue: Cue, rider: RiderId) -> None:
        if cue.rider is not None and self._bodies[cue.rider].place is Place.ADRIFT:
            self._waits_for = cue.rider

    def _on_go(self, cue: Cue, rider: RiderId) -> None:
        self._waits_for = None

    def _on_all_in(self, cue: Cue, rider: RiderId) -> None:
        self._all_in = True

    def _on_stop(self, cue: Cue, rider: RiderId) -> None:
        """One rider told to stop is out; the line told to stop stands still."""
        if cue.rider is None:
            self._stopping = True
        elif self._bodies[cue.rider].place is not Place.OUT:
            self._retire(self._bodies[cue.rider])

    # Small change

    @property
    def _line(self) -> list[Body]:
        return self._peloton.line

    def _reaction_ms(self, cue: Cue, rider: RiderId) -> int:
        """From the key word to the first movement; by the cue's and the rider's name, so that order doesn't matter."""
        people = self._scenario.people
        chance = Random(f"{self._seed}/{cue.id}/{rider}")
        seconds = max(_LEAST_REACTION_S, chance.gauss(people.reaction_s, people.reaction_spread_s))
        if chance.random() < people.misses:
            seconds += _SCREEN_LATER_S
        return ms_from_s(seconds)

    def _later(self, at_ms: int, act: Callable[[], None]) -> None:
        self._numbers += 1
        heappush(self._acts, _Due(at_ms, self._numbers, act))

    def _tell(self, delay_ms: int, by: str, fact: Fact) -> bool:
        """Let it be seen so long after this step; True, for use in a condition."""
        return self._tell_at(self._now_ms + STEP_MS + delay_ms, by, fact)

    def _tell_at(self, at_ms: int, by: str, fact: Fact) -> bool:
        self._numbers += 1
        heappush(self._told, _Told(at_ms, self._numbers, by, fact))
        return True


def _meant(cue: Cue) -> tuple[RiderId, ...]:
    """Who acts on it: the one named, else those it is for; nobody named means everyone."""
    return (cue.rider,) if cue.rider is not None else cue.to


Act = Callable[[SimulatedTeam, Cue, RiderId], None]

HEEDED: MappingProxyType[CueKind, Act | None] = MappingProxyType(
    {
        CueKind.START: SimulatedTeam._on_start,
        CueKind.SWITCH: SimulatedTeam._on_switch,
        CueKind.OFF_NOW: SimulatedTeam._on_switch,
        CueKind.RESTED: SimulatedTeam._on_rested,
        CueKind.HOLD: SimulatedTeam._on_hold,
        CueKind.LATCH_ON: SimulatedTeam._on_latch,
        CueKind.CLOSE_GAP: SimulatedTeam._on_close_gap,
        CueKind.EASE: SimulatedTeam._on_ease,
        CueKind.LIFT: SimulatedTeam._on_lift,
        CueKind.PRESS_ON: SimulatedTeam._on_press_on,
        CueKind.WAIT: SimulatedTeam._on_wait,
        CueKind.GO: SimulatedTeam._on_go,
        CueKind.ALL_IN: SimulatedTeam._on_all_in,
        CueKind.STOP: SimulatedTeam._on_stop,
        # Good to know, nothing to do yet.
        CueKind.START_COUNT: None,
        CueKind.STAND_BY: None,
        CueKind.STAY_ON: None,
        CueKind.NEW_ORDER: None,
        CueKind.TERRAIN: None,
        CueKind.SAY: None,
        CueKind.ADRIFT: None,
        CueKind.OUT: None,
        CueKind.TIME: None,
        CueKind.SPEND: None,
    }
)
"""What riders do at each cue; None is a cue that only tells. One row a kind, checked by a test."""

"""The riders on the road, to the metre: the line, those who drift beside it, those adrift; who moves where in a step.

Rule of this file: it obeys. What a rider wants stands in the rider's Body; why, and what is seen or told, is the
team's business. Must not know cues, facts or scripts.
"""

from dataclasses import dataclass

from caller.physics import BIKE_SPACING_M, shelter_shares
from caller.plan import Plan, RaceRules, rule_at
from caller.rehearsal.body import Body, Road
from caller.rotation import Place
from caller.units import s_from_ms

__all__ = ["Arrival", "Peloton"]

_SHELTER_ENDS_M = 3.0
_OPENING_MPS, _CLOSING_MPS, _ROOM_MPS = 0.5, 1.0, 0.7
_FALLS_TO_M, _FALLS_MPS = 8.0, 1.5
_FASTEST_CHASE_MPS = 3.0
_BUNCHED = 0.4
_BRAKING_MPS2 = 2.5
_THERE_M = 0.05
_CREEP_MPS = 0.15


@dataclass(frozen=True, slots=True)
class Arrival:
    """A rider has reached the place where the rider goes in. ``as_briefed``: onto the last wheel of those who lead."""

    body: Body
    as_briefed: bool


class Peloton:
    """The riders of one team.

    Args:
        line: all of them, front first, on the start line.
        road: what they meet.
        plan: what they were briefed on: who only follows where.
        rules: shelter, closing speed, acceleration onto the wheel.
    """

    def __init__(self, line: list[Body], road: Road, plan: Plan, rules: RaceRules) -> None:
        self.line = line
        self.bunching = False
        self._bodies = tuple(line)
        self._road = road
        self._plan = plan
        self._rules = rules
        for slot, body in enumerate(line):
            body.at_m = -slot * BIKE_SPACING_M

    @property
    def front_m(self) -> float:
        """Where the front of the line is."""
        return self.line[0].at_m if self.line else 0.0

    @property
    def speed_mps(self) -> float:
        """How fast the line is."""
        return self.line[0].speed_mps if self.line else 0.0

    def ride(self, leading_w: float | None, now_ms: int, seconds: float) -> tuple[Arrival, ...]:
        """One step for everybody.

        Args:
            leading_w: what the leader gives, as far as the legs allow; None brakes the line to a stop.
            now_ms: when the step begins.
            seconds: how long it is.
        Returns: who got back. They are not in the line yet: ``join`` puts them there.
        """
        shares = shelter_shares(len(self.line), self._rules.shelter_efficiency, self._rules.shelter_table)
        acceleration = self._lead(self.line[0], leading_w, shares[0], seconds)
        ahead = self.line[0]
        for body, share in zip(self.line[1:], shares[1:], strict=True):
            self._follow(body, ahead, share, acceleration, seconds)
            ahead = body
        arrivals = []
        for body in self._bodies:
            if body.place in (Place.DRIFTING, Place.LATCHING):
                there = self._drift(body, seconds)
            elif body.place is Place.ADRIFT:
                there = self._chase(body, now_ms, seconds)
            else:
                continue
            if there:
                as_briefed = body.wanted_slot is None or body.wanted_slot >= len(self.line)
                arrivals.append(Arrival(body, as_briefed))
        return tuple(arrivals)

    def spent(self) -> tuple[Body, ...]:
        """Followers with nothing left whose wheel asks for more than critical power: they can't hold it."""
        if all(body.reserve_j > 0 for body in self.line[1:]):
            return ()
        shares = shelter_shares(len(self.line), self._rules.shelter_efficiency, self._rules.shelter_table)
        return tuple(
            body
            for body, share in zip(self.line[1:], shares[1:], strict=True)
            if body.reserve_j <= 0 and body.needed_w(self._road, share, 0.0) > body.critical_power_w
        )

    # Moves

    def lead(self, now_ms: int) -> None:
        """Whoever is at the front begins a turn."""
        leader = self.line[0]
        leader.place = Place.LEADING
        leader.gap_m = leader.wanted_gap_m = 0.0
        leader.turns += 1
        leader.turn_began_ms = now_ms

    def swing_off(self, now_ms: int) -> Body:
        """The leader leaves the front and drifts; the next one leads."""
        leader = self.line.pop(0)
        leader.place = Place.DRIFTING
        self.lead(now_ms)
        return leader

    def join(self, body: Body, slot: int) -> None:
        """A rider is in the line, in that slot; everybody stays where they are, and makes room from there."""
        self.line.insert(slot, body)
        body.place = Place.FOLLOWING
        body.wanted_slot = body.back_at_ms = None
        self.bunching = False
        self._settle_gaps()

    def leave(self, body: Body, place: Place, now_ms: int) -> bool:
        """A rider is in the line no more. True if that was the leader, and another one leads."""
        led = body is self.line[0]
        self.line.remove(body)
        body.place = place
        body.wanted_gap_m = 0.0
        body.fallen = False
        if not self.line:
            return False
        if led:
            self.lead(now_ms)
        self._settle_gaps()
        return led

    def pass_to_front(self, body: Body, now_ms: int) -> None:
        """A rider of the line leads, with who led on the wheel."""
        self.line[0].place = Place.FOLLOWING
        self._reorder([body, *(other for other in self.line if other is not body)])
        self.lead(now_ms)

    def swap(self, one: Body, other: Body) -> None:
        """Two riders of the line are in each other's slots."""
        self._reorder([other if body is one else one if body is other else body for body in self.line])

    def _reorder(self, line: list[Body]) -> None:
        """The line in another order, each in the place and at the speed of who was there."""
        slots = [(body.at_m, body.speed_mps) for body in self.line]
        for body, (at_m, speed_mps) in zip(line, slots, strict=True):
            body.at_m, body.speed_mps = at_m, speed_mps
        self.line[:] = line
        self._settle_gaps()

    def latch(self, body: Body) -> None:
        """Accelerate onto the wheel, unless it is plainly not there yet."""
        if body.place is Place.DRIFTING and self._room_m(body) <= self._rules.closing_mps * self._latch_s:
            body.place = Place.LATCHING

    def slot_for(self, body: Body) -> int:
        """Where a rider goes into the line: as wanted, else the last wheel ahead of those who only follow here."""
        if body.wanted_slot is not None:
            return min(body.wanted_slot, len(self.line))
        slot = len(self.line)
        if self._only_follows(body):
            return slot
        while slot > 1 and self._only_follows(self.line[slot - 1]):
            slot -= 1
        return slot

    # One step of one rider

    def _lead(self, body: Body, leading_w: float | None, share: float, seconds: float) -> float:
        if leading_w is None:
            acceleration = -_BRAKING_MPS2
            body.pay(0.0, seconds)
        else:
            power_w = min(body.most_w, leading_w)
            acceleration = body.acceleration_mps2(self._road, share, power_w)
            body.pay(power_w, seconds)
        body.move(acceleration, seconds)
        return acceleration

    def _follow(self, body: Body, ahead: Body, share: float, acceleration_mps2: float, seconds: float) -> None:
        """Keep the wheel: take its speed, and let the gap grow or shrink as wanted."""
        off_m = body.wanted_gap_m - body.gap_m
        most_mps = _ROOM_MPS if body.gap_m < 0 else _OPENING_MPS if off_m > 0 else _CLOSING_MPS
        rate_mps = min(most_mps, max(-most_mps, off_m / seconds))
        body.gap_m += rate_mps * seconds
        body.speed_mps = max(0.0, ahead.speed_mps - rate_mps)
        body.at_m = ahead.at_m - BIKE_SPACING_M - body.gap_m
        met = 1 - (1 - share) * _shelter_left(body.gap_m)
        body.pay(body.needed_w(self._road, met, acceleration_mps2), seconds)

    def _drift(self, body: Body, seconds: float) -> bool:
        """Back beside the line at the closing speed, then up onto the wheel; in the wind all the way."""
        room_m = self._room_m(body)
        closing_mps = self._rules.closing_mps * (_BUNCHED if self.bunching else 1.0)
        rise_mps2 = self._rules.closing_mps / self._latch_s
        line_mps = self.speed_mps
        if body.place is Place.DRIFTING and room_m <= (line_mps - body.speed_mps) ** 2 / (2 * rise_mps2):
            body.place = Place.LATCHING
        if body.place is Place.LATCHING:
            # Up to the line's speed, but not before the wheel is there.
            closing_mps = min(closing_mps, max(_CREEP_MPS, (2 * rise_mps2 * max(0.0, room_m)) ** 0.5))
        body.ride_towards(self._road, line_mps - closing_mps, body.most_w, seconds)
        return body.place is Place.LATCHING and self._room_m(body) <= _THERE_M

    def _chase(self, body: Body, now_ms: int, seconds: float) -> bool:
        """Off the back: fall away, then come back as wanted and as the legs allow."""
        behind_m = -self._room_m(body)
        line_mps = self.speed_mps
        if not body.fallen:
            body.ride_towards(self._road, line_mps - _FALLS_MPS, body.critical_power_w, seconds)
            body.fallen = behind_m >= _FALLS_TO_M
            return False
        if body.back_at_ms is not None:
            left_s = max(1.0, s_from_ms(body.back_at_ms - now_ms))
            closing_mps, most_w = behind_m / left_s, body.most_w
        else:
            closing_mps, most_w = 0.3 + 0.1 * max(0.0, behind_m), body.chase * body.critical_power_w
        body.ride_towards(self._road, line_mps + min(_FASTEST_CHASE_MPS, closing_mps), most_w, seconds)
        return self._room_m(body) >= -_THERE_M

    # Where things are

    @property
    def _latch_s(self) -> float:
        return max(self._rules.latch_s, 0.5)

    def _room_m(self, body: Body) -> float:
        """How far a rider beside or behind the line is ahead of the place where the rider goes in."""
        return body.at_m - (self.line[self.slot_for(body) - 1].at_m - BIKE_SPACING_M)

    def _only_follows(self, body: Body) -> bool:
        turn = rule_at(self._plan, self.front_m).turn_of(body.rider)
        return turn is None or turn.length_s == 0

    def _settle_gaps(self) -> None:
        ahead = self.line[0]
        for body in self.line[1:]:
            body.gap_m = ahead.at_m - BIKE_SPACING_M - body.at_m
            ahead = body


def _shelter_left(gap_m: float) -> float:
    """What a gap leaves of the shelter at a wheel: 1 with none, 0 from 3 m on.

    Source: Olds 1998, Eur J Appl Physiol 77:492-7, CF = 0.62 - 0.0104 d + 0.0452 d² for a gap d up to 3 m (from
    memory), as the share of the shelter without a gap. Later work finds more shelter left: this errs on the hard side.
    """
    if gap_m <= 0:
        return 1.0
    if gap_m >= _SHELTER_ENDS_M:
        return 0.0
    met = 0.62 - 0.0104 * gap_m + 0.0452 * gap_m * gap_m
    return min(1.0, (1 - met) / (1 - 0.62))

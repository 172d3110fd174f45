"""The search: speeds and turns by slope, then the rest by trial, on the simulator.

It begins with the best rides of countless short turns (``fluid``), written as turns of usual lengths, and with even
power. Then speeds and turns of any length go downhill together (``polish``), each step mended until everybody holds.
Other orders, other leaders, riders who are spent and a rule of its own for the last kilometres are tried and kept
where they win. Last, turns are rounded part by part while the rest gives way, and swept once more, step by step. The
steady ride, equal turns and even power stay in the running to the end. The number of trials is fixed by the size of
the problem, never by a clock: same input, same plan.
Must not know of the race as it runs.
"""

from bisect import bisect_right
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from caller.course import Course, Terrain
from caller.errors import NoPlan, PlanRefused
from caller.plan import Plan, RaceRules
from caller.planner.fluid import flow
from caller.planner.model import (
    DRAW_SLACK,
    FASTEST_LINE_MPS,
    Floats,
    Ground,
    Rotation,
    Team,
    cut_ground,
    finales_m,
    form_team,
    kept_j,
    lacking_j,
    longest_turns_s,
    over_draw_j,
    parted,
    power_w,
    simulate,
    speed_profile,
)
from caller.planner.polish import FIXED, STEEP, Loose, Polished, climbed, merit_s, polished, settled
from caller.planner.prices import coarse_ground
from caller.planner.proof import bound_beside_s
from caller.planner.steady import (
    Effort,
    check_counted,
    check_wishes,
    equal_turns_ride,
    speed_at_power_mps,
    steady_ride,
    turn_lengths_s,
)
from caller.planner.writing import write_plan
from caller.riders import Roster
from caller.units import RiderId

__all__ = ["FORMS", "Report", "holding", "optimise"]

FORMS: Final = ("memorable", "free")
"""memorable: one length a rider and stretch, in steps of 5 s; free: in steps of 1 s, and other ones every few km."""

Move = Callable[[Rotation], Rotation | None]
Report = Callable[[str, float], None]
"""Told what is being done, and which share of the whole is behind."""

_STEP_S: Final = 5.0
_FREE_STEP_S: Final = 1.0
_PART_M: Final = 4_000.0
"""In the free form turns may change after so much of a stretch."""
_USUAL_TURNS_S: Final = (15.0, 30.0, 60.0, 90.0)
"""Where the search begins: with the two in the middle, then beside the better of them; by what smooth rides take."""
_PAYS: Final = 1 - 2e-4
"""A rule more to remember, or a rider spent, must win so much."""
_PARTS: Final = 5
_ROUNDING_STEPS: Final = 5
_EVEN_HALVINGS: Final = 7
_GLANCES: Final = 3
_PROMISING: Final = 3
_LAST_TURNS: Final = 2
"""How closely ways to spend a rider are looked at: steps of each, how many of them further, how many last turns."""
_PIECES: Final = 150
_AGAIN: Final = 3
"""How often a move that pays is made again."""
_PLENTY: Final = 70
"""More moves than this in one round are not tried stretch by stretch, but for all stretches of a kind at once."""


def optimise(
    course: Course,
    roster: Roster,
    rules: RaceRules,
    *,
    form: str = "memorable",
    order: tuple[RiderId, ...] | None = None,
    report: Report | None = None,
    tied: frozenset[Terrain] = frozenset(),
    equal_turns: bool = False,
) -> Plan:
    """The fastest plan found, with the bound that says how much faster any plan could be.

    Args:
        form: one of FORMS.
        order: the line at the gun, if it is not to be looked for; all riders of the roster, each once.
        report: told about progress.
        tied: terrains on which each rider's turn is the same, to see what it is worth that they differ.
        equal_turns: whether all riders' turns are equally long, though not on all terrains; to see the same.
    Raises:
        RulesRefused: the time counts on more riders than there are.
        RosterRefused: as the riders are wished to lead, nobody would somewhere.
        NoPlan: somebody cannot hold the line at any pace.
        PlanRefused: an order that is not the roster's riders, each once.
        ValueError: an unknown form.
    """
    if form not in FORMS:
        raise ValueError(f"form {form!r}; expected one of {', '.join(FORMS)}")
    if order is not None and sorted(order) != sorted(roster.ids):
        found_order = ", ".join(order) or "nobody"
        raise PlanRefused("plan", "order", found_order, f"expected each of {', '.join(roster.ids)} once")
    tell = report or (lambda _what, _share: None)
    check_counted(roster, rules)
    check_wishes(course, roster, rules)
    team, ground = form_team(roster, rules), cut_ground(course, rules)
    riders = tuple(range(team.riders))
    tell("steady plan", 0.0)
    steady = steady_ride(course, roster, team, ground, riders)
    if order is not None:
        steady = _in_order(team, ground, steady, tuple(roster.ids.index(rider) for rider in order))
    equal = equal_turns_ride(course, team, ground, riders)
    tell("search", 0.1)
    freedom = _Freedom(swaps=order is None, tied=tied, equal=equal_turns)
    known = [_kept(course, team, ground, steady, freedom)]
    if equal is not None and freedom.kept(course, equal.rotation) == equal.rotation and order is None:
        known.append(equal)
    found_ride = _search(course, team, ground, known, form, tell, freedom)
    best = found_ride.effort
    tell("bound", 0.9)
    bound_s = bound_beside_s(team, ground, [turn.end_s - turn.start_s for turn in best.ride.turns[:-1]])
    tell("done", 1.0)
    return write_plan(
        method="optimised" if form == "memorable" else "optimised, free",
        course=found_ride.course,
        roster=roster,
        team=team,
        ground=found_ride.ground,
        speeds_mps=best.speeds_mps,
        rotation=best.rotation,
        ride=best.ride,
        bound_s=bound_s,
        equal_turns_s=None if equal is None else equal.ride.finish_s,
    )


def _with_lengths(rotation: Rotation, lengths_s: Floats) -> Rotation:
    """The same with these turns, (stretches, riders)."""
    return replace(rotation, lengths_s=tuple(tuple(row) for row in lengths_s.tolist()))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Freedom:
    """What the search may change: see optimise."""

    swaps: bool
    tied: frozenset[Terrain]
    equal: bool

    @property
    def ties(self) -> bool:
        """Whether some turns must stay the same."""
        return bool(self.tied) or self.equal

    def kind(self, terrain: Terrain) -> str:
        """Stretches of one kind may be ridden by the same lengths, and those of tied terrains must."""
        return "tied" if terrain in self.tied else terrain.value

    def same(self, course: Course, rotation: Rotation) -> NDArray[np.int64]:
        """(stretches, riders) numbers of turns that must stay the same; see polish.Loose."""
        count = len(rotation.lengths_s[0])
        numbers = np.arange(len(course.stretches) * count).reshape(-1, count)
        kinds = [self.kind(part.terrain) for part in course.stretches]
        for index, kind in enumerate(kinds):
            if kind == "tied" or self.equal:
                numbers[index] = numbers[kinds.index(kind)]
        if self.equal:
            numbers[:] = numbers[:, :1]
        return numbers

    def kept(self, course: Course, rotation: Rotation) -> Rotation:
        """The rotation with turns made the same where they must be: their mean over the course, in steps of 5 s."""
        if not self.ties:
            return rotation
        lengths = np.array(rotation.lengths_s)
        spans = np.array([part.length_m for part in course.stretches])
        kinds = np.array([self.kind(part.terrain) for part in course.stretches])
        if self.equal:
            leading = np.maximum((lengths > 0).sum(axis=1), 1)
            lengths = np.where(
                np.isin(np.arange(lengths.shape[1]), rotation.order), (lengths.sum(axis=1) / leading)[:, None], 0.0
            )
        for kind in dict.fromkeys(kinds.tolist()):
            here = kinds == kind
            if kind == "tied" or self.equal:
                lengths[here] = np.average(lengths[here], axis=0, weights=spans[here])
        rounded = np.round(lengths / 5) * 5
        rounded[~rounded.any(axis=1)] = np.where(lengths > 0, 5.0, 0.0)[~rounded.any(axis=1)]
        return _with_lengths(rotation, rounded)


def _in_order(team: Team, ground: Ground, effort: Effort, order: tuple[int, ...]) -> Effort:
    """The same ride in another order, slowed down until it holds."""
    rotation = replace(effort.rotation, order=order)
    again = held(team, ground, effort.speeds_mps, rotation)
    if again is not None:
        return again
    return Effort(
        speeds_mps=effort.speeds_mps, rotation=rotation, ride=simulate(team, ground, effort.speeds_mps, rotation)
    )


def held(team: Team, ground: Ground, speeds: Floats, rotation: Rotation, halvings: int = 9) -> Effort | None:
    """The same ride slowed down everywhere, or sped up, until everybody just holds; None if that is too slow by far."""

    def at(factor: float) -> Effort:
        scaled = np.minimum(speeds * factor, FASTEST_LINE_MPS)
        return Effort(speeds_mps=scaled, rotation=rotation, ride=simulate(team, ground, scaled, rotation))

    def fine(effort: Effort) -> bool:
        return lacking_j(team, effort.ride, rotation) == 0.0

    factor, step = 1.0, 0.004
    now = at(factor)
    rising = fine(now)
    best = now if rising else None
    low, high = (factor, None) if rising else (None, factor)
    for _ in range(8):
        factor = factor + step if rising else factor - step
        step *= 2
        if factor < 0.4:
            return None
        now = at(factor)
        if fine(now):
            low, best = factor, now
            if not rising:
                break
        else:
            high = factor
            if rising:
                break
    if low is None or high is None:
        return best
    for _ in range(halvings):
        middle = 0.5 * (low + high)
        now = at(middle)
        if fine(now):
            low = middle
            if best is None or now.ride.finish_s < best.ride.finish_s:
                best = now
        else:
            high = middle
    return best


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """A ride that holds, and the course with its last stretch parted where that pays."""

    course: Course
    ground: Ground
    effort: Effort


def _planned_s(one: _Found) -> float:
    return one.effort.ride.finish_s


def _finish_s(one: Polished) -> float:
    return one.ride.finish_s


@dataclass(frozen=True, slots=True, kw_only=True)
class _Race:
    """What stays the same while turns and speeds are looked for."""

    course: Course
    team: Team
    ground: Ground
    freedom: _Freedom

    def loose(self, speeds: Floats, rotation: Rotation) -> Loose:
        """How turns may change at these speeds."""
        longest = _most_s(self.course, self.team, self.ground, speeds)
        same = self.freedom.same(self.course, rotation)
        led = np.array(rotation.lengths_s) > 0
        for number in np.unique(same):
            here = (same == number) & led
            longest[here] = longest[here].min(initial=np.inf)
        return Loose(longest_s=longest, same=same)

    def held(self, now: Polished) -> Polished | None:
        """The same mended until all hold, or slowed down; None if neither helps."""
        after = settled(self.team, self.ground, now)
        if after is not None:
            return after
        slower = held(self.team, self.ground, now.speeds_mps, now.rotation)
        return None if slower is None else replace(now, speeds_mps=slower.speeds_mps, ride=slower.ride)

    def in_short_turns(self, rotation: Rotation) -> Rotation:
        """The same with everybody leading as shortly as the rules allow in whole steps, but who is wished not to."""
        shortest, longest = self.team.rules.shortest_turn_s, longest_turns_s(self.course, self.team)
        step = _STEP_S if np.ceil(shortest / _STEP_S) * _STEP_S <= self.team.rules.longest_turn_s else shortest
        turn_s = float(np.ceil(shortest / step - 1e-9) * step)
        rows = np.where(longest >= turn_s, turn_s, 0.0)
        old = np.array(rotation.lengths_s)
        rows = np.where(rows.sum(axis=1, keepdims=True) > 0, rows, old)
        return _with_lengths(rotation, rows)

    def even_power(self, rotation: Rotation) -> Effort | None:
        """The most even power that all hold; None if they hold none.

        Where slopes lead nowhere better than down a hill at a careful pace, this comes down it from above.
        """
        low, high = 0.0, 1.5 * float(self.team.critical_power_w.mean())
        best: Effort | None = None
        for _ in range(_EVEN_HALVINGS):
            middle = 0.5 * (low + high)
            power = np.full(len(self.ground.grade), middle)
            target = speed_at_power_mps(self.team, self.ground, power, rotation.order)
            speeds = speed_profile(self.team, self.ground, target, rotation.order)
            ride = simulate(self.team, self.ground, speeds, rotation)
            if lacking_j(self.team, ride, rotation) == 0.0:
                low, best = middle, Effort(speeds_mps=speeds, rotation=rotation, ride=ride)
            else:
                high = middle
        return best

    def improved(self, now: Polished, steps: int) -> Polished:
        """Better speeds and turns of any length, if they can be found."""
        after = climbed(self.team, self.ground, now, steps, self.loose(now.speeds_mps, now.rotation))
        return now if after is None else after

    def reordered(self, now: Polished) -> Polished:
        """With other riders leading, or in another order, where that is better."""
        best = now
        for _ in range(2):
            rotation = _sweep(self.team, self.ground, best, best.rotation, [*self.swaps(), *self.on_off(best)])
            if rotation == best.rotation:
                break
            loose = self.loose(best.speeds_mps, rotation)
            tried = polished(self.team, self.ground, best.speeds_mps, rotation, 6, loose=loose)
            tried = self.improved(tried, 6)
            if lacking_j(self.team, tried.ride, tried.rotation) > 0 or tried.ride.finish_s >= best.ride.finish_s:
                break
            best = tried
        return best

    def spending(self, now: Polished) -> Polished:
        """With riders who need not finish used up one after the other, as long as that makes the others faster."""
        best = now
        for _ in range(self.team.riders - self.team.rules.counted):
            tried: list[Polished] = []
            for spent in self.ways_to_spend(best):
                rotation = replace(best.rotation, spent=spent)
                loose = self.loose(best.speeds_mps, rotation)
                tried.append(polished(self.team, self.ground, best.speeds_mps, rotation, _GLANCES, loose=loose))
            tried.sort(key=self.merit_s)
            after = min((self.improved(one, 6) for one in tried[:_PROMISING]), key=self.merit_s, default=best)
            if lacking_j(self.team, after.ride, after.rotation) > 0 or _finish_s(after) >= _PAYS * _finish_s(best):
                break
            best = self.improved(after, 8)
        return best

    def ways_to_spend(self, now: Polished) -> Iterator[tuple[tuple[int, float], ...]]:
        """One rider more who is spent: at one of the last turns, on a climb, or some way on."""
        climbs = [part.start_m for part in self.course.stretches if part.terrain is Terrain.CLIMB]
        few = len(climbs) // 3 + 1
        gone = {rider for rider, _ in now.rotation.spent}
        for rider in now.rotation.order:
            if rider in gone:
                continue
            middles_s = [0.5 * (turn.start_s + turn.end_s) for turn in now.ride.turns if turn.rider == rider]
            places = np.interp(middles_s[-_LAST_TURNS:], now.ride.edge_s, self.ground.edge_m).tolist()
            places += climbs[::few] or [0.6 * self.course.length_m]
            for at_m in dict.fromkeys(round(at_m, -1) for at_m in places):
                yield tuple(sorted((*now.rotation.spent, (rider, at_m)), key=lambda one: (one[1], one[0])))

    def merit_s(self, now: Polished) -> float:
        """Finish, with what is lacking."""
        return merit_s(self.team, now.ride, now.rotation, now.worth_s_per_j, now.draw_s_per_j)

    def with_finale(self, now: Polished) -> tuple["_Race", Polished]:
        """With other turns on the last kilometres, where that pays; and the race with its last stretch parted there."""
        best: tuple[_Race, Polished] = self, now
        for at_m in finales_m(self.course):
            course, ground = parted(self.course, self.ground, at_m, "finale")
            race = replace(self, course=course, ground=ground)
            tried = race.improved(race.taken_over(self, now), 10)
            if tried.ride.finish_s < _PAYS * best[1].ride.finish_s:
                best = race, tried
        return best

    def swaps(self) -> list[Move]:
        """Two riders change places in the line at the gun."""
        if not self.freedom.swaps:
            return []
        riders = self.team.riders
        return [_swap(one, other) for one in range(riders) for other in range(one + 1, riders)]

    def on_off(self, now: Polished) -> list[Move]:
        """A rider leads on all stretches of a kind, or on none of them."""
        if self.freedom.equal:
            return []
        most_s = _most_s(self.course, self.team, self.ground, now.speeds_mps)
        groups, _ = self.groups()
        return [_on_off(self.team, group, rider, most_s) for group in groups for rider in now.rotation.order]

    def longer(self, now: Polished, step_s: float) -> list[Move]:
        """Everybody's turns longer or shorter by a step on stretches of a kind, or on one; or one rider's."""
        most_s = _most_s(self.course, self.team, self.ground, now.speeds_mps)
        groups, single = self.groups()
        riders = now.rotation.order
        if len(groups + single) * len(riders) <= _PLENTY:
            groups += single
        moves: list[Move] = []
        for group in groups:
            sets = [riders] if self.freedom.equal else [riders, *((rider,) for rider in riders)]
            moves += [
                _longer(self.course, self.team, group, some, sign * step_s, most_s) for some in sets for sign in (1, -1)
            ]
        return moves

    def groups(self) -> tuple[list[tuple[int, ...]], list[tuple[int, ...]]]:
        """Stretches of a kind; and each stretch that may be ridden unlike the others of its kind, if there are any."""
        kinds: dict[str, list[int]] = {}
        for index, part in enumerate(self.course.stretches):
            kinds.setdefault(self.freedom.kind(part.terrain), []).append(index)
        groups = [tuple(group) for group in kinds.values()]
        single: list[tuple[int, ...]] = [
            (index,)
            for kind, group in kinds.items()
            for index in group
            if len(group) > 1 and kind != "tied" and not self.freedom.equal
        ]
        return groups, single

    def in_parts(self) -> "_Race":
        """The same with long stretches cut into parts of two rotations or so."""
        course, ground = self.course, self.ground
        for part in self.course.stretches:
            count = int(part.length_m // _PART_M)
            for at_m in np.linspace(part.start_m, part.end_m, count + 1)[1:-1].tolist():
                course, ground = parted(course, ground, at_m, f"{part.name}, from {at_m / 1000:.1f} km")
        return replace(self, course=course, ground=ground)

    def taken_over(self, other: "_Race", now: Polished) -> Polished:
        """A ride of the same course cut into fewer stretches, with a row of turns for each of these."""
        starts = [part.start_m for part in other.course.stretches]
        rows = [now.rotation.lengths_s[bisect_right(starts, part.start_m) - 1] for part in self.course.stretches]
        return replace(now, rotation=replace(now.rotation, lengths_s=tuple(rows)))

    def in_steps(self, now: Polished, step_s: float) -> _Found | None:
        """With turns in whole steps: rounded one part after the other, while the rest gives way."""
        at_once = self.freedom.kept(self.course, self.rounded(now, step_s))
        rounded = [polished(self.team, self.ground, now.speeds_mps, at_once, 6)]
        if at_once.lengths_s != now.rotation.lengths_s and not self.freedom.ties:
            rounded.append(self.rounded_by_parts(now, step_s))
        tried = [climbed(self.team, self.ground, one, 6) for one in rounded]
        best = min((one for one in tried if one is not None), key=_finish_s, default=None)
        now = rounded[0]
        for _ in range(2):
            start = now if best is None else best
            rotation = _sweep(
                self.team, self.ground, start, start.rotation, [*self.longer(start, step_s), *self.swaps()]
            )
            if rotation == start.rotation:
                break
            now = polished(self.team, self.ground, start.speeds_mps, rotation, 8)
            after = climbed(self.team, self.ground, now, 6)
            if after is not None and (best is None or after.ride.finish_s < best.ride.finish_s):
                best = after
        if best is None:
            return None
        effort = Effort(speeds_mps=best.speeds_mps, rotation=self.without_the_gone(best), ride=best.ride)
        return _Found(course=self.course, ground=self.ground, effort=effort)

    def without_the_gone(self, now: Polished) -> Rotation:
        """The same, with no turns for those spent on stretches that the line reaches without them."""
        lengths = np.array(now.rotation.lengths_s)
        starts_s = [now.ride.edge_s[np.argmax(self.ground.stretch == index)] for index in range(len(lengths))]
        for rider, _ in now.rotation.spent:
            gone = np.flatnonzero(now.ride.phases.rides[:, rider] == 0)
            if len(gone):
                lengths[np.array(starts_s) >= now.ride.phases.start_s[gone[0]], rider] = 0.0
        return _with_lengths(now.rotation, lengths)

    def rounded_by_parts(self, now: Polished, step_s: float) -> Polished:
        """Turns in whole steps, from the start to the finish and down the line; what comes later is found again."""
        riders = len(now.rotation.lengths_s[0])
        cells = [index * riders + rider for index in range(len(self.course.stretches)) for rider in now.rotation.order]
        for part in range(_PARTS):
            chosen = cells[: len(cells) * (part + 1) // _PARTS]
            fixed = np.zeros(len(self.course.stretches) * riders, dtype=bool)
            fixed[chosen] = True
            grid = fixed.reshape(-1, riders)
            whole = np.where(grid, self.rounded(now, step_s).lengths_s, now.rotation.lengths_s)
            rotation = _with_lengths(now.rotation, whole)
            loose = self.loose(now.speeds_mps, rotation)
            loose = replace(loose, same=np.where(grid, FIXED, loose.same))
            now = polished(self.team, self.ground, now.speeds_mps, rotation, _ROUNDING_STEPS, loose=loose)
        return now

    def rounded(self, now: Polished, step_s: float) -> Rotation:
        """Turns in whole steps within the limits, or none; where the limits leave no step, smaller ones."""
        rules = self.team.rules
        shortest, longest = rules.shortest_turn_s, rules.longest_turn_s
        steps = (step for step in (step_s, 1.0) if np.floor(longest / step) * step >= shortest)
        step = next(steps, shortest)
        most = np.floor(_most_s(self.course, self.team, self.ground, now.speeds_mps) / step + 1e-9) * step
        least = np.ceil(shortest / step - 1e-9) * step
        old = np.array(now.rotation.lengths_s)
        new = np.clip(np.round(old / step) * step, least, np.maximum(most, least))
        new = np.where((old > 0) & (most >= least), new, 0.0)
        empty = ~(new > 0).any(axis=1)
        new[empty] = np.where(old[empty] > 0, least, 0.0)
        return _with_lengths(now.rotation, new)


def _search(
    course: Course, team: Team, ground: Ground, known: list[Effort], form: str, tell: Report, freedom: _Freedom
) -> _Found:
    """The best found: turns of any length first, then in whole steps.

    Args:
        known: rides that hold anyhow; none slower than these comes out.
    """
    race = _Race(course=course, team=team, ground=ground, freedom=freedom)
    smooth: dict[float, _Start] = {}
    for number in range(3):
        tell("search", 0.1 + 0.1 * number)
        if number < 2:
            turn_s = _USUAL_TURNS_S[1 + number]
        else:  # the better of two says on which side to look further
            turn_s = _USUAL_TURNS_S[0 if smooth[_USUAL_TURNS_S[1]].finish_s < smooth[_USUAL_TURNS_S[2]].finish_s else 3]
        smooth[turn_s] = _smooth_start(course, team, ground, known[0], turn_s)
    starts: list[Polished] = []
    for one in sorted(smooth.values(), key=lambda one: one.finish_s)[:2]:
        rotation = freedom.kept(course, one.rotation)
        loose = race.loose(one.speeds_mps, rotation)
        start = race.held(polished(team, ground, one.speeds_mps, rotation, 10, loose=loose))
        starts += [] if start is None else [start]
    rotation = min(smooth.values(), key=lambda one: one.finish_s).rotation
    downhill = any(part.terrain is Terrain.DESCENT for part in course.stretches)
    ways = (rotation, race.in_short_turns(rotation)) if downhill else ()
    evens = [race.even_power(freedom.kept(course, one)) for one in ways]
    even = min((one for one in evens if one is not None), key=lambda one: one.ride.finish_s, default=None)
    if even is not None:
        known = [*known, even]
        loose = race.loose(even.speeds_mps, even.rotation)
        starts.append(polished(team, ground, even.speeds_mps, even.rotation, 6, loose=loose))
    tell("search", 0.4)
    if not starts:
        speeds, rotation, ride = known[0].speeds_mps, known[0].rotation, known[0].ride
        starts = [Polished(speeds_mps=speeds, rotation=rotation, ride=ride, worth_s_per_j=np.zeros(team.riders))]
    begun = sorted((race.improved(start, 4) for start in starts), key=race.merit_s)[:2]
    best = race.reordered(min((race.improved(one, 10) for one in begun), key=race.merit_s))
    tell("search", 0.5)
    best = race.spending(best)
    tell("search", 0.6)
    race, best = race.with_finale(best)
    tell("search", 0.7)
    found = race.in_steps(best, _STEP_S)
    if form == "free":
        tell("search", 0.8)
        finer = race.in_parts()
        other = finer.in_steps(finer.improved(finer.taken_over(race, best), 10), _FREE_STEP_S)
        found = min((one for one in (found, other) if one is not None), key=_planned_s, default=None)
    for effort in known:
        if found is None or effort.ride.finish_s < found.effort.ride.finish_s:
            found = _Found(course=course, ground=ground, effort=effort)
    assert found is not None
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class _Start:
    """Where to begin: a rotation, speeds at edges, and what the smooth ride they come from takes."""

    rotation: Rotation
    speeds_mps: Floats
    finish_s: float


def _smooth_start(course: Course, team: Team, ground: Ground, steady: Effort, turn_s: float) -> _Start:
    """The best ride of countless short turns, its shares of the front written as turns of about the usual length."""
    order = steady.rotation.order
    coarse = coarse_ground(ground, _PIECES)
    first = np.array(steady.rotation.lengths_s) + 2.0
    first[:, [rider for rider in range(team.riders) if rider not in order]] = 0.0
    longest = longest_turns_s(course, team)
    if (first * (longest > 0)).sum(axis=1).all():
        first *= longest > 0
    speeds = np.interp(coarse.edge_m, ground.edge_m, steady.speeds_mps)
    smooth = flow(team, coarse, speeds, first / first.sum(axis=1, keepdims=True), order, turn_s)
    fine = np.sqrt(np.interp(ground.edge_m, coarse.edge_m, smooth.speeds_mps**2))
    middle = 0.5 * (fine[1:] + fine[:-1])
    lengths = []
    for index in range(len(course.stretches)):
        here = ground.stretch == index
        shares = np.where(smooth.shares[index] < 0.02, 0.0, smooth.shares[index])
        front_w = _front_w(team, ground, middle, here)
        lengths.append(turn_lengths_s(team, shares / shares.sum(), front_w, turn_s, longest[index]))
    rotation = Rotation(order=order, lengths_s=tuple(lengths))
    return _Start(rotation=rotation, speeds_mps=fine, finish_s=smooth.finish_s)


def holding(team: Team, ground: Ground, now: Polished, rotation: Rotation) -> Effort | None:
    """The same ride mended until everybody holds; where that fails, slowed down."""
    mended = settled(team, ground, now)
    if mended is None:
        return held(team, ground, now.speeds_mps, rotation)
    return Effort(speeds_mps=mended.speeds_mps, rotation=rotation, ride=mended.ride)


def _kept(course: Course, team: Team, ground: Ground, effort: Effort, freedom: _Freedom) -> Effort:
    """The same ride with turns made the same where they must be, slowed down until it holds."""
    rotation = freedom.kept(course, effort.rotation)
    if rotation == effort.rotation:
        return effort
    again = held(team, ground, effort.speeds_mps, rotation)
    if again is None:
        raise NoPlan(
            "with turns made the same there, nobody holds the line", "every pace tried", "let the turns differ"
        )
    return again


def _front_w(team: Team, ground: Ground, speeds: Floats, here: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> Floats:
    """(riders,) mean power on the front of some cells."""
    cells = np.flatnonzero(here)
    shares = np.full((len(cells), team.riders), team.shares[team.riders][0])
    return np.asarray(np.average(power_w(team, ground, cells, speeds[cells], shares), axis=0))


def _sweep(team: Team, ground: Ground, now: Polished, rotation: Rotation, moves: list[Move]) -> Rotation:
    """Each move on the rotation once, at the speeds at hand, kept if it pays and repeated while it does."""
    kept = kept_j(team, rotation)
    worth = now.worth_s_per_j
    scarce = np.maximum(worth, float(worth.mean()))

    def cost(trial: Rotation) -> float:
        ride = simulate(team, ground, now.speeds_mps, trial)
        over = ride.least_j - kept
        steep = max(now.draw_s_per_j, STEEP * float(worth.mean()))
        steep *= float(np.maximum(0.0, over_draw_j(team, ride, DRAW_SLACK)).sum())
        return float(1.5 * (np.maximum(-over, 0.0) @ scarce + steep) - 0.6 * np.maximum(over, 0.0) @ worth)

    best = cost(rotation)
    for move in moves:
        for _ in range(_AGAIN):
            trial = move(rotation)
            if trial is None:
                break
            tried = cost(trial)
            if tried >= best - 1e-9:
                break
            rotation, best = trial, tried
    return rotation


def _most_s(course: Course, team: Team, ground: Ground, speeds: Floats) -> Floats:
    """(stretches, riders) the longest turn the rules allow, by length and by what it draws at these speeds."""
    rules = team.rules
    middle = 0.5 * (speeds[1:] + speeds[:-1])
    most = longest_turns_s(course, team)
    for index in range(len(course.stretches)):
        over = np.maximum(_front_w(team, ground, middle, ground.stretch == index) - team.critical_power_w, 1e-6)
        most[index] = np.minimum(most[index], rules.draw_per_turn * team.w_prime_j / over)
    return most


def _longer(
    course: Course, team: Team, group: tuple[int, ...], riders: tuple[int, ...], by_s: float, most_s: Floats
) -> Move:
    rules = team.rules
    step_s = abs(by_s)
    least = float(np.ceil(rules.shortest_turn_s / step_s - 1e-9)) * step_s
    longest = longest_turns_s(course, team)

    def move(rotation: Rotation) -> Rotation | None:
        lengths = [list(row) for row in rotation.lengths_s]
        for index in group:
            for rider in riders:
                old = lengths[index][rider]
                if len(riders) > 1 and old == 0:
                    continue
                new = old + by_s
                if len(riders) > 1 and new > (wished := longest[index, rider]) and wished < rules.longest_turn_s:
                    continue  # this one leads shortly, whatever the others do
                if new < least:
                    new = least if by_s > 0 else 0.0
                if (new > most_s[index, rider] and by_s > 0) or (len(riders) > 1 and new == 0):
                    return None
                lengths[index][rider] = new
            if not any(lengths[index]):
                return None
        changed = tuple(tuple(row) for row in lengths)
        return None if changed == rotation.lengths_s else replace(rotation, lengths_s=changed)

    return move


def _on_off(team: Team, group: tuple[int, ...], rider: int, most_s: Floats) -> Move:
    shortest = team.rules.shortest_turn_s

    def move(rotation: Rotation) -> Rotation | None:
        lengths = [list(row) for row in rotation.lengths_s]
        leads = any(lengths[index][rider] > 0 for index in group)
        for index in group:
            lengths[index][rider] = 0.0 if leads or most_s[index, rider] < shortest else shortest
            if not any(lengths[index]):
                return None
        changed = tuple(tuple(row) for row in lengths)
        return None if changed == rotation.lengths_s else replace(rotation, lengths_s=changed)

    return move


def _swap(one: int, other: int) -> Move:
    def move(rotation: Rotation) -> Rotation | None:
        order = list(rotation.order)
        order[one], order[other] = order[other], order[one]
        return replace(rotation, order=tuple(order))

    return move

"""The race as the planner sees it: ground cut into cells, a team as arrays, a speed profile, a rotation, reserves.

Everything a plan is judged by comes from ``simulate``: the line moves as one point along a speed profile; riders take
turns as the rotation of the race itself has them; each pays the power of the slot ridden, of drifting in the wind and
of the acceleration onto the last wheel; the reserve follows the recovery model of the rules, exactly between any two
changes. The ground that a drifting rider gives up is made up while the line moves through, so everybody's mean speed is
the line's. Latching on takes its time alone in the wind; the energy of its acceleration is what was spared when slowing
down to drift, so it isn't paid twice.
Must not know how a plan is searched for.
"""

import math
from bisect import bisect_right
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from caller.course import Course, Stretch, Terrain, height_at, stretch_at
from caller.physics import (
    DRIVETRAIN_EFFICIENCY,
    GRAVITY_MPS2,
    USUAL_BELOW,
    WHEEL_DRAG_AREA_M2,
    WHEEL_INERTIA_KG,
    air_density_kg_m3,
    drift_s,
    recovery_tau_s,
    shelter_shares,
    standard_pressure_pa,
)
from caller.plan import Plan, RaceRules
from caller.riders import Roster

__all__ = [
    "DRAW_SLACK",
    "FASTEST_LINE_MPS",
    "LEAST_TURN_S",
    "SHORT_TURN_S",
    "SLOWEST_LINE_MPS",
    "WISH_FIELDS",
    "Ground",
    "Phases",
    "Ride",
    "Rotation",
    "Team",
    "Turn",
    "as_planned",
    "average_power_w",
    "coasting_mps",
    "cut_ground",
    "edge_times_s",
    "finales_m",
    "floors_j",
    "form_team",
    "kept_j",
    "lacking_j",
    "longest_turns_s",
    "over_draw_j",
    "parted",
    "power_w",
    "powers_w",
    "reserves_j",
    "rotate",
    "simulate",
    "speed_profile",
]

Floats = NDArray[np.float64]

FASTEST_LINE_MPS: Final = 25.0
"""No line goes faster than 90 km/h: beyond it, it brakes. Our own rule, for safety."""
SLOWEST_LINE_MPS: Final = 1.5
"""Slower than this nobody stays upright in a line. Our own rule."""
LEAST_TURN_S: Final = 5.0
"""No turn that the race calls is shorter; the same as the race's own."""
_MOST_CELLS: Final = 400
_SHORTEST_CELL_M: Final = 50.0
DRAW_SLACK: Final = 0.1
"""Turns keep to the largest draw by the mean power of their stretch; one of them (out of the start, over a crest) may
draw so much of W′ more."""
_GRAIN: Final = 0.006
_FINALES_M: Final = (4_000.0, 2_000.0)
_FINALE_STEP_M: Final = 500.0
_START_SLICES: Final = 6
_FIRST_CELL_M: Final = 80.0
"""A line is up to speed after this from a standing start: 13 s at 45 km/h. Common practice, no source."""
WISH_FIELDS: Final = MappingProxyType(
    {Terrain.FLAT: "on_flat", Terrain.CLIMB: "on_climbs", Terrain.DESCENT: "on_descents"}
)
"""Which field of a rider says how that rider is to lead on a terrain."""
SHORT_TURN_S: Final = 15.0
"""The longest turn of a rider who is to lead shortly; the rules' shortest where that is longer. Common practice, no
source."""
_SPREAD: Final = 1.5
"""Getting from one speed to the next, the team gives at most this many times its steady power, at least its inverse."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """The course as the planner rides it.

    Attributes:
        edge_m: (cells + 1,) where cells meet, from 0 to the finish.
        grade: (cells,) rise over run.
        density_kg_m3: (cells,).
        stretch: (cells,) index of the stretch each cell lies on.
        wind_mps: in the face, everywhere.
        rolling: coefficient of rolling resistance.
    """

    edge_m: Floats
    grade: Floats
    density_kg_m3: Floats
    stretch: NDArray[np.int64]
    wind_mps: float
    rolling: float

    @property
    def length_m(self) -> Floats:
        """(cells,)"""
        return np.diff(self.edge_m)

    @property
    def push_n_per_kg(self) -> Floats:
        """(cells,) rolling resistance and slope for each kilogram."""
        slope = np.arctan(self.grade)
        return GRAVITY_MPS2 * (np.sin(slope) + self.rolling * np.cos(slope))


@dataclass(frozen=True, slots=True, kw_only=True)
class Team:
    """Riders as arrays, in the roster's order.

    Attributes:
        mass_kg: (riders,) with bike and kit.
        drag_area_m2: (riders,) alone.
        critical_power_w: (riders,)
        w_prime_j: (riders,)
        shares: by length of the line: share of solo drag by slot.
        tau_s: (riders,) of the integral model; empty for the others.
        longest_s: (terrains, riders) the longest turn as riders are wished to lead, in the order of Terrain; 0: none.
        rules: of the race.
    """

    mass_kg: Floats
    drag_area_m2: Floats
    critical_power_w: Floats
    w_prime_j: Floats
    shares: tuple[tuple[float, ...], ...]
    tau_s: Floats
    longest_s: Floats
    rules: RaceRules

    @property
    def riders(self) -> int:
        """How many."""
        return len(self.mass_kg)


def finales_m(course: Course) -> tuple[float, ...]:
    """Where the last kilometres may begin, if they are to be ridden otherwise than the rest of the last stretch.

    At half kilometres, about two and four kilometres from the finish, and no more than half of that stretch.
    """
    last = course.stretches[-1]
    places = [_FINALE_STEP_M * math.floor((course.length_m - length_m) / _FINALE_STEP_M) for length_m in _FINALES_M]
    return tuple(at_m for at_m in places if at_m - last.start_m >= course.length_m - at_m)


def cut_ground(course: Course, rules: RaceRules) -> Ground:
    """The course in cells of 50 m or more, none across the end of a stretch or across the beginning of a finale."""
    target_m = max(_SHORTEST_CELL_M, course.length_m / _MOST_CELLS)
    edges: list[float] = [0.0]
    stretch: list[int] = []
    for index, part in enumerate(course.stretches):
        start_m = part.start_m
        if index == 0 and part.length_m > 2 * _FIRST_CELL_M:
            start_m = _FIRST_CELL_M
            edges.append(start_m)
            stretch.append(index)
        borders = finales_m(course) if index == len(course.stretches) - 1 else ()
        for end_m in (*borders, part.end_m):
            count = max(1, round((end_m - start_m) / target_m))
            edges.extend(start_m + (end_m - start_m) * (step + 1) / count for step in range(count))
            edges[-1] = start_m = end_m
            stretch.extend([index] * count)
    edge_m = np.array(edges)
    heights = np.array([height_at(course, at_m) for at_m in edges])
    middles = 0.5 * (heights[:-1] + heights[1:])
    pressures = (
        [100 * rules.pressure_hpa] * len(middles)
        if rules.pressure_hpa is not None
        else [standard_pressure_pa(float(height_m)) for height_m in middles]
    )
    return Ground(
        edge_m=edge_m,
        grade=np.diff(heights) / np.diff(edge_m),
        density_kg_m3=np.array(
            [air_density_kg_m3(rules.temperature_c, pressure_pa, rules.humidity) for pressure_pa in pressures]
        ),
        stretch=np.array(stretch),
        wind_mps=rules.wind_mps,
        rolling=rules.rolling,
    )


def parted(course: Course, ground: Ground, at_m: float, name: str) -> tuple[Course, Ground]:
    """The stretch under a place cut in two where cells meet next to it; the second part is called by the name."""
    edge = int(np.argmin(np.abs(ground.edge_m[1:-1] - at_m))) + 1
    cut_m, index = float(ground.edge_m[edge]), int(ground.stretch[edge])
    part = course.stretches[index]
    if ground.stretch[edge - 1] != index:
        return course, ground
    rise_m = height_at(course, cut_m) - height_at(course, part.start_m)
    first = replace(part, end_m=cut_m, rise_m=rise_m)
    second = replace(part, name=name, start_m=cut_m, rise_m=part.rise_m - rise_m)
    stretch = ground.stretch.copy()
    stretch[edge:] += 1
    parts = (*course.stretches[:index], first, second, *course.stretches[index + 1 :])
    return replace(course, stretches=parts), replace(ground, stretch=stretch)


def as_planned(course: Course, plan: Plan) -> Course:
    """The course in the stretches that a plan has rules for: those of the course, or parts of them."""
    if len(plan.rules) == len(course.stretches):
        return course
    return replace(
        course,
        stretches=tuple(
            Stretch(
                name=rule.name,
                terrain=stretch_at(course, 0.5 * (rule.start_m + rule.end_m)).terrain,
                start_m=rule.start_m,
                end_m=rule.end_m,
                rise_m=height_at(course, rule.end_m) - height_at(course, rule.start_m),
            )
            for rule in plan.rules
        ),
    )


def form_team(roster: Roster, rules: RaceRules) -> Team:
    """The roster as arrays."""
    riders = roster.riders
    integral = rules.recovery == "integral-2012"
    return Team(
        mass_kg=np.array([rider.all_up_mass_kg for rider in riders]),
        drag_area_m2=np.array([rider.drag_area_m2 for rider in riders]),
        critical_power_w=np.array([rider.critical_power_w for rider in riders]),
        w_prime_j=np.array([rider.w_prime_j for rider in riders]),
        shares=((), *(shelter_shares(line, rules.shelter_efficiency, rules.shelter_table) for line in range(1, 11))),
        tau_s=np.array(
            [
                recovery_tau_s(
                    rules.recovery, below_w=(1 - USUAL_BELOW) * rider.critical_power_w, w_prime_j=rider.w_prime_j
                )
                for rider in riders
                if integral
            ]
        ),
        longest_s=np.array(
            [[_longest_s(getattr(rider, WISH_FIELDS[terrain]), rules) for rider in riders] for terrain in Terrain]
        ),
        rules=rules,
    )


def _longest_s(wish: str, rules: RaceRules) -> float:
    if wish == "none":
        return 0.0
    if wish == "short":
        return min(max(SHORT_TURN_S, rules.shortest_turn_s), rules.longest_turn_s)
    return rules.longest_turn_s


def longest_turns_s(course: Course, team: Team) -> Floats:
    """(stretches, riders) the longest turn that the rules and the riders' wishes allow; 0: doesn't lead there."""
    terrains = list(Terrain)
    return np.asarray(team.longest_s[[terrains.index(part.terrain) for part in course.stretches]], dtype=np.float64)


def power_w(team: Team, ground: Ground, cells: NDArray[np.int64] | slice, speed_mps: Floats, shares: Floats) -> Floats:
    """Steady crank power, (…, riders), never below 0: who needs none coasts or brakes.

    Args:
        cells: (…,) which cell.
        speed_mps: (…,)
        shares: (…, riders) of solo drag.
    """
    v = speed_mps[..., None]
    air = v + ground.wind_mps
    force = (
        (0.5 * ground.density_kg_m3[cells][..., None] * (team.drag_area_m2 * shares + WHEEL_DRAG_AREA_M2))
        * air
        * np.abs(air)
        + ground.push_n_per_kg[cells][..., None] * team.mass_kg
        + 0.091
        + 0.0087 * v
    )
    return np.maximum(0.0, v * force) / DRIVETRAIN_EFFICIENCY


def average_power_w(team: Team, ground: Ground, speed_mps: Floats, riders: tuple[int, ...]) -> Floats:
    """(cells,) mean wheel power of these riders in a full line, each as often in each slot; may be negative."""
    chosen = list(riders)
    share = float(np.mean(team.shares[len(chosen)]))
    area = float(np.mean(team.drag_area_m2[chosen])) * share + WHEEL_DRAG_AREA_M2
    air = speed_mps + ground.wind_mps
    force = (
        0.5 * ground.density_kg_m3 * area * air * np.abs(air)
        + ground.push_n_per_kg * float(np.mean(team.mass_kg[chosen]))
        + 0.091
        + 0.0087 * speed_mps
    )
    return force * speed_mps


def coasting_mps(team: Team, ground: Ground, riders: tuple[int, ...]) -> Floats:
    """(cells,) the speed at which the line needs no power; 0 where nothing pulls. Never beyond FASTEST_LINE_MPS."""
    low = np.zeros(len(ground.grade))
    high = np.full(len(ground.grade), FASTEST_LINE_MPS)
    for _ in range(40):
        middle = 0.5 * (low + high)
        pulled = average_power_w(team, ground, middle, riders) < 0
        low, high = np.where(pulled, middle, low), np.where(pulled, high, middle)
    return low


def speed_profile(
    team: Team,
    ground: Ground,
    target_mps: Floats,
    riders: tuple[int, ...],
    spread: float = _SPREAD,
    most_mps: Floats | None = None,
) -> Floats:
    """Speeds at the cells' edges from a standing start, following a target with the team's inertia.

    In each cell the square of speed changes evenly with distance. To get from one speed to the next the team gives
    between 1/spread and spread times the steady power of the target; what is then missing takes longer.

    Args:
        target_mps: (cells,)
        riders: who is in the line.
        spread: 1 or more.
        most_mps: (cells,) where the line brakes rather than go faster than its leader can; None: FASTEST_LINE_MPS.
    Returns: (cells + 1,), the first 0.
    """
    steady = np.maximum(average_power_w(team, ground, target_mps, riders), 0.0)
    mass = float(np.mean(team.mass_kg[list(riders)]))
    area = float(np.mean(team.drag_area_m2[list(riders)])) * float(np.mean(team.shares[len(riders)]))
    area += WHEEL_DRAG_AREA_M2
    air_k = (0.5 * ground.density_kg_m3 * area).tolist()
    push_n = (ground.push_n_per_kg * mass + 0.091).tolist()
    lengths = ground.length_m.tolist()
    targets = target_mps.tolist()
    most_speeds = ([FASTEST_LINE_MPS] * len(targets)) if most_mps is None else most_mps.tolist()
    powers = steady.tolist()
    wind = ground.wind_mps
    inertia = mass + WHEEL_INERTIA_KG
    v0 = 0.0
    speeds = [0.0]
    for k, length in enumerate(lengths):
        target = targets[k]
        v1 = target
        mean = 0.5 * (v0 + v1)
        rms = math.sqrt(0.5 * (v0 * v0 + v1 * v1))
        air = rms + wind
        needed = mean * (
            air_k[k] * air * abs(air) + push_n[k] + 0.0087 * rms + inertia * (v1 * v1 - v0 * v0) / (2 * length)
        )
        most, least = powers[k] * spread, powers[k] / spread
        if needed > most or needed < least:
            given = most if needed > most else least
            v1 = _speed_after(v0, given, target, air_k[k], push_n[k], wind, inertia, length)
            if v1 > most_speeds[k]:
                v1 = max(target, most_speeds[k])  # the line brakes
            elif (needed > most) != (v1 <= target):
                v1 = target
        v1 = max(v1, SLOWEST_LINE_MPS / 2)
        speeds.append(v1)
        v0 = v1
    return np.array(speeds)


def _speed_after(
    v0: float, given_w: float, guess: float, air_k: float, push_n: float, wind: float, inertia: float, length: float
) -> float:
    """Speed at a cell's end for a wheel power held through it."""
    low, high = 0.0, 60.0
    v1 = guess
    for _ in range(40):
        square = 0.5 * (v0 * v0 + v1 * v1)
        air = math.sqrt(square) + wind
        gain = v1 * v1 - v0 * v0
        mean = max(0.5 * (v0 + v1), 1e-3)
        rest = inertia * gain / (2 * length) + air_k * air * abs(air) + push_n + 0.0087 * mean - given_w / mean
        if rest > 0:
            high = v1
        else:
            low = v1
        slope = inertia * v1 / length + air_k * abs(air) * v1 / max(math.sqrt(square), 1e-3)
        slope += 0.5 * given_w / (mean * mean) + 0.0044
        step = v1 - rest / slope
        new = step if low < step < high else 0.5 * (low + high)
        if abs(new - v1) < 1e-9:
            return float(new)
        v1 = new
    return float(v1)


# ----------------------------------------------------------------------------------------------------------- rotation


@dataclass(frozen=True, slots=True, kw_only=True)
class Rotation:
    """Who leads for how long, where.

    Attributes:
        order: riders at the gun, front first.
        lengths_s: for each stretch, for each rider of the roster, the turn; 0: only follows.
        spent: (rider, at_m) of those used up: whoever leads there is gone with the end of that turn, whoever doesn't,
            at once.
    """

    order: tuple[int, ...]
    lengths_s: tuple[tuple[float, ...], ...]
    spent: tuple[tuple[int, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """A stay on the front, from start_s to end_s, of a rider of the roster."""

    rider: int
    start_s: float
    end_s: float


_DRIFT, _LATCH = 0, 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Phases:
    """Spans of a rotation through which nobody changes place.

    Attributes:
        start_s: (phases,)
        share: (phases, riders) of solo drag.
        slower_mps: (phases, riders) by how much a drifting rider goes slower.
        rides: (phases, riders) 1 for who rides with the team, 0 for who has left it.
    """

    start_s: Floats
    share: Floats
    slower_mps: Floats
    rides: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Ride:
    """What a plan comes to.

    Attributes:
        finish_s: when the line reaches the finish.
        edge_s: (cells + 1,) when the line passes each cell's edge.
        turns: every stay on the front.
        cut_s: (parts + 1,) instants between which nothing changes.
        power_w: (parts, riders)
        left_j: (parts + 1, riders) of the reserve.
        cell: (parts,) on which cell each part lies.
        phase: (parts,) in which of the phases.
        phases: who is where.
        least_j: (riders,) the least of it.
        stretch_j: (stretches, riders) at each stretch's end.
    """

    finish_s: float
    edge_s: Floats
    turns: tuple[Turn, ...]
    cut_s: Floats
    power_w: Floats
    left_j: Floats
    cell: NDArray[np.int64]
    phase: NDArray[np.int64]
    phases: Phases
    least_j: Floats
    stretch_j: Floats


def edge_times_s(ground: Ground, speeds_mps: Floats) -> Floats:
    """(cells + 1,) when the line passes each edge."""
    spans = 2 * ground.length_m / (speeds_mps[:-1] + speeds_mps[1:])
    return np.concatenate(([0.0], np.cumsum(spans)))


def rotate(team: Team, ground: Ground, edge_s: Floats, rotation: Rotation) -> tuple[Phases, tuple[Turn, ...]]:
    """The rotation played along a speed profile, by the rules the race itself rotates by.

    A turn's length is that of the stretch it begins on, less if the rider has not had the rest that goes with it; who
    swings off drifts past those in the wheels and latches on; a leader stays on until the next one is on the wheel;
    those who only follow stay behind those who lead.
    """
    latch_s = team.rules.latch_s
    finish_s = float(edge_s[-1])
    times = edge_s.tolist()
    cell_stretch: list[int] = ground.stretch.tolist()
    last_cell = len(cell_stretch) - 1
    lengths_s = rotation.lengths_s
    totals = [sum(row[rider] for rider in rotation.order) for row in lengths_s]
    leave_s = sorted((float(np.interp(at_m, ground.edge_m, edge_s)), rider) for rider, at_m in rotation.spent)
    drifts = [drift_s(1 + passed, team.rules.closing_mps) for passed in range(team.riders + 1)]
    lines = _Lines(team, rotation)
    fronts, wheels, steps, patterns = lines.fronts, lines.wheels, lines.steps, lines.patterns

    def stretch_at(at_s: float) -> int:
        return cell_stretch[min(max(bisect_right(times, at_s) - 1, 0), last_cell)]

    # A rider's rest is what has been credited since: nothing needs to be added up for everybody at each turn.
    credited = 0.0
    since: dict[int, float] = {}

    def granted(rider: int, at_s: float) -> tuple[float, float]:
        stretch = stretch_at(at_s)
        planned = lengths_s[stretch][rider]
        full = totals[stretch] - planned
        if rider not in since or full <= 0 or (had := round(credited - since[rider], 6)) >= full - 1e-9:
            return planned, max(LEAST_TURN_S, planned)
        return planned, max(LEAST_TURN_S, float(round(planned * had / full)))

    def gone(rider: int) -> None:
        for stretch, row in enumerate(lengths_s):
            totals[stretch] -= row[rider]

    state, apart_s = 0, [0.0][:0]  # when whoever is off the line changes place, in the order they swung off
    began, last, present = 0.0, -1, len(rotation.order)
    planned, length = granted(fronts[0], 0.0)
    ends = length
    starts, ids, turns = [0.0], [0], [(0, 0.0, 0.0)][:0]

    def note(at_s: float) -> None:
        if starts[-1] == at_s:
            ids[-1] = state
        else:
            starts.append(at_s)
            ids.append(state)

    while True:
        due = ends
        if present == 1:
            due = math.inf
        elif wheels[state] == 1:
            due = max(ends, apart_s[0] + (latch_s if lines.drifts(state) else 0.0))
        change = min(apart_s) if apart_s else math.inf
        now = due if due < change else change
        if leave_s and leave_s[0][0] <= now and leave_s[0][0] < finish_s:
            at_s, rider = leave_s.pop(0)
            if rider == fronts[state]:
                last = rider
                continue
            gone(rider)
            present -= 1
            state, index = lines.without(state, rider)
            if index is not None:
                apart_s.pop(index)
            note(max(at_s, starts[-1]))
            continue
        if now >= finish_s:
            break
        if change <= due:
            index = apart_s.index(change)
            key = (state, index, patterns[stretch_at(change)])
            found = steps.get(key)
            if found is None:
                found = steps[key] = lines.after_change(*key)
            state, latching = found
            if latching:
                apart_s[index] = change + latch_s
            else:
                apart_s.pop(index)
            note(change)
            continue
        leader = fronts[state]
        turns.append((leader, began, now))
        credited += planned if 2 * (now - began) >= min(length, planned) else now - began
        since[leader] = credited
        key = (state, _GONE if leader == last else _SWING_OFF, 0)
        found = steps.get(key)
        if found is None:
            found = steps[key] = lines.after_swing(*key)
        state = found[0]
        if leader == last:
            gone(leader)
            present -= 1
        else:
            apart_s.append(now + drifts[wheels[state]])
        began = now
        planned, length = granted(fronts[state], now)
        ends = now + length
        note(now)
    turns.append((fronts[state], began, finish_s))
    share, slower, rides = (np.array(part)[ids] for part in lines.rows())
    return (
        Phases(start_s=np.array(starts), share=share, slower_mps=slower, rides=rides),
        tuple([Turn(rider=rider, start_s=start_s, end_s=end_s) for rider, start_s, end_s in turns]),
    )


_SWING_OFF, _GONE = -1, -2


class _Lines:
    """Who can be where, numbered, and what follows what: worked out once, for a ride comes by the same lines often.

    Attributes:
        fronts: by number: who leads.
        wheels: by number: how many are in the wheels, the leader with them.
        patterns: by stretch: the first one on which the same riders only follow.
        steps: what followed so far: see after_change and after_swing.
    """

    def __init__(self, team: Team, rotation: Rotation) -> None:
        self._team = team
        self._lengths_s = rotation.lengths_s
        firsts: dict[tuple[bool, ...], int] = {}
        self.patterns = [
            firsts.setdefault(tuple([one == 0 for one in row]), index) for index, row in enumerate(rotation.lengths_s)
        ]
        self._numbers: dict[tuple[tuple[int, ...], tuple[tuple[int, int], ...]], int] = {}
        self._lines: list[tuple[tuple[int, ...], tuple[tuple[int, int], ...]]] = []
        self.fronts: list[int] = []
        self.wheels: list[int] = []
        self.steps: dict[tuple[int, int, int], tuple[int, bool]] = {}
        self._number(rotation.order, ())

    def _number(self, wheels: tuple[int, ...], apart: tuple[tuple[int, int], ...]) -> int:
        """A line's number.

        Args:
            wheels: front first.
            apart: (place, rider) in the order they swung off.
        """
        number = self._numbers.setdefault((wheels, apart), len(self._lines))
        if number == len(self._lines):
            self._lines.append((wheels, apart))
            self.fronts.append(wheels[0])
            self.wheels.append(len(wheels))
        return number

    def drifts(self, number: int) -> bool:
        """Whether the first of those off the line still drifts."""
        return self._lines[number][1][0][0] == _DRIFT

    def after_change(self, number: int, index: int, pattern: int) -> tuple[int, bool]:
        """The line when one of those off it has drifted back or is on a wheel; whether that rider latches on now."""
        wheels, apart = self._lines[number]
        place, rider = apart[index]
        if place == _DRIFT and self._team.rules.latch_s > 0:
            return self._number(wheels, (*apart[:index], (_LATCH, rider), *apart[index + 1 :])), True
        slot, lengths = len(wheels), self._lengths_s[pattern]
        while slot > 1 and lengths[wheels[slot - 1]] == 0 and lengths[rider] > 0:
            slot -= 1
        return self._number((*wheels[:slot], rider, *wheels[slot:]), (*apart[:index], *apart[index + 1 :])), False

    def after_swing(self, number: int, how: int, _pattern: int) -> tuple[int, bool]:
        """The line once its leader has swung off, or let it go."""
        (leader, *wheels), apart = self._lines[number]
        return self._number(tuple(wheels), apart if how == _GONE else (*apart, (_DRIFT, leader))), False

    def without(self, number: int, rider: int) -> tuple[int, int | None]:
        """The line without a rider who doesn't lead; and where that rider was among those off the line."""
        wheels, apart = self._lines[number]
        index = next((index for index, (_, one) in enumerate(apart) if one == rider), None)
        left = tuple(one for one in apart if one[1] != rider)
        return self._number(tuple(one for one in wheels if one != rider), left), index

    def rows(self) -> tuple[list[list[float]], list[list[float]], list[list[float]]]:
        """By number, by rider: share of solo drag, how much slower, and 1 for who rides with the team."""
        shares, slower, rides = [], [], []
        for wheels, apart in self._lines:
            share, slow, ride = ([fill] * self._team.riders for fill in (1.0, 0.0, 0.0))
            for rider, one in zip(wheels, self._team.shares[len(wheels)], strict=True):
                share[rider], ride[rider] = one, 1.0
            for place, rider in apart:
                ride[rider] = 1.0
                if place == _DRIFT:
                    slow[rider] = self._team.rules.closing_mps
            shares.append(share)
            slower.append(slow)
            rides.append(ride)
        return shares, slower, rides


def simulate(team: Team, ground: Ground, speeds_mps: Floats, rotation: Rotation) -> Ride:
    """What a rotation along a speed profile costs everybody.

    Args:
        speeds_mps: (cells + 1,) at the cells' edges.
    """
    edge_s = edge_times_s(ground, speeds_mps)
    phases, turns = rotate(team, ground, edge_s, rotation)
    # Power grows with speed through the standing start: a few slices follow it.
    cut_s = np.union1d(np.union1d(edge_s, phases.start_s), np.linspace(0.0, edge_s[1], _START_SLICES + 1)[1:-1])
    starts = cut_s[:-1]
    cell = np.minimum(np.searchsorted(edge_s, starts, side="right") - 1, len(ground.grade) - 1)
    phase = np.searchsorted(phases.start_s, starts, side="right") - 1
    gain = np.diff(speeds_mps) / np.diff(edge_s)
    before = np.maximum(0.0, speeds_mps[cell] + gain[cell] * (starts - edge_s[cell]))
    after = np.maximum(0.0, speeds_mps[cell] + gain[cell] * (cut_s[1:] - edge_s[cell]))
    power = powers_w(team, ground, cell, before, after, gain[cell], phases, phase)
    left_j = reserves_j(team, np.diff(cut_s), power)
    ends = np.searchsorted(cut_s, edge_s[1:])
    last = np.flatnonzero(np.append(np.diff(ground.stretch) != 0, True))
    return Ride(
        finish_s=float(edge_s[-1]),
        edge_s=edge_s,
        turns=turns,
        cut_s=cut_s,
        power_w=power,
        left_j=left_j,
        cell=cell,
        phase=phase,
        phases=phases,
        least_j=left_j.min(axis=0),
        stretch_j=left_j[ends[last]],
    )


def powers_w(
    team: Team,
    ground: Ground,
    cell: NDArray[np.int64],
    before_mps: Floats,
    after_mps: Floats,
    gain_mps2: Floats,
    phases: Phases,
    phase: NDArray[np.int64],
) -> Floats:
    """(parts, riders) mean crank power of parts through which speed changes evenly with time.

    Args: (parts,) each: on which cell, speed before and after, acceleration, in which phase.
    """
    rms = np.sqrt(0.5 * (before_mps**2 + after_mps**2))[:, None]
    mean = 0.5 * (before_mps + after_mps)[:, None]
    air = rms + ground.wind_mps - phases.slower_mps[phase]
    force = (
        0.5
        * ground.density_kg_m3[cell][:, None]
        * (team.drag_area_m2 * phases.share[phase] + WHEEL_DRAG_AREA_M2)
        * air
        * np.abs(air)
        + ground.push_n_per_kg[cell][:, None] * team.mass_kg
        + (0.091 + 0.0087 * rms)
        + gain_mps2[:, None] * (team.mass_kg + WHEEL_INERTIA_KG)
    )
    return np.maximum(0.0, force * mean) * phases.rides[phase] / DRIVETRAIN_EFFICIENCY


def floors_j(team: Team, rotation: Rotation) -> Floats:
    """(riders,) what nobody may fall below: the margin; nothing for those who are spent."""
    floor = team.rules.reserve_margin * team.w_prime_j
    floor[[rider for rider, _ in rotation.spent]] = 0.0
    return np.asarray(floor)


def kept_j(team: Team, rotation: Rotation) -> Floats:
    """(riders,) what everybody keeps: the floor, and a grain more, for what cells smooth over."""
    return floors_j(team, rotation) + _GRAIN * team.w_prime_j


def lacking_j(team: Team, ride: Ride, rotation: Rotation) -> float:
    """What is missing of the reserves to be kept and what turns draw more than they may, in all; 0 if all hold."""
    missing = np.maximum(0.0, (kept_j(team, rotation) - ride.least_j)[list(rotation.order)])
    return float(missing.sum() + np.maximum(0.0, over_draw_j(team, ride, DRAW_SLACK)).sum())


def over_draw_j(team: Team, ride: Ride, slack: float = 0.0) -> Floats:
    """(turns,) by how much each turn draws more of its rider's reserve than the rules allow; below 0 if it doesn't."""
    starts = np.searchsorted(ride.cut_s, [turn.start_s for turn in ride.turns])
    ends = np.searchsorted(ride.cut_s, [turn.end_s for turn in ride.turns])
    riders = [turn.rider for turn in ride.turns]
    drawn = ride.left_j[starts, riders] - ride.left_j[ends, riders]
    return np.asarray(drawn - (team.rules.draw_per_turn + slack) * team.w_prime_j[riders])


def reserves_j(team: Team, span_s: Floats, power: Floats) -> Floats:
    """(parts + 1, riders) left of W′ from fresh; physics.reserve_after_j for all riders at once."""
    below = team.critical_power_w - power
    span = span_s[:, None]
    if team.rules.recovery == "integral-2012":
        keep = np.exp(-span / team.tau_s)
        add = np.maximum(0.0, -below) * team.tau_s * (1 - keep)
    else:
        resting = np.maximum(below, 0.0)
        rate = resting / team.w_prime_j if team.rules.recovery == "differential-2015" else resting**0.688 / 2287.2
        keep = np.exp(-span * rate)
        add = np.maximum(0.0, -below) * span
    drawn = np.zeros((len(span_s) + 1, team.riders))
    logs = np.cumsum(np.log(np.maximum(keep, 1e-300)), axis=0)
    if float(logs[-1].min()) > -600.0:
        # The recurrence drawn = keep · drawn + add in closed form: all terms are positive, nothing cancels.
        drawn[1:] = np.exp(logs) * np.cumsum(add * np.exp(-logs), axis=0)
    else:
        now = np.zeros(team.riders)
        for part in range(len(span_s)):
            now = now * keep[part] + add[part]
            drawn[part + 1] = now
    return team.w_prime_j - drawn

"""Speeds by slope: for a given rotation, the speeds that win time without anybody falling below the margin.

Around a simulated ride, time and reserves are nearly linear in the speeds; the slopes are exact (one pass back through
the ride, for each reserve that is nearly used up). Each step then solves a small quadratic problem: less time, reserves
held, no large change. Its multipliers are what a joule of reserve is worth here.
"""

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from caller.physics import DRIVETRAIN_EFFICIENCY, WHEEL_DRAG_AREA_M2, WHEEL_INERTIA_KG
from caller.planner.model import (
    DRAW_SLACK,
    FASTEST_LINE_MPS,
    SLOWEST_LINE_MPS,
    Floats,
    Ground,
    Ride,
    Rotation,
    Team,
    kept_j,
    lacking_j,
    over_draw_j,
    powers_w,
    simulate,
)

__all__ = [
    "FIXED",
    "STEEP",
    "Loose",
    "Polished",
    "climbed",
    "drawn_slopes",
    "hats",
    "merit_s",
    "polished",
    "power_slopes",
    "settled",
    "solve_step",
    "watched_places",
]

_NEAR: Final = 0.35
"""Reserves this near the floor, as a share of W′, are watched."""
_WINDOWS: Final = 10
_MOST_STEP: Final = 0.08
_STIFFNESS: Final = 0.3
_CONTROLS: Final = 160
_FORGOTTEN: Final = 300.0
"""Logarithm of how little may be left at the finish of what was drawn at the start; beyond it, it is taken as more."""
_FEW_MENDS: Final = 4
_NEARLY_J: Final = 10.0
"""Aimed at beyond what must be kept, for slopes are not quite straight."""
FIXED: Final = -1
"""The number of turns that don't change: see Loose."""
STEEP: Final = 2.0
"""How many missing joules of reserve a joule weighs that a turn draws beyond the rules and their slack."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Polished:
    """Speeds, what they come to, and what a joule is worth, seconds.

    Attributes:
        speeds_mps: (cells + 1,)
        rotation: who leads where.
        ride: what they come to.
        worth_s_per_j: (riders,) of each rider's reserve.
        draw_s_per_j: of what the dearest turn may draw.
    """

    speeds_mps: Floats
    rotation: Rotation
    ride: Ride
    worth_s_per_j: Floats
    draw_s_per_j: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Loose:
    """How turns may change.

    Attributes:
        longest_s: (stretches, riders) none longer; none is shorter than the rules' shortest.
        same: (stretches, riders) turns of one number change by the same factor; those of FIXED don't.
    """

    longest_s: Floats
    same: NDArray[np.int64]


def merit_s(team: Team, ride: Ride, rotation: Rotation, worth_s_per_j: Floats, draw_s_per_j: float) -> float:
    """Finish time with what is missing of reserves and what turns draw too much, half as dear again as it is worth.

    A joule is never cheaper than a second of everybody's critical power buys: slopes may find none scarce as yet.
    """
    worth = np.maximum(worth_s_per_j, 1 / float(team.critical_power_w.sum()))
    missing = np.maximum(0.0, kept_j(team, rotation) - ride.least_j)
    over = float(np.maximum(0.0, over_draw_j(team, ride, DRAW_SLACK)).sum())
    return ride.finish_s + 1.5 * (float(missing @ worth) + over * max(draw_s_per_j, float(worth.mean())))


def polished(
    team: Team,
    ground: Ground,
    speeds_mps: Floats,
    rotation: Rotation,
    steps: int,
    most: float = 0.02,
    loose: Loose | None = None,
) -> Polished:
    """Better speeds for a rotation; they nearly hold.

    Args:
        steps: how many times to look again.
        most: the largest relative change of speed in the first step; it shrinks when a step does not pay.
        loose: how turns may change their lengths too, by any fraction of a second; those that are 0 stay 0.
    """
    weights = hats(ground)
    speeds, ride = speeds_mps, simulate(team, ground, speeds_mps, rotation)
    worth, draw = np.full(team.riders, 1e-3), 0.0
    seen: _Slopes | None = None
    for _ in range(steps):
        if seen is None:
            seen = _slopes(team, ground, speeds, ride, rotation, loose)
        change, stretched, lam = seen.step(speeds, weights, most)
        found, dearest = seen.worth(lam, team.riders)
        if found.sum() > 0:
            worth = np.maximum(found, 0.02 * found.sum() / team.riders)
            draw = max(dearest, STEEP * float(worth.mean()))
        tried_mps = _changed(speeds, change)
        changed = _stretched(team, rotation, stretched, loose)
        tried = simulate(team, ground, tried_mps, changed)
        if merit_s(team, tried, rotation, worth, draw) < merit_s(team, ride, rotation, worth, draw):
            speeds, ride, rotation, seen = tried_mps, tried, changed, None
            most = min(1.6 * most, 1.0)
        else:
            most *= 0.45
            if most < 2e-4:
                break
    return Polished(speeds_mps=speeds, rotation=rotation, ride=ride, worth_s_per_j=worth, draw_s_per_j=draw)


def climbed(
    team: Team, ground: Ground, now: Polished, steps: int, loose: Loose | None = None, most: float = 0.01
) -> Polished | None:
    """The same, better step by step, each step mended until all hold; None if they don't even to begin with.

    Slower than polished, and surer where small changes make turns fall elsewhere.

    Args: as for polished.
    """
    best = settled(team, ground, now)
    if best is None:
        return None
    weights = hats(ground)
    seen: _Slopes | None = None
    for _ in range(steps):
        if seen is None:
            seen = _slopes(team, ground, best.speeds_mps, best.ride, best.rotation, loose)
        change, stretched, lam = seen.step(best.speeds_mps, weights, most)
        worth, dearest = seen.worth(lam, team.riders)
        rotation, speeds = _stretched(team, best.rotation, stretched, loose), _changed(best.speeds_mps, change)
        tried = Polished(
            speeds_mps=speeds,
            rotation=rotation,
            ride=simulate(team, ground, speeds, rotation),
            worth_s_per_j=np.maximum(worth, 0.02 * worth.mean()),
            draw_s_per_j=max(dearest, STEEP * float(worth.mean())),
        )
        won = tried.ride.finish_s < best.ride.finish_s
        after = settled(team, ground, tried, _FEW_MENDS + int(ground.stretch[-1]) // 10) if won else None
        if after is not None and after.ride.finish_s < best.ride.finish_s:
            best, seen = after, None
            most = min(1.6 * most, 1.0)
        else:
            most *= 0.4
            if most < 3e-4:
                break
    return best


def _stretched(team: Team, rotation: Rotation, stretched: Floats, loose: Loose | None) -> Rotation:
    """The rotation with turns longer by factors, given by their logarithms."""
    if loose is None:
        return rotation
    old = np.array(rotation.lengths_s)
    new = np.clip(
        old * np.exp(stretched), team.rules.shortest_turn_s, np.maximum(loose.longest_s, team.rules.shortest_turn_s)
    )
    new = np.where(loose.same == FIXED, old, np.where(old > 0, new, 0.0))
    return replace(rotation, lengths_s=tuple(tuple(row) for row in new.tolist()))


def settled(team: Team, ground: Ground, now: Polished, steps: int | None = None) -> Polished | None:
    """The same with speeds changed as little as may be until all hold; None if so few steps don't lead there.

    Turns fall elsewhere when speeds change, and one that begins on another stretch has another length: so a step may
    miss. Then a shorter one is tried, then the whole ride a little slower.
    """
    weights = hats(ground)
    speeds, ride, rotation = now.speeds_mps, now.ride, now.rotation
    lacking = lacking_j(team, ride, rotation)
    for _ in range(10 + int(ground.stretch[-1]) // 2 if steps is None else steps):
        if lacking == 0.0:
            return replace(now, speeds_mps=speeds, ride=ride)
        change = _slopes(team, ground, speeds, ride, rotation).mend(speeds, weights)
        for share in (1.0, 0.6, 0.3):
            tried_mps = _changed(speeds, share * change)
            tried = simulate(team, ground, tried_mps, rotation)
            after = lacking_j(team, tried, rotation)
            if after < lacking:
                break
        else:
            tried_mps = _changed(speeds, np.full(len(speeds), -0.001))
            tried = simulate(team, ground, tried_mps, rotation)
            after = lacking_j(team, tried, rotation)
        speeds, ride, lacking = tried_mps, tried, after
    return replace(now, speeds_mps=speeds, ride=ride) if lacking == 0.0 else None


def _changed(speeds: Floats, change: Floats) -> Floats:
    new = np.clip(speeds * (1 + change), SLOWEST_LINE_MPS / 2, FASTEST_LINE_MPS)
    new[0] = 0.0
    return np.asarray(new)


def hats(ground: Ground) -> Floats:
    """(cells + 1, controls) weights: speeds change smoothly between controls."""
    edges = ground.edge_m
    count = min(_CONTROLS, len(edges))
    knots = np.interp(np.linspace(0, len(edges) - 1, count), np.arange(len(edges)), edges)
    right = np.clip(np.searchsorted(knots, edges, side="right"), 1, count - 1)
    share = np.clip((edges - knots[right - 1]) / (knots[right] - knots[right - 1]), 0.0, 1.0)
    weights = np.zeros((len(edges), count))
    rows = np.arange(len(edges))
    weights[rows, right - 1] = 1 - share
    weights[rows, right] += share
    weights[0] = 0.0
    return weights


@dataclass(frozen=True, slots=True, kw_only=True)
class _Slopes:
    """A ride made linear.

    Attributes:
        time: (cells + 1,) seconds a m/s.
        rows: (watched, cells + 1) joules a m/s: reserves first, then what turns may still draw.
        slack: (watched,) joules above what must be kept.
        riders: whose reserves the first rows are.
        by_length: (watched, stretches, riders) joules for turns longer by a factor, to its logarithm.
        stiff_length: (stretches, riders) seconds by which such a step should pay.
        leads: (stretches · riders,) which turn's step each one takes.
    """

    time: Floats
    rows: Floats
    slack: Floats
    riders: list[int]
    by_length: Floats
    stiff_length: Floats
    leads: NDArray[np.int64]

    def step(self, speeds: Floats, weights: Floats, most: float) -> tuple[Floats, Floats, Floats]:
        """Changes that win time: (cells + 1,) of speed, relative, and (stretches, riders) of turns, as logarithms.

        And the multipliers, (watched,).
        """
        change, stretched, lam = solve_step(
            self.time, self.rows, speeds, self.slack, weights, most, self.by_length, self.stiff_length, most
        )
        return change, stretched.ravel()[self.leads].reshape(stretched.shape), lam

    def mend(self, speeds: Floats, weights: Floats) -> Floats:
        """(cells + 1,) the least relative changes of speed by which all would hold."""
        stiff = np.abs(self.time * speeds) @ weights + 1e-9
        big = (self.rows * speeds) @ weights
        lam = _not_below((big / stiff) @ big.T, _NEARLY_J - self.slack)
        return np.asarray(weights @ np.clip((lam @ big) / stiff, -_MOST_STEP, _MOST_STEP))

    def worth(self, lam: Floats, riders: int) -> tuple[Floats, float]:
        """(riders,) seconds a joule of reserve, and of what the dearest turn may draw."""
        count = len(self.riders)
        found = np.bincount(self.riders, weights=lam[:count], minlength=riders)
        return np.asarray(found, dtype=np.float64), float(lam[count:].max(initial=0.0))


def _slopes(
    team: Team, ground: Ground, speeds: Floats, ride: Ride, rotation: Rotation, loose: Loose | None = None
) -> _Slopes:
    mean = 0.5 * (speeds[:-1] + speeds[1:])
    by_mean = -ground.length_m / mean**2
    time = np.zeros(len(speeds))
    time[:-1] += 0.5 * by_mean
    time[1:] += 0.5 * by_mean
    over_j = ride.left_j - kept_j(team, rotation)
    watched = watched_places(team, over_j, rotation.order)
    steep = _steep_turns(team, ride)
    places = [*watched]
    places += [(rider, end) for rider, _, end, _ in steep]
    places += [(rider, start) for rider, start, _, _ in steep]
    rows, longer = _reserve_slopes(team, ground, speeds, ride, places)
    ends = len(watched) + len(steep)

    def gathered(each: Floats) -> Floats:
        return np.concatenate((each[: len(watched)], each[len(watched) : ends] - each[ends:]))

    by_length, stiff_length = np.zeros((ends, 0, 0)), np.zeros((0, 0))
    if loose is not None:
        share = np.array(rotation.lengths_s)
        share = share / share.sum(axis=1, keepdims=True)
        spans = np.bincount(ground.stretch, weights=np.diff(ride.edge_s))
        by_length = _alike(gathered(_by_length(ground, ride, rotation, longer)) * (loose.same != FIXED), loose.same)
        stiff_length = _alike(0.005 * spans[:, None] * np.maximum(share, 0.01), loose.same)
    return _Slopes(
        time=time,
        rows=gathered(rows),
        by_length=by_length,
        stiff_length=stiff_length,
        leads=np.zeros(0, dtype=np.int64) if loose is None else _first_alike(loose.same),
        slack=np.array([*(over_j[part, rider] for rider, part in watched), *(-over for _, _, _, over in steep)]),
        riders=[rider for rider, _ in watched],
    )


def _steep_turns(team: Team, ride: Ride) -> list[tuple[int, int, int, float]]:
    """(rider, first part, last part, J over) of the turns that draw more than the rules allow, or nearly."""
    over = over_draw_j(team, ride, DRAW_SLACK)
    found = []
    for index in np.argsort(-over, kind="stable")[:12].tolist():
        turn = ride.turns[index]
        if over[index] > -0.05 * float(team.w_prime_j[turn.rider]):
            start, end = np.searchsorted(ride.cut_s, (turn.start_s, turn.end_s)).tolist()
            found.append((turn.rider, start, end, float(over[index])))
    return found


def solve_step(
    time_slope: Floats,
    rows: Floats,
    speeds: Floats,
    slack: Floats,
    weights: Floats,
    most: float,
    by_logit: Floats,
    stiff_logit: Floats,
    most_logit: float,
) -> tuple[Floats, Floats, Floats]:
    """Least of time slope · change + ½ stiffness · change², with each watched reserve's linear forecast not below 0.

    Args:
        time_slope: (edges,) seconds a m/s.
        rows: (watched, edges) joules a m/s.
        slack: (watched,) joules above the floor.
        weights: (edges, controls)
        most: how freely to step: of the order of the relative change of a control.
        by_logit: (watched, stretches, riders) joules a unit of the logarithm of front shares.
        stiff_logit: (stretches, riders)
        most_logit: the same for the logarithms.
    Returns: (edges,) relative changes of speed, (stretches, riders) of logarithms, (watched,) multipliers.
    """
    g = (time_slope * speeds) @ weights
    big = (rows * speeds) @ weights
    stiff = _STIFFNESS / most * (np.abs(time_slope * speeds) @ weights) + 1e-9
    flat = by_logit.reshape(len(rows), -1)
    stiff_flat = stiff_logit.ravel() / most_logit + 1e-9 if most_logit else stiff_logit.ravel()
    scaled = big / stiff
    quad = scaled @ big.T
    if flat.shape[1]:
        quad = quad + (flat / stiff_flat) @ flat.T
    line = scaled @ g
    lam = _not_below(quad, line - slack)
    change = weights @ np.clip(-(g - lam @ big) / stiff, -_MOST_STEP, _MOST_STEP)
    logits = np.clip((lam @ flat) / stiff_flat, -0.3, 0.3) if flat.shape[1] else np.zeros(0)
    return change, logits.reshape(stiff_logit.shape), lam


def _not_below(quad: Floats, wanted: Floats) -> Floats:
    """(rows,) λ ≥ 0 with the least of ½ λ quad λ - wanted λ: the active-set method of Lawson and Hanson 1974."""
    count = len(wanted)
    lam = np.zeros(count)
    ridge = quad + np.diag(1e-9 * np.diag(quad) + 1e-18)
    scale = 1 / np.sqrt(np.diag(ridge))
    active: list[int] = []
    for _ in range(3 * count):
        rest = (wanted - ridge @ lam) * scale
        rest[active] = -np.inf
        best = int(np.argmax(rest)) if count else 0
        if not count or rest[best] <= 1e-6 * float(np.max(np.abs(wanted * scale))):
            break
        active.append(best)
        while True:
            some = np.array(active)
            tried = np.linalg.solve(ridge[np.ix_(some, some)], wanted[some])
            if np.all(tried > 0):
                lam[some] = tried
                break
            old = lam[some]
            falling = tried <= 0
            step = float(np.min(old[falling] / np.maximum(old[falling] - tried[falling], 1e-300)))
            new = old + step * (tried - old)
            lam[some] = np.where(new > 1e-15 * float(np.max(new, initial=0.0)), new, 0.0)
            dropped = int(np.argmin(np.where(falling, old / np.maximum(old - tried, 1e-300), np.inf)))
            lam[active[dropped]] = 0.0
            active = [one for one in active if lam[one] > 0]
            if not active:
                break
    return lam


def watched_places(team: Team, over_j: Floats, order: tuple[int, ...]) -> list[tuple[int, int]]:
    """(rider, part) where a reserve is least in a window of the ride, and near what it must keep, or least of all.

    Args:
        over_j: (parts + 1, riders) reserves above what must be kept.
    """
    parts = len(over_j)
    borders = np.linspace(0, parts, _WINDOWS + 1).astype(int).tolist()
    found: list[tuple[int, int]] = []
    for rider in order:
        mine = over_j[:, rider]
        near = _NEAR * float(team.w_prime_j[rider])
        least = 1 + int(np.argmin(mine[1:]))
        for start, end in pairwise(borders):
            if end > start:
                part = start + int(np.argmin(mine[start:end]))
                if part > 0 and (part == least or mine[part] < near):
                    found.append((rider, part))
    return found


def _alike(each: Floats, same: NDArray[np.int64]) -> Floats:
    """(…, stretches, riders) sums over turns that change together, where the first of them stands; 0 for the others.

    A step of the first is then a step of all: see _Slopes.step.
    """
    flat = each.reshape(-1, same.size)
    sums = np.zeros_like(flat)
    np.add.at(sums.T, _first_alike(same), flat.T)
    return np.asarray(sums.reshape(each.shape))


def _first_alike(same: NDArray[np.int64]) -> NDArray[np.int64]:
    """(stretches · riders,) the first turn that each one changes together with."""
    _, first, group = np.unique(same.ravel(), return_index=True, return_inverse=True)
    return np.asarray(first[group])


def _reserve_slopes(
    team: Team, ground: Ground, speeds: Floats, ride: Ride, watched: list[tuple[int, int]]
) -> tuple[Floats, Floats]:
    """(watched, cells + 1) joules of reserve won at each watched place by a m/s more at each edge.

    Turns are kept by time: whoever is faster before a change of place has come further by then.
    And (watched, turns but the last) joules won by a turn a second longer, with all that follows a second later.
    """
    by_power, by_span, keep = drawn_slopes(team, ride)
    first, second = power_slopes(team, ground, speeds, ride)
    mean = 0.5 * (speeds[:-1] + speeds[1:])
    span_slope = (-np.diff(ride.cut_s) / (2 * mean[ride.cell]))[:, None]
    riders, parts = (np.array(watched, dtype=np.int64).reshape(-1, 2)).T
    cells = len(ground.grade)
    # What a joule drawn at an instant still counts at a later one is later / by_then; so each rider's sums serve all
    # of that rider's places.
    logs = np.vstack((np.zeros(team.riders), np.cumsum(np.log(np.maximum(keep, 1e-300)), axis=0)))
    by_then = np.exp(logs * np.minimum(1.0, _FORGOTTEN / np.maximum(-logs[-1], 1e-9)))
    later = by_then[parts, riders]
    firsts = np.searchsorted(ride.cell, np.arange(cells + 1))
    inside = np.minimum(firsts[None, :], parts[:, None])
    rows = np.zeros((len(watched), cells + 1))
    for slope, edges in ((first, slice(None, -1)), (second, slice(1, None))):
        sums = np.vstack((np.zeros(team.riders), np.cumsum((by_power * slope + by_span * span_slope) / by_then[1:], 0)))
        rows[:, edges] -= np.diff(sums[inside, riders[:, None]], axis=1) * later[:, None]
    turns = ride.turns[:-1]
    if not turns:
        return rows, np.zeros((len(watched), 0))
    # The ground comes later under a change of place: less of what was before it, more of what is after.
    changes, cell, share, jump = _changes(team, ground, speeds, ride)
    past = np.searchsorted(changes, parts)
    at_change = (past < len(changes)) & (changes[np.minimum(past, len(changes) - 1)] == parts)
    there = np.minimum(past, len(changes) - 1)
    last = np.where(at_change, jump[there, team.riders + riders], 0.0)
    moved = jump[:, : team.riders] / by_then[changes]
    sums, shared = (
        np.vstack((np.zeros(team.riders), np.cumsum(one, axis=0))) for one in (moved, moved * share[:, None])
    )
    upto = np.minimum(np.searchsorted(cell, np.arange(cells + 1))[None, :], past[:, None])
    of = riders[:, None]
    shift = sums[past, riders][:, None] - sums[upto[:, 1:], of] + np.diff(shared[upto, of], axis=1)
    shift = shift * later[:, None] + last[:, None] * np.where(
        np.arange(cells) < cell[there][:, None], 1.0, (np.arange(cells) == cell[there][:, None]) * share[there][:, None]
    )
    shift = shift * (np.diff(ride.edge_s) / (2 * mean))
    rows[:, :-1] += shift
    rows[:, 1:] += shift
    ends = np.searchsorted(ride.phases.start_s[1:], [turn.end_s for turn in turns])
    before = np.minimum(ends[None, :], past[:, None])
    longer = (sums[past, riders][:, None] - sums[before, of]) * later[:, None]
    longer += last[:, None] * (ends <= there[:, None])
    return rows, longer


def _by_length(ground: Ground, ride: Ride, rotation: Rotation, longer: Floats) -> Floats:
    """(watched, stretches, riders) joules of reserve won by turns longer by a factor, to its logarithm.

    Args:
        longer: (watched, turns but the last) joules won by a turn a second longer.
    """
    lengths = np.array(rotation.lengths_s)
    slopes = np.zeros((lengths.size, len(longer)))
    turns = ride.turns[:-1]
    if turns:
        cells = np.searchsorted(ride.edge_s, [turn.start_s for turn in turns], side="right") - 1
        riders = np.array([turn.rider for turn in turns])
        spans = np.array([turn.end_s - turn.start_s for turn in turns])
        np.add.at(slopes, ground.stretch[cells] * lengths.shape[1] + riders, longer.T * spans[:, None])
    return np.asarray(np.where(lengths > 0, slopes.T.reshape(-1, *lengths.shape), 0.0))


def _changes(
    team: Team, ground: Ground, speeds: Floats, ride: Ride
) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats, Floats]:
    """Changes of place, (changes,) each: the part that begins with it, its cell, the share of the cell's time behind.

    And (changes, 2 riders) by how much more is drawn a second after it than before; and, negative, what is before it.
    """
    changes = np.searchsorted(ride.cut_s, ride.phases.start_s[1:])
    cell = ride.cell[changes]
    share = (ride.cut_s[changes] - ride.edge_s[cell]) / np.diff(ride.edge_s)[cell]
    v = speeds[cell] + share * (speeds[cell + 1] - speeds[cell])
    gain = (np.diff(speeds) / np.diff(ride.edge_s))[cell]
    drawn = team.w_prime_j - ride.left_j[changes]
    before, after = (
        drawing_w(team, powers_w(team, ground, cell, v, v, gain, ride.phases, ride.phase[place]), drawn)
        for place in (changes - 1, changes)
    )
    return changes, cell, share, np.hstack((after - before, -before))


def drawing_w(team: Team, power: Floats, drawn: Floats) -> Floats:
    """(…, riders) joules a second that are drawn at a power with so much drawn; below 0 where it refills."""
    over = power - team.critical_power_w
    below = np.maximum(-over, 0.0)
    if team.rules.recovery == "integral-2012":
        return np.asarray(np.maximum(over, 0.0) - drawn / team.tau_s)
    rate = below / team.w_prime_j if team.rules.recovery == "differential-2015" else below**0.688 / 2287.2
    return np.where(over > 0, over, -drawn * rate)


def drawn_slopes(team: Team, ride: Ride) -> tuple[Floats, Floats, Floats]:
    """(parts, riders) how what is drawn after a part grows with its power and with its span; and what it keeps."""
    span = np.diff(ride.cut_s)[:, None]
    drawn = team.w_prime_j - ride.left_j[:-1]
    over = ride.power_w - team.critical_power_w
    working = over > 0
    below = np.maximum(-over, 1e-9)
    if team.rules.recovery == "integral-2012":
        keep = np.exp(-span / team.tau_s)
        by_power = np.where(working, team.tau_s * (1 - keep), 0.0)
        by_span = np.maximum(over, 0.0) * keep - drawn * keep / team.tau_s
        return by_power, by_span, np.broadcast_to(keep, drawn.shape)
    if team.rules.recovery == "differential-2015":
        rate, bend = below / team.w_prime_j, -1 / team.w_prime_j * np.ones_like(below)
    else:
        rate, bend = below**0.688 / 2287.2, -0.688 * np.maximum(below, 1.0) ** -0.312 / 2287.2
    rate = np.where(working, 0.0, rate)
    keep = np.exp(-span * rate)
    by_power = np.where(working, span, -keep * drawn * span * bend)
    by_span = np.where(working, over, -keep * drawn * rate)
    return by_power, by_span, keep


def power_slopes(team: Team, ground: Ground, speeds: Floats, ride: Ride) -> tuple[Floats, Floats]:
    """(parts, riders) how crank power grows with the speed at the near and at the far edge of its cell."""
    cell = ride.cell
    v0, v1 = speeds[:-1][cell], speeds[1:][cell]
    first, last = _shares_of_cell(ride)
    before, after = v0 + (v1 - v0) * first, v0 + (v1 - v0) * last
    rms = np.maximum(np.sqrt(0.5 * (before**2 + after**2)), 1e-3)
    mean = 0.5 * (before + after)
    length = ground.length_m[cell]
    gain = (v1**2 - v0**2) / (2 * length)
    inertia = team.mass_kg + WHEEL_INERTIA_KG
    area = team.drag_area_m2 * ride.phases.share[ride.phase] + WHEEL_DRAG_AREA_M2
    air = rms[:, None] + ground.wind_mps - ride.phases.slower_mps[ride.phase]
    thick = 0.5 * ground.density_kg_m3[cell][:, None] * area
    force = (
        thick * air * np.abs(air)
        + ground.push_n_per_kg[cell][:, None] * team.mass_kg
        + (0.091 + 0.0087 * rms)[:, None]
        + gain[:, None] * inertia
    )
    by_rms = 2 * thick * np.abs(air) + 0.0087
    slopes = []
    for at_first, at_last, edge, sign in ((1 - first, 1 - last, v0, -1.0), (first, last, v1, 1.0)):
        rms_slope = ((before * at_first + after * at_last) / (2 * rms))[:, None]
        gain_slope = (sign * edge / length)[:, None]
        slope = (
            mean[:, None] * (by_rms * rms_slope + gain_slope * inertia) + 0.5 * (at_first + at_last)[:, None] * force
        )
        slopes.append(np.where(ride.power_w > 0, slope, 0.0) / DRIVETRAIN_EFFICIENCY)
    return slopes[0], slopes[1]


def _shares_of_cell(ride: Ride) -> tuple[Floats, Floats]:
    """(parts,) which share of its cell's time has passed before and after each part; a smooth ride has no order."""
    if not ride.turns:
        return np.zeros(len(ride.cell)), np.ones(len(ride.cell))
    spans = np.diff(ride.edge_s)[ride.cell]
    start = ride.edge_s[ride.cell]
    return (ride.cut_s[:-1] - start) / spans, (ride.cut_s[1:] - start) / spans

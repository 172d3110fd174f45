"""Speeds by slope: for a given rotation, the speeds that win time without anybody falling below the margin.

Around a simulated ride, time and reserves are nearly linear in the speeds; the slopes are exact (one pass back through
the ride, for each reserve that is nearly used up). Each step then solves a small quadratic problem: less time, reserves
held, no large change. Its multipliers are what a joule of reserve is worth here.
"""

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

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
    over_draw_j,
    simulate,
)

__all__ = [
    "STEEP",
    "Polished",
    "drawn_slopes",
    "hats",
    "merit_s",
    "polished",
    "power_slopes",
    "solve_step",
    "watched_places",
]

_NEAR: Final = 0.35
"""Reserves this near the floor, as a share of W′, are watched."""
_WINDOWS: Final = 16
_MOST_STEP: Final = 0.08
_STIFFNESS: Final = 0.3
_CONTROLS: Final = 160
STEEP: Final = 2.0
"""How many missing joules of reserve a joule weighs that a turn draws beyond the rules and their slack."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Polished:
    """Speeds, what they come to, and the worth of a joule to each rider's reserve, seconds."""

    speeds_mps: Floats
    ride: Ride
    worth_s_per_j: Floats


def merit_s(team: Team, ride: Ride, worth_s_per_j: Floats) -> float:
    """Finish time with what is missing of reserves at half as much again as its worth."""
    missing = np.maximum(0.0, team.rules.reserve_margin * team.w_prime_j - ride.least_j)
    over = STEEP * float(np.maximum(0.0, over_draw_j(team, ride, DRAW_SLACK)).sum()) * float(worth_s_per_j.mean())
    return ride.finish_s + 1.5 * (float(missing @ worth_s_per_j) + over)


def polished(
    team: Team, ground: Ground, speeds_mps: Floats, rotation: Rotation, steps: int, most: float = 0.02
) -> Polished:
    """Better speeds for a rotation.

    Args:
        steps: how many times to look again.
        most: the largest relative change of speed in the first step; it shrinks when a step does not pay.
    """
    weights = hats(ground)
    ride = simulate(team, ground, speeds_mps, rotation)
    worth = np.full(team.riders, 1e-3)
    best = Polished(speeds_mps=speeds_mps, ride=ride, worth_s_per_j=worth)
    for _ in range(steps):
        change, multipliers = _step(team, ground, best.speeds_mps, best.ride, rotation, weights, most)
        if multipliers.sum() > 0:
            worth = np.maximum(multipliers, 0.02 * multipliers.sum() / team.riders)
        speeds = np.clip(best.speeds_mps * (1 + change), SLOWEST_LINE_MPS / 2, FASTEST_LINE_MPS)
        speeds[0] = 0.0
        tried = simulate(team, ground, speeds, rotation)
        if merit_s(team, tried, worth) < merit_s(team, best.ride, worth):
            best = Polished(speeds_mps=speeds, ride=tried, worth_s_per_j=worth)
            most = min(1.6 * most, 1.0)
        else:
            best = Polished(speeds_mps=best.speeds_mps, ride=best.ride, worth_s_per_j=worth)
            most *= 0.45
            if most < 2e-4:
                break
    return best


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


def _step(
    team: Team, ground: Ground, speeds: Floats, ride: Ride, rotation: Rotation, weights: Floats, most: float
) -> tuple[Floats, Floats]:
    """(cells + 1,) relative changes of speed, and (riders,) multipliers."""
    lengths = ground.length_m
    mean = 0.5 * (speeds[:-1] + speeds[1:])
    by_mean = -lengths / mean**2
    time_slope = np.zeros(len(speeds))
    time_slope[:-1] += 0.5 * by_mean
    time_slope[1:] += 0.5 * by_mean
    over_j = ride.left_j - team.rules.reserve_margin * team.w_prime_j
    watched = watched_places(team, over_j, rotation.order)
    rows = _reserve_slopes(team, ground, speeds, ride, watched)
    slack = np.array([over_j[part, rider] for rider, part in watched])
    steep = _steep_turns(team, ride)
    if steep:
        ends = _reserve_slopes(team, ground, speeds, ride, [(rider, end) for rider, _, end, _ in steep])
        starts = _reserve_slopes(team, ground, speeds, ride, [(rider, start) for rider, start, _, _ in steep])
        rows = np.vstack((rows, ends - starts))
        slack = np.concatenate((slack, [-over for _, _, _, over in steep]))
    none = np.zeros((len(rows), 0, 0))
    change, _, lam = solve_step(time_slope, rows, speeds, slack, weights, most, none, np.zeros((0, 0)), 0.0)
    multipliers = np.zeros(team.riders)
    for value, (rider, _) in zip(lam[: len(watched)], watched, strict=True):
        multipliers[rider] += value
    return change, multipliers


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
    lam = np.zeros(len(rows))
    diagonal = np.maximum(np.diag(quad), 1e-18)
    wanted = line - slack
    for _ in range(60):
        before = lam.copy()
        for row in range(len(lam)):
            lam[row] = max(0.0, lam[row] + (wanted[row] - float(quad[row] @ lam)) / diagonal[row])
        if float(np.max(np.abs(lam - before), initial=0.0)) <= 1e-3 * float(np.max(lam, initial=0.0)):
            break
    change = weights @ np.clip(-(g - lam @ big) / stiff, -_MOST_STEP, _MOST_STEP)
    logits = np.clip((lam @ flat) / stiff_flat, -0.3, 0.3) if flat.shape[1] else np.zeros(0)
    return change, logits.reshape(stiff_logit.shape), lam


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


def _reserve_slopes(team: Team, ground: Ground, speeds: Floats, ride: Ride, watched: list[tuple[int, int]]) -> Floats:
    """(watched, cells + 1) joules of reserve won at each watched place by a m/s more at each edge.

    Changes of place are held to where they are on the course, though turns are kept by time: good for small steps.
    """
    by_power, by_span, keep = drawn_slopes(team, ride)
    first, second = power_slopes(team, ground, speeds, ride)
    mean = 0.5 * (speeds[:-1] + speeds[1:])
    span_slope = -np.diff(ride.cut_s) / (2 * mean[ride.cell])
    at_first = by_power * first + by_span * span_slope[:, None]
    at_second = by_power * second + by_span * span_slope[:, None]
    logs = np.vstack((np.zeros(team.riders), np.cumsum(np.log(np.maximum(keep, 1e-300)), axis=0)))
    cells = len(ground.grade)
    rows = np.zeros((len(watched), cells + 1))
    for row, (rider, part) in enumerate(watched):
        weight = np.exp(logs[part, rider] - logs[1 : part + 1, rider])
        here = ride.cell[:part]
        rows[row, :cells] -= np.bincount(here, weights=weight * at_first[:part, rider], minlength=cells)
        rows[row, 1:] -= np.bincount(here, weights=weight * at_second[:part, rider], minlength=cells)
    return rows


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

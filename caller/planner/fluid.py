"""The race with turns too short to count: smooth, so that speeds and shares of the front can be found by slope.

In each cell everybody leads for a share of the time, in the order of the line; whoever led before drifts for a part of
it. Speeds at the cells' edges and, on each stretch, shares of the front go downhill together (see ``polish`` for the
step). Half of what a turn draws is kept free above the margin, for the turns that will be ridden instead.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from caller.physics import drift_s
from caller.planner.model import (
    FASTEST_LINE_MPS,
    SLOWEST_LINE_MPS,
    Floats,
    Ground,
    Phases,
    Ride,
    Team,
    edge_times_s,
    powers_w,
    reserves_j,
)
from caller.planner.polish import drawn_slopes, hats, power_slopes, solve_step, watched_places

__all__ = ["Flow", "flow"]

_STEPS: Final = 24
_LEAST_SHARE: Final = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class Flow:
    """A smooth ride.

    Attributes:
        speeds_mps: (cells + 1,)
        shares: (stretches, riders) of the time on the front.
        worth_s_per_j: (riders,) of a joule more.
        finish_s: of the smooth ride.
    """

    speeds_mps: Floats
    shares: Floats
    worth_s_per_j: Floats
    finish_s: float


def flow(team: Team, ground: Ground, speeds_mps: Floats, shares: Floats, order: tuple[int, ...], turn_s: float) -> Flow:
    """The best smooth ride near a first guess.

    Args:
        shares: (stretches, riders) of the front, each row adding up to one; 0 for riders not in the order, and where a
            rider is never to lead.
        order: who follows whom.
        turn_s: the usual length of a turn.
    """
    build = _Builder.of(team, ground, order, turn_s)
    leads = shares > 0
    weights = hats(ground)
    logits = np.log(np.maximum(shares, _LEAST_SHARE))
    worth = np.full(team.riders, 1e-3)
    now = build.ride(speeds_mps, _softmax(logits, leads))
    speeds, most = speeds_mps, 0.1
    for _ in range(_STEPS):
        share = _softmax(logits, leads)
        over_j = build.over_j(now, build.kept_free(speeds, share))
        places = watched_places(team, over_j, order)
        time_slope = build.time_slope(speeds)
        rows, by_share = build.slopes(speeds, now, places)
        slack = np.array([over_j[part, rider] for rider, part in places])
        # d share_i / d logit_j = share_i (1{i=j} - share_j), stretch by stretch
        inner = np.einsum("rmi,mi->rm", by_share, share)
        by_logit = share * (by_share - inner[:, :, None])
        spans = build.stretch_s(speeds)
        stiff_logit = 0.005 * spans[:, None] * np.maximum(share, 0.01)
        change, turn_change, lam = solve_step(
            time_slope, rows, speeds, slack, weights, most, by_logit, stiff_logit, most
        )
        multipliers = np.zeros(team.riders)
        for value, (rider, _) in zip(lam, places, strict=True):
            multipliers[rider] += value
        if multipliers.sum() > 0:
            worth = np.maximum(multipliers, 0.05 * multipliers.sum() / len(order))
        new_speeds = np.clip(speeds * (1 + change), SLOWEST_LINE_MPS / 2, FASTEST_LINE_MPS)
        new_speeds[0] = 0.0
        new_logits = np.clip(logits + turn_change, np.log(_LEAST_SHARE), 0.0)
        new_share = _softmax(new_logits, leads)
        new_logits = np.log(np.maximum(new_share, _LEAST_SHARE))
        tried = build.ride(new_speeds, new_share)
        before = build.merit_s(now, build.kept_free(speeds, share), worth, order)
        after = build.merit_s(tried, build.kept_free(new_speeds, new_share), worth, order)
        if after < before:
            speeds, logits, now = new_speeds, new_logits, tried
            if before - after < 1e-5 * before:
                break
            most = min(1.6 * most, 1.0)
        else:
            most *= 0.3
            if most < 3e-4:
                break
    return Flow(
        speeds_mps=speeds,
        shares=_softmax(logits, leads),
        worth_s_per_j=worth,
        finish_s=now.finish_s,
    )


def _softmax(logits: Floats, leads: NDArray[np.bool_]) -> Floats:
    raw = np.where(leads, np.exp(logits - logits.max(axis=1, keepdims=True)), 0.0)
    return np.asarray(raw / raw.sum(axis=1, keepdims=True))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Builder:
    """What stays the same from step to step."""

    team: Team
    ground: Ground
    order: tuple[int, ...]
    turn_s: float
    drifting: float
    phases: Phases
    cell: NDArray[np.int64]
    phase: NDArray[np.int64]
    leader: NDArray[np.int64]
    part: Floats

    @staticmethod
    def of(team: Team, ground: Ground, order: tuple[int, ...], turn_s: float) -> "_Builder":
        count = len(order)
        away_s = drift_s(count, team.rules.closing_mps) + team.rules.latch_s
        drifting = min(0.9, away_s / turn_s) if count > 1 else 0.0
        share = np.ones((2 * count, team.riders))
        slower = np.zeros((2 * count, team.riders))
        for place in range(count):
            line = [order[(place + step) % count] for step in range(count)]
            for slot, rider in enumerate(line):
                share[2 * place, rider] = team.shares[count][slot]
            for slot, rider in enumerate(line[:-1] if count > 1 else line):
                share[2 * place + 1, rider] = team.shares[max(1, count - 1)][slot]
            if count > 1:
                slower[2 * place + 1, line[-1]] = team.rules.closing_mps
        rides = np.zeros((2 * count, team.riders))
        rides[:, list(order)] = 1.0
        cells = len(ground.grade)
        phase = np.tile(np.arange(2 * count), cells)
        return _Builder(
            team=team,
            ground=ground,
            order=order,
            turn_s=turn_s,
            drifting=drifting,
            phases=Phases(start_s=np.zeros(2 * count), share=share, slower_mps=slower, rides=rides),
            cell=np.repeat(np.arange(cells), 2 * count),
            phase=phase,
            leader=np.array(order)[phase // 2],
            part=np.where(phase % 2 == 1, drifting, 1 - drifting),
        )

    def ride(self, speeds: Floats, share: Floats) -> Ride:
        edge_s = edge_times_s(self.ground, speeds)
        spans = np.diff(edge_s)[self.cell] * share[self.ground.stretch[self.cell], self.leader] * self.part
        power = self.powers_w(speeds)
        left = reserves_j(self.team, spans, power)
        return Ride(
            finish_s=float(edge_s[-1]),
            edge_s=edge_s,
            turns=(),
            cut_s=np.concatenate(([0.0], np.cumsum(spans))),
            power_w=power,
            left_j=left,
            cell=self.cell,
            phase=self.phase,
            phases=self.phases,
            least_j=left.min(axis=0),
            stretch_j=left[-1:],
        )

    def powers_w(self, speeds: Floats) -> Floats:
        """(parts, riders), each cell ridden at its mean."""
        gain = np.diff(speeds) / np.diff(edge_times_s(self.ground, speeds))
        cell = self.cell
        return powers_w(
            self.team, self.ground, cell, speeds[cell], speeds[cell + 1], gain[cell], self.phases, self.phase
        )

    def time_slope(self, speeds: Floats) -> Floats:
        mean = 0.5 * (speeds[:-1] + speeds[1:])
        slope = np.zeros(len(speeds))
        slope[:-1] -= 0.5 * self.ground.length_m / mean**2
        slope[1:] -= 0.5 * self.ground.length_m / mean**2
        return slope

    def stretch_s(self, speeds: Floats) -> Floats:
        return np.asarray(
            np.bincount(self.ground.stretch, weights=np.diff(edge_times_s(self.ground, speeds))), dtype=np.float64
        )

    def slopes(self, speeds: Floats, ride: Ride, places: list[tuple[int, int]]) -> tuple[Floats, Floats]:
        """(places, cells + 1) of each watched reserve by speeds, and (places, stretches, riders) by shares."""
        by_power, by_span, keep = drawn_slopes(self.team, ride)
        first, second = power_slopes(self.team, self.ground, speeds, ride)
        mean = 0.5 * (speeds[:-1] + speeds[1:])
        spans = np.diff(ride.cut_s)
        span_slope = (-spans / (2 * mean[self.cell]))[:, None]
        at_first = by_power * first + by_span * span_slope
        at_second = by_power * second + by_span * span_slope
        full = (np.diff(ride.edge_s)[self.cell] * self.part)[:, None] * by_span
        logs = np.vstack((np.zeros(self.team.riders), np.cumsum(np.log(np.maximum(keep, 1e-300)), axis=0)))
        cells, stretches = len(self.ground.grade), int(self.ground.stretch[-1]) + 1
        stretch = self.ground.stretch[self.cell]
        slot = stretch * self.team.riders + self.leader
        rows = np.zeros((len(places), cells + 1))
        shares = np.zeros((len(places), stretches, self.team.riders))
        for row, (rider, part) in enumerate(places):
            weight = np.exp(logs[part, rider] - logs[1 : part + 1, rider])
            here = self.cell[:part]
            rows[row, :cells] -= np.bincount(here, weights=weight * at_first[:part, rider], minlength=cells)
            rows[row, 1:] -= np.bincount(here, weights=weight * at_second[:part, rider], minlength=cells)
            shares[row] -= np.bincount(
                slot[:part], weights=weight * full[:part, rider], minlength=stretches * self.team.riders
            ).reshape(stretches, self.team.riders)
        return rows, shares

    def kept_free(self, speeds: Floats, share: Floats) -> Floats:
        """(stretches, riders) half of what a turn draws, on average over each stretch."""
        power = self.powers_w(speeds)
        leading = power[np.arange(len(self.leader)), self.leader] - self.team.critical_power_w[self.leader]
        over = np.maximum(leading, 0.0).reshape(-1, 2 * len(self.order))[:, 0::2]
        spans = np.diff(edge_times_s(self.ground, speeds))
        stretches = int(self.ground.stretch[-1]) + 1
        total = np.bincount(self.ground.stretch, weights=spans)
        free = np.zeros((stretches, self.team.riders))
        for place, rider in enumerate(self.order):
            mean = np.bincount(self.ground.stretch, weights=spans * over[:, place]) / total
            free[:, rider] = 0.5 * mean * share[:, rider] * self.turn_s * len(self.order)
        return np.minimum(free, 0.3 * self.team.w_prime_j)

    def over_j(self, ride: Ride, free: Floats) -> Floats:
        """(parts + 1, riders) reserves above the margin and what turns need."""
        stretch = np.append(self.ground.stretch[self.cell], self.ground.stretch[-1])
        return np.asarray(ride.left_j - self.team.rules.reserve_margin * self.team.w_prime_j - free[stretch])

    def merit_s(self, ride: Ride, free: Floats, worth: Floats, order: tuple[int, ...]) -> float:
        missing = np.maximum(0.0, -self.over_j(ride, free)[1:].min(axis=0))[list(order)]
        return ride.finish_s + 1.5 * float(missing @ worth[list(order)])

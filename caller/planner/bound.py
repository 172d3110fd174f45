"""A proof of how fast no rotation whatever can be: Lagrange multipliers on reserve and on energy of motion.

What is proved. In ``model`` a ride takes ∫dx/v. Rider i starts with W = W′ and must never fall below a floor. Each
second the reserve loses at least φ_r(P): what is over critical power, or, below it, less what the recovery model gives back
where the share r = 1 - W/W′ of the reserve is drawn (see ``_offset_w``). Power is never negative. The square of speed
u = v²/2 changes by the acceleration a(x), which all riders share.

Take any prices π_i(x) ≥ 0 of a joule of reserve (seconds a joule) and q_i(x) = σ_i m_i / Ec of a unit of u, linear
within each cell. Adding price times what must not be exceeded, and integrating by parts,

    T ≥ ∫ min over v, W, who leads, who follows where, of h dx  +  Σ_i [π_i(end) floor_i - π_i(0) W′_i],
    h = 1/v + Σ_i [σ_i F_i(v, share_i)/Ec + π_i offset_i(σ_i/π_i, W_i)/v - π_i′ W_i] - q′ v²/2,

where offset(s, W) = min over P ≥ 0 of φ(P) - s P makes s P + offset(s) a line nowhere above φ: so acceleration
drops out; u(end) ≥ 0 was left out. The leader may have a steeper line than the others: its extra slope times mass is
one number c(x) for whoever leads, so that q stays one function of x. φ_r falls linearly in r, so offset - π′ W is concave
in W, and only W = floor and W = W′ need be tried. h is a minimum of functions linear or concave in (π, σ, c) and their
slopes: concave along a cell. So the trapezoid of its two ends is below its integral, and all that is left is a
minimum over speed, for each leader, with the followers sorted: the dearest drag to the best shelter. Shares are those
of the whole team's line, which no shorter line undercuts; a drifting rider, alone but slower, is covered by capping
shares at ((v + w - c)/(v + w))².

Whoever need not finish may be spent: for each choice of them the floor is 0, and they may be absent.

Must not know how a plan was found. A plan below this bound is a bug.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Final

import numpy as np

from caller.physics import DRIVETRAIN_EFFICIENCY, WHEEL_DRAG_AREA_M2, WHEEL_INERTIA_KG
from caller.planner.model import FASTEST_LINE_MPS, Floats, Ground, Team

__all__ = ["Guide", "Limits", "Prices", "coarse_ground", "guide", "limits_of", "lower_bound_s"]

_SLOWEST_MPS: Final = 0.4
_GRID: Final = 26
_GOLDEN: Final = 18
_MOST_CHOICES: Final = 80
_PIECES: Final = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Prices:
    """Multipliers at the edges of cells.

    Attributes:
        reserve: (cells + 1, riders) π, seconds a joule.
        slope: (cells + 1,) s of those who follow, 0 to 1.
        lead: (cells + 1,) how much of the possible extra slope the leader has, 0 to 1.
    """

    reserve: Floats
    slope: Floats
    lead: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What each rider is held to: floors (riders,) J, ρ (riders,), and who may be absent (riders,)."""

    floor_j: Floats
    keeps: Floats
    optional: np.ndarray[tuple[int], np.dtype[np.bool_]]


def limits_of(team: Team, spent: tuple[int, ...] = ()) -> Limits:
    """Floors and recovery shares if these riders need not finish."""
    optional = np.zeros(team.riders, dtype=bool)
    optional[list(spent)] = True
    margin = np.where(optional, 0.0, team.rules.reserve_margin)
    return Limits(floor_j=margin * team.w_prime_j, keeps=1 - margin, optional=optional)


def _offset_w(team: Team, drawn: Floats, slope: Floats) -> Floats:
    """Least of φ(P) - s P over P ≥ 0, for s (…, riders) of 0 to 1 and the share drawn r (riders,).

    differential-2015: φ = max(y, r y) for y = P - CP.
    elite-2018: below CP what returns is K D^0.688, K = r W′ / 2287.2, D = CP - P; the least lies at
        D = (0.688 K / s)^(1/0.312), or at P = 0, or (above CP) at P = CP.
    integral-2012: r W′ / τ returns whatever the power; φ = max(y, 0) less that.
    """
    cp = team.critical_power_w
    if team.rules.recovery == "differential-2015":
        return -np.maximum(slope, drawn) * cp
    if team.rules.recovery == "integral-2012":
        return -slope * cp - drawn * team.w_prime_j / team.tau_s
    k = drawn * team.w_prime_j / 2287.2
    best = np.minimum((0.688 * k / np.maximum(slope, 1e-9)) ** (1 / 0.312), cp)
    return np.asarray(np.minimum(-slope * cp, -k * best**0.688 - slope * (cp - best)))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Points:
    """Both ends of all cells, (points,) each; what h needs there."""

    team: Team
    limits: Limits
    wind: float
    air: Floats
    push: Floats
    pi: Floats
    sigma: Floats
    extra: Floats
    q_slope_each: Floats
    q_slope_lead: Floats
    follow_low: Floats
    follow_full: Floats
    lead_low: Floats
    lead_full: Floats
    held_low: Floats
    held_full: Floats
    order: np.ndarray[tuple[int, int], np.dtype[np.int64]]
    sorted_aero: Floats
    front_aero: Floats
    mass_sum: Floats
    sigma_sum: Floats


def _points(team: Team, ground: Ground, prices: Prices, limits: Limits) -> _Points:
    mass = team.mass_kg + WHEEL_INERTIA_KG
    length = ground.length_m
    sigma_nodes = prices.slope[:, None] * prices.reserve
    # A rider who may be spent has ρ = 1: the line of slope 1 is φ itself.
    sigma_nodes[:, limits.optional] = prices.reserve[:, limits.optional]
    room = (prices.reserve - sigma_nodes) * mass
    lead_nodes = prices.lead * room.min(axis=1)
    q_each = np.diff(sigma_nodes * mass, axis=0) / length[:, None] / DRIVETRAIN_EFFICIENCY
    q_lead = np.diff(lead_nodes) / length / DRIVETRAIN_EFFICIENCY

    def ends(nodes: Floats) -> Floats:
        return np.concatenate((nodes[:-1], nodes[1:]))

    pi, sigma, lead = ends(prices.reserve), ends(sigma_nodes), ends(lead_nodes)
    extra = lead[:, None] / mass
    safe = np.maximum(pi, 1e-12)
    behind, ahead = sigma / safe, np.minimum(1.0, (sigma + extra) / safe)
    fresh = np.zeros(team.riders)
    rise = np.diff(prices.reserve, axis=0) / length[:, None]
    rise = np.concatenate((rise, rise))
    aero = sigma * team.drag_area_m2
    order = np.argsort(-aero, axis=1, kind="stable")
    twice = np.concatenate((ground.density_kg_m3, ground.density_kg_m3))
    push = np.concatenate((ground.push_n_per_kg, ground.push_n_per_kg))
    return _Points(
        team=team,
        limits=limits,
        wind=ground.wind_mps,
        air=0.5 * twice / DRIVETRAIN_EFFICIENCY,
        push=push / DRIVETRAIN_EFFICIENCY,
        pi=pi,
        sigma=sigma,
        extra=extra,
        q_slope_each=np.concatenate((q_each, q_each)),
        q_slope_lead=np.concatenate((q_lead, q_lead)),
        follow_low=pi * _offset_w(team, limits.keeps, behind),
        follow_full=pi * _offset_w(team, fresh, behind),
        lead_low=pi * _offset_w(team, limits.keeps, ahead),
        lead_full=pi * _offset_w(team, fresh, ahead),
        held_low=-rise * limits.floor_j,
        held_full=-rise * team.w_prime_j,
        order=order,
        sorted_aero=np.take_along_axis(aero, order, axis=1),
        front_aero=(sigma + extra) * team.drag_area_m2,
        mass_sum=sigma @ team.mass_kg,
        sigma_sum=sigma.sum(axis=1),
    )


def _h_by_leader(points: _Points, v: Floats) -> Floats:
    """(points, riders) h for each leader at a speed (points,) or (points, riders), followers sorted."""
    team, riders = points.team, points.team.riders
    speed = v if v.ndim == 2 else v[:, None]
    air_speed = speed + points.wind
    slots = np.array(team.shares[riders])
    slower = air_speed - team.rules.closing_mps
    reach = np.where(slower > 0, slower / np.maximum(air_speed, 1e-9), 0.0) ** 2
    cap = reach - WHEEL_DRAG_AREA_M2 / float(team.drag_area_m2.min()) * (1 - reach)
    wheel = np.where(cap > 0, 1.0, reach)
    cap = np.maximum(cap, 0.0)
    best = np.sort(slots[1:])
    # Followers in order of their drag's price; whoever leads is left out, so those after move up one share.
    ranks = np.argsort(points.order, axis=1, kind="stable")
    total = np.zeros((len(points.air), riders))
    for rank in range(riders):
        aero = points.sorted_aero[:, rank][:, None]
        if rank < riders - 1:
            total = total + np.where(ranks > rank, aero * np.minimum(best[rank], cap), 0.0)
        if rank > 0:
            total = total + np.where(ranks < rank, aero * np.minimum(best[rank - 1], cap), 0.0)
    total = total + WHEEL_DRAG_AREA_M2 * wheel * (points.sigma_sum[:, None] - points.sigma)
    follow = total * air_speed * np.abs(air_speed)
    # In a tail wind a drifting rider may be pushed harder than any who follows.
    everyone = points.sorted_aero.sum(axis=1)[:, None] - points.sigma * team.drag_area_m2
    everyone = everyone + WHEEL_DRAG_AREA_M2 * (points.sigma_sum[:, None] - points.sigma)
    follow = np.where(slower < 0, -everyone * slower * slower, follow)
    lead = points.front_aero * slots[0] + WHEEL_DRAG_AREA_M2 * (points.sigma + points.extra)
    force = points.air[:, None] * (follow + lead * air_speed * np.abs(air_speed))
    force = force + points.push[:, None] * (points.mass_sum[:, None] + points.extra * team.mass_kg)
    force = force + (0.091 + 0.0087 * speed) / DRIVETRAIN_EFFICIENCY * (points.sigma_sum[:, None] + points.extra)
    pace = 1 / speed
    if v.ndim == 2:
        pace_each = pace[:, None, :]
        each = np.minimum(
            points.follow_low[:, :, None] * pace_each + points.held_low[:, :, None],
            points.follow_full[:, :, None] * pace_each + points.held_full[:, :, None],
        )
        following = each.sum(axis=1) - each[:, np.arange(riders), np.arange(riders)]
    else:
        each = np.minimum(points.follow_low * pace + points.held_low, points.follow_full * pace + points.held_full)
        following = each.sum(axis=1)[:, None] - each
    leading = np.minimum(points.lead_low * pace + points.held_low, points.lead_full * pace + points.held_full)
    kinetic = (points.q_slope_each.sum(axis=1) + points.q_slope_lead)[:, None] * speed * speed / 2
    h = pace + following + leading + force - kinetic
    if np.any(points.limits.optional):
        # At most all of these are absent: their cost as followers at the worst share comes off where it is a cost.
        worst = float(slots[1:].max()) if riders > 1 else 1.0
        for rider in np.flatnonzero(points.limits.optional):
            alone = points.sigma[:, rider][:, None] * (
                points.air[:, None]
                * (team.drag_area_m2[rider] * worst + WHEEL_DRAG_AREA_M2)
                * air_speed
                * np.abs(air_speed)
                + points.push[:, None] * team.mass_kg[rider]
                + (0.091 + 0.0087 * speed) / DRIVETRAIN_EFFICIENCY
            )
            low, full = points.held_low[:, rider][:, None], points.held_full[:, rider][:, None]
            alone = alone + np.minimum(
                points.follow_low[:, rider][:, None] * pace + low, points.follow_full[:, rider][:, None] * pace + full
            )
            alone = alone - np.minimum(low, full)
            alone = alone - points.q_slope_each[:, rider][:, None] * speed * speed / 2
            h = h - np.maximum(0.0, alone)
    return h


def _least_h(points: _Points) -> tuple[Floats, Floats]:
    """(points,) the least of h over speed and leader, and the speed: a grid, then golden section around its best."""
    count = len(points.air)
    grid = np.geomspace(_SLOWEST_MPS, FASTEST_LINE_MPS, _GRID)
    values = np.stack([_h_by_leader(points, np.full(count, v)).min(axis=1) for v in grid])
    index = np.argmin(values, axis=0)
    low, high = grid[np.maximum(index - 1, 0)], grid[np.minimum(index + 1, _GRID - 1)]
    ratio = (np.sqrt(5) - 1) / 2
    a, b = high - ratio * (high - low), low + ratio * (high - low)
    fa, fb = _h_by_leader(points, a).min(axis=1), _h_by_leader(points, b).min(axis=1)
    for _ in range(_GOLDEN):
        left = fa < fb
        low, high = np.where(left, low, a), np.where(left, b, high)
        probe = np.where(left, high - ratio * (high - low), low + ratio * (high - low))
        value = _h_by_leader(points, probe).min(axis=1)
        a, b, fa, fb = (
            np.where(left, probe, b),
            np.where(left, a, probe),
            np.where(left, value, fb),
            np.where(left, fa, value),
        )
    best = np.minimum(np.minimum(fa, fb), values.min(axis=0))
    return np.asarray(best), np.asarray(0.5 * (low + high))


def _value_s(team: Team, ground: Ground, prices: Prices, limits: Limits) -> float:
    least, _ = _least_h(_points(team, ground, prices, limits))
    cells = len(ground.grade)
    total = float(np.sum(0.5 * ground.length_m * (least[:cells] + least[cells:])))
    ends = float(prices.reserve[-1] @ limits.floor_j - prices.reserve[0] @ team.w_prime_j)
    return total + ends


def lower_bound_s(team: Team, ground: Ground, prices: Prices) -> float:
    """What no rotation can beat on this ground, whatever the prices are; better prices prove more."""
    spare = team.riders - team.rules.counted
    choices = list(combinations(range(team.riders), spare)) if spare > 0 else [()]
    if len(choices) > _MOST_CHOICES:
        choices = [tuple(range(team.riders))]
    return max(0.0, min(_value_s(team, ground, prices, limits_of(team, choice)) for choice in choices))


@dataclass(frozen=True, slots=True, kw_only=True)
class Guide:
    """What the best prices say about a good ride.

    Attributes:
        prices: for lower_bound_s.
        speed_mps: (cells,)
        front: (cells, riders) shares of the time on the front.
    """

    prices: Prices
    speed_mps: Floats
    front: Floats


def guide(team: Team, ground: Ground) -> Guide:
    """Good prices: the relaxed problem without energy of motion, smoothed, climbed by a quasi-Newton method.

    Followers all get the mean share here; only lower_bound_s sorts them. The slopes of Prices are then those that make
    each place's best speed the same as with the full loss φ.
    """
    limits = limits_of(team)
    coarse = coarse_ground(ground, _PIECES)
    knots = _knots(ground)
    middles = 0.5 * (coarse.edge_m[:-1] + coarse.edge_m[1:])
    weights = _hat(middles, knots)
    grid = np.geomspace(2.5, FASTEST_LINE_MPS, 44)
    losses = _losses(team, coarse, limits, grid)
    lengths = coarse.length_m
    rises = (_hat(coarse.edge_m[1:], knots) - _hat(coarse.edge_m[:-1], knots)) / lengths[:, None]
    span = team.w_prime_j * (1 - team.rules.reserve_margin)
    # One second for so many joules, to begin with: the whole reserve buys about a tenth of the time.
    usual_s = float(ground.edge_m[-1]) / 12.0
    start = np.tile(0.25 * usual_s / (usual_s * team.critical_power_w + span) / team.riders, (len(knots), 1))
    full, floor = team.w_prime_j, limits.floor_j

    def loss(flat: Floats, heat: float) -> tuple[float, Floats]:
        pi = np.exp(flat).reshape(len(knots), team.riders)
        at, rise = weights @ pi, rises @ pi
        front, front_low = _cheaper(at, rise, losses.front_low, losses.front_full, floor, full, heat)
        follow, follow_low = _cheaper(at, rise, losses.follow_low, losses.follow_full, floor, full, heat)
        h = (1 / grid + follow.sum(axis=2))[:, :, None] + front - follow
        least = h.min(axis=(1, 2), keepdims=True)
        boltz = np.exp(-(h - least) / heat)
        mass = boltz.sum(axis=(1, 2), keepdims=True)
        value = float(np.sum(lengths * (least - heat * np.log(mass))[:, 0, 0]))
        boltz /= mass
        behind = boltz.sum(axis=2)[:, :, None] - boltz

        def mean(low: Floats, high: Floats, share_low: Floats, weight: Floats) -> Floats:
            return np.asarray(np.sum(weight * (high + share_low * (low - high)), axis=1))

        slope_at = mean(losses.front_low, losses.front_full, front_low, boltz)
        slope_at += mean(losses.follow_low, losses.follow_full, follow_low, behind)
        low = np.sum(boltz * front_low + behind * follow_low, axis=1)
        slope_rise = -(full + low * (floor - full))
        gradient = weights.T @ (slope_at * lengths[:, None]) + rises.T @ (slope_rise * lengths[:, None])
        value += float(pi[-1] @ floor - pi[0] @ full)
        gradient[-1] += floor
        gradient[0] -= full
        return -value, -(gradient * pi).ravel()

    logs = np.log(start).ravel()
    for heat, steps in ((3e-3, 60), (3e-4, 60), (1e-4, 60)):
        logs = _descend(lambda y, heat=heat: loss(y, heat / 12.0), logs, steps)  # type: ignore[misc]
    pi = np.exp(logs).reshape(len(knots), team.riders)
    return _guide_from(team, ground, limits, _hat(ground.edge_m, knots) @ pi, grid)


def _descend(loss: Callable[[Floats], tuple[float, Floats]], start: Floats, steps: int, memory: int = 12) -> Floats:
    """A smooth function's least, by the limited-memory quasi-Newton method of Nocedal 1980.

    scipy's own spends most of its time waking threads for problems as small as these.
    """
    x, (value, gradient) = start, loss(start)
    pairs: list[tuple[Floats, Floats, float]] = []
    for _ in range(steps):
        direction = -gradient
        used = []
        for moved, turned, inverse in reversed(pairs):
            weight = inverse * float(moved @ direction)
            direction = direction - weight * turned
            used.append(weight)
        if pairs:
            moved, turned, _ = pairs[-1]
            direction = direction * float(moved @ turned) / float(turned @ turned)
        else:
            direction = direction * min(1.0, 0.1 / float(np.max(np.abs(direction)) + 1e-300))
        for (moved, turned, inverse), weight in zip(pairs, reversed(used), strict=True):
            direction = direction + (weight - inverse * float(turned @ direction)) * moved
        largest = float(np.max(np.abs(direction)))
        if largest > 1.0:
            direction = direction / largest
        fall = float(gradient @ direction)
        if fall >= 0:
            break
        step = 1.0
        while step > 1e-6:
            new_value, new_gradient = loss(x + step * direction)
            if new_value <= value + 1e-4 * step * fall:
                break
            step *= 0.4
        else:
            break
        moved, turned = step * direction, new_gradient - gradient
        curve = float(moved @ turned)
        if curve > 1e-14:
            pairs = [*pairs[1 - memory :], (moved, turned, 1 / curve)]
        gained = value - new_value
        x, value, gradient = x + moved, new_value, new_gradient
        if gained < 1e-6 * abs(value) * 0.1:
            break
    return x


def _middle(ground: Ground, reserve: Floats) -> tuple[Floats, Floats]:
    """(cells, riders) prices in the middle of each cell, and their rise a metre."""
    return 0.5 * (reserve[:-1] + reserve[1:]), np.diff(reserve, axis=0) / ground.length_m[:, None]


_COOL: Final = 1e-4 / 12.0


def _cheaper(
    at: Floats, rise: Floats, low: Floats, high: Floats, floor: Floats, full: Floats, heat: float
) -> tuple[Floats, Floats]:
    """(cells, speeds, riders) the lesser cost of being at the floor or full, smoothed, and the weight of the floor."""
    one = at[:, None, :] * low - (rise * floor)[:, None, :]
    other = at[:, None, :] * high - (rise * full)[:, None, :]
    apart = np.clip((one - other) / heat, -500.0, 500.0)
    weight = 1 / (1 + np.exp(apart))
    return np.minimum(one, other) - heat * np.log1p(np.exp(-np.abs(apart))), weight


def _guide_from(team: Team, ground: Ground, limits: Limits, reserve: Floats, grid: Floats) -> Guide:
    """Speeds, shares and slopes that go with prices of reserve."""
    losses = _losses(team, ground, limits, grid)
    at, rise = _middle(ground, reserve)
    front, _ = _cheaper(at, rise, losses.front_low, losses.front_full, limits.floor_j, team.w_prime_j, _COOL)
    follow, _ = _cheaper(at, rise, losses.follow_low, losses.follow_full, limits.floor_j, team.w_prime_j, _COOL)
    h = (1 / grid + follow.sum(axis=2))[:, :, None] + front - follow
    boltz = np.exp(-(h - h.min(axis=(1, 2), keepdims=True)) / _COOL)
    boltz /= boltz.sum(axis=(1, 2), keepdims=True)
    coarse = coarse_ground(ground, _PIECES)
    at_edges = np.stack([np.interp(coarse.edge_m, ground.edge_m, column) for column in reserve.T], axis=1)
    slope, lead = _slopes(team, coarse, limits, at_edges)
    piece = np.searchsorted(coarse.edge_m, 0.5 * (ground.edge_m[:-1] + ground.edge_m[1:]), side="right") - 1
    slope, lead = slope[piece], lead[piece]
    best: tuple[float, Prices] | None = None
    for window_m in (150.0, 400.0, 1000.0):
        for mix in (1.0, 0.5, 0.0):
            mean = float(np.average(slope, weights=ground.length_m))
            mean_lead = float(np.average(lead, weights=ground.length_m))
            prices = Prices(
                reserve=reserve,
                slope=_smooth(ground, mix * slope + (1 - mix) * mean, window_m),
                lead=_smooth(ground, mix * lead + (1 - mix) * mean_lead, window_m),
            )
            value = _value_s(team, ground, prices, limits)
            if best is None or value > best[0]:
                best = (value, prices)
    assert best is not None
    return Guide(prices=best[1], speed_mps=boltz.sum(axis=2) @ grid, front=boltz.sum(axis=1))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Losses:
    """(cells, speeds, riders) joules of reserve lost a metre: on the front, on a mean wheel; at the floor, and full."""

    front_low: Floats
    front_full: Floats
    follow_low: Floats
    follow_full: Floats


def _losses(team: Team, ground: Ground, limits: Limits, grid: Floats) -> _Losses:
    slots = team.shares[team.riders]
    v = grid[None, :, None]
    air = v + ground.wind_mps

    def over_w(share: float) -> Floats:
        force = (
            0.5
            * ground.density_kg_m3[:, None, None]
            * (team.drag_area_m2 * share + WHEEL_DRAG_AREA_M2)
            * air
            * np.abs(air)
            + ground.push_n_per_kg[:, None, None] * team.mass_kg
            + 0.091
            + 0.0087 * v
        )
        return np.asarray(np.maximum(0.0, force * v) / DRIVETRAIN_EFFICIENCY - team.critical_power_w)

    fresh = np.zeros(team.riders)
    front = over_w(slots[0])
    follow = over_w(float(np.mean(slots[1:])) if len(slots) > 1 else slots[0])
    return _Losses(
        front_low=_lost_w(team, limits.keeps, front) / v,
        front_full=_lost_w(team, fresh, front) / v,
        follow_low=_lost_w(team, limits.keeps, follow) / v,
        follow_full=_lost_w(team, fresh, follow) / v,
    )


def _lost_w(team: Team, drawn: Floats, over_w: Floats) -> Floats:
    """φ: joules of reserve lost a second at least, at a power so far over critical power, with that share drawn."""
    working, below = np.maximum(over_w, 0.0), np.maximum(-over_w, 0.0)
    if team.rules.recovery == "differential-2015":
        return np.asarray(working - drawn * below)
    if team.rules.recovery == "integral-2012":
        return np.asarray(working - drawn * team.w_prime_j / team.tau_s)
    return np.asarray(working - drawn * team.w_prime_j * below**0.688 / 2287.2)


_SLOPES: Final = (0.0, 0.2, 0.4, 0.6, 0.75, 0.9, 1.0)


def _slopes(team: Team, ground: Ground, limits: Limits, reserve: Floats) -> tuple[Floats, Floats]:
    """(cells,) slopes of followers, and whether the leader's is steeper: those that prove most at each place."""
    tries = sorted({*_SLOPES, round(float(limits.keeps.min()), 6)})
    cells = len(ground.grade)
    best = np.full(cells, -np.inf)
    slope, lead = np.zeros(cells), np.zeros(cells)
    for one in tries:
        for extra in (0.0, 1.0) if one < 1 else (0.0,):
            flat = Prices(reserve=reserve, slope=np.full(cells + 1, one), lead=np.full(cells + 1, extra))
            points = _points(team, ground, flat, limits)
            still = replace(
                points,
                q_slope_each=np.zeros_like(points.q_slope_each),
                q_slope_lead=np.zeros_like(points.q_slope_lead),
            )
            least, _ = _least_h(still)
            value = least[:cells] + least[cells:]
            better = value > best + 1e-12
            best = np.where(better, value, best)
            slope, lead = np.where(better, one, slope), np.where(better, extra, lead)
    return slope, lead


def _smooth(ground: Ground, values: Floats, window_m: float) -> Floats:
    """(cells + 1,) at the edges, the mean over a window around each."""
    edges = ground.edge_m
    sums = np.concatenate(([0.0], np.cumsum(values * ground.length_m)))
    left = np.clip(edges - window_m / 2, 0.0, edges[-1])
    right = np.clip(edges + window_m / 2, 0.0, edges[-1])
    return np.asarray((np.interp(right, edges, sums) - np.interp(left, edges, sums)) / (right - left))


def coarse_ground(ground: Ground, pieces: int) -> Ground:
    """Neighbouring cells of a stretch put together, to about so many pieces."""
    target_m = float(ground.edge_m[-1]) / pieces
    keep = [0]
    for index in range(1, len(ground.edge_m) - 1):
        new_stretch = ground.stretch[index] != ground.stretch[index - 1]
        if new_stretch or ground.edge_m[index] - ground.edge_m[keep[-1]] >= target_m:
            keep.append(index)
    starts = np.array(keep)
    edges = np.append(ground.edge_m[starts], ground.edge_m[-1])
    lengths = np.diff(edges)
    return Ground(
        edge_m=edges,
        grade=np.add.reduceat(ground.grade * ground.length_m, starts) / lengths,
        density_kg_m3=np.add.reduceat(ground.density_kg_m3 * ground.length_m, starts) / lengths,
        stretch=ground.stretch[starts],
        wind_mps=ground.wind_mps,
        rolling=ground.rolling,
    )


def _knots(ground: Ground) -> Floats:
    """Where prices may bend: a little inside each end of each stretch, and now and then between."""
    ends = [0.0, *ground.edge_m[1:-1][np.diff(ground.stretch) != 0].tolist(), float(ground.edge_m[-1])]
    apart_m = max(2_000.0, ends[-1] / 16)
    knots: list[float] = []
    for before, after in zip(ends, ends[1:], strict=False):
        step = min(150.0, (after - before) / 3)
        first = before if before == 0.0 else before + step
        last = after if after == ends[-1] else after - step
        knots += np.linspace(first, last, 2 + int((last - first) / apart_m)).tolist()
    return np.array(knots)


def _hat(places: Floats, knots: Floats) -> Floats:
    """(places, knots) weights of linear interpolation."""
    if len(knots) == 1:
        return np.ones((len(places), 1))
    right = np.clip(np.searchsorted(knots, places, side="right"), 1, len(knots) - 1)
    share = np.clip((places - knots[right - 1]) / (knots[right] - knots[right - 1]), 0.0, 1.0)
    weights = np.zeros((len(places), len(knots)))
    rows = np.arange(len(places))
    weights[rows, right - 1] = 1 - share
    weights[rows, right] += share
    return weights

"""A proof of how fast no rotation whatever can be: Lagrange multipliers on reserve and on energy of motion.

**The plain bound.** In ``model`` a ride takes ∫dx/v. Rider i starts with the reserve W = W′ and must never fall below a
floor. Each second the reserve loses at least φ_r(P): what is over critical power, or, below it, less what the recovery
model gives back where the share r = 1 - W/W′ is drawn (see ``_offset_w``). Power is never negative. The square of speed
u = v²/2 changes by the acceleration a(x), which all riders share. Take any prices π_i(x) ≥ 0 of a joule of reserve
(seconds a joule) and q_i(x) = σ_i m_i / Ec of a unit of u, linear within each cell. Adding price times what must not
be exceeded, and integrating by parts,

    T ≥ ∫ min over v, W, who leads, who follows where, of h dx  +  Σ_i [π_i(end) floor_i - π_i(0) W′_i],
    h = 1/v + Σ_i [σ_i F_i(v, share_i)/Ec + π_i offset_i(σ_i/π_i, W_i)/v - π_i′ W_i] - q′ v²/2,

where offset(s, W) = min over P ≥ 0 of φ(P) - s P makes s P + offset(s) a line nowhere above φ: so acceleration
drops out; u(end) ≥ 0 was left out. The leader may have a steeper line than the others: its extra slope times mass is
one number c(x) for whoever leads, so that q stays one function of x. φ_r falls linearly in r, so offset - π′ W is
concave in W, and only its ends need be tried. h is a minimum of functions linear or concave in (π, σ, c) and their
slopes: concave along a cell. So the trapezoid of its two ends is below its integral, and all that is left is a
minimum over speed, for each leader, with the followers sorted: the dearest drag to the best shelter. Shares are those
of the whole team's line: each shorter line's are at least these without the best (checked in ``_left_out``). Whoever
is off the line pays the whole drag at the slower speed; if that is less than the wheel left out, h takes off the
difference. In a cell v is the root mean square of the speeds at its ends; the mean, which makes the time, is no more,
and in the first cell, from a standing start, it is v/√2.

**Whole turns**, none shorter than the rules allow. Who leads draws a lot at a time, and recovers slower while less is
drawn. Let Y be all that may be drawn, y what is, and G(y) the convex function with G = 0 up to (1-δ)Y and slope 1 -
(1-δ)Y/y beyond. With the price of y being π (y - G(y)) instead of π y, what comes back is worth at most the share 1-δ
of it: followers and those off the line have the price (1-δ)π. Leaders keep the price π, but for the rise of G: at most
c = G(Y) a turn, as G falls again only by what was left out. Each turn is followed by at least A seconds off the line;
so c π / A a second is taken off the cost of being there (and if that makes it cheaper than a wheel, h takes off the
difference). At the end G gives c back. Where δ changes, at the finish, and where π falls, those few who lead or are
off the line at that moment may have had the one without the other: so many of the largest c π come off.

Whoever need not finish may be spent: for each choice of them the floor is 0, δ is greater by as much as recovery may be
faster below the margin, and they may be absent.

Must not know how a plan was found. A plan below this bound is a bug.
"""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations, pairwise
from typing import Final

import numpy as np

from caller.physics import DRIVETRAIN_EFFICIENCY, WHEEL_DRAG_AREA_M2, WHEEL_INERTIA_KG, drift_s
from caller.planner.model import FASTEST_LINE_MPS, Floats, Ground, Team, power_w

__all__ = ["Guide", "Limits", "Prices", "coarse_ground", "guide", "limits_of", "lower_bound_s"]

_SLOWEST_MPS: Final = 0.4
_GRID: Final = 26
_GOLDEN: Final = 18
_MOST_CHOICES: Final = 80
_PIECES: Final = 70
_PAYS: Final = 0.62
"""How much of what being off the line could pay for whole turns is asked of it. Tried: this proves most, mostly."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Prices:
    """Multipliers at the edges of cells.

    Attributes:
        reserve: (cells + 1, riders) π, seconds a joule.
        slope: (cells + 1,) s of those who follow, 0 to 1; their lines have the slope s (1 - δ).
        lead: (cells + 1,) how much of the possible extra slope the leader has, 0 to 1.
        turn: (cells, riders) δ of the module's text, 0 to 0.6.
    """

    reserve: Floats
    slope: Floats
    lead: Floats
    turn: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What each rider is held to: floors (riders,) J, ρ (riders,), who may be absent (riders,), the shortest turn."""

    floor_j: Floats
    keeps: Floats
    optional: np.ndarray[tuple[int], np.dtype[np.bool_]]
    least_turn_s: float


def limits_of(team: Team, spent: tuple[int, ...] = (), least_turn_s: float | None = None) -> Limits:
    """Floors and recovery shares if these riders need not finish; None takes the shortest turn of the rules."""
    optional = np.zeros(team.riders, dtype=bool)
    optional[list(spent)] = True
    margin = np.where(optional, 0.0, team.rules.reserve_margin)
    return Limits(
        floor_j=margin * team.w_prime_j,
        keeps=1 - margin,
        optional=optional,
        least_turn_s=team.rules.shortest_turn_s if least_turn_s is None else least_turn_s,
    )


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


def _offset_power_w(team: Team, drawn: Floats, slope: Floats) -> Floats:
    """The power at which _offset_w has its least: minus its slope in s."""
    cp = np.broadcast_to(team.critical_power_w, slope.shape)
    if team.rules.recovery == "differential-2015":
        return np.where(slope > drawn, cp, 0.0)
    if team.rules.recovery == "integral-2012":
        return np.asarray(cp)
    k = drawn * team.w_prime_j / 2287.2
    best = np.minimum((0.688 * k / np.maximum(slope, 1e-9)) ** (1 / 0.312), cp)
    return np.where(-slope * cp < -k * best**0.688 - slope * (cp - best), cp, cp - best)


def _hump_j(team: Team, limits: Limits, turn: Floats) -> Floats:
    """(…, riders) c = G(Y) of the module's text for δ (…, riders): Y (1 - (1-δ)(1 - ln(1-δ)))."""
    keep = 1 - turn
    return np.asarray(limits.keeps * team.w_prime_j * (1 - keep * (1 - np.log(keep))))


def _off_line(team: Team, limits: Limits) -> tuple[float, int]:
    """Least seconds off the line after a turn that keeps to the rules; how many may lead or be off it at once.

    Others may still be off the line when a turn ends, and fewer are then to be passed: only as many as swung off while
    turns of the shortest length fit into the longest time off the line.
    """
    rules, riders = team.rules, team.riders
    most_s = drift_s(riders, rules.closing_mps) + rules.latch_s
    others = min(riders - 2, int(np.ceil(most_s / limits.least_turn_s - 1e-9)) - 1) if riders > 2 else 0
    return drift_s(riders - others, rules.closing_mps) + rules.latch_s, min(riders, others + 2)


def _left_out(team: Team) -> float:
    """The share of the wheel nobody has when one is off the line: the rest is no worse than any shorter line has it."""
    longer = sorted(team.shares[team.riders][1:])
    shorter = sorted(team.shares[team.riders - 1][1:]) if team.riders > 1 else []
    for index in range(len(longer)):
        rest = longer[:index] + longer[index + 1 :]
        if all(one <= other + 1e-12 for one, other in zip(rest, shorter, strict=True)):
            return float(longer[min(index + 2, len(longer) - 1)])
    return float(longer[-1]) if longer else 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Points:
    """Both ends of all cells, (points,) or (points, riders) each; what h needs there."""

    team: Team
    limits: Limits
    heat: float
    wind: float
    standing: Floats
    air: Floats
    push: Floats
    pi: Floats
    price: Floats
    sigma: Floats
    extra: Floats
    q_slope_each: Floats
    q_slope_lead: Floats
    behind: Floats
    ahead: Floats
    follow_low: Floats
    follow_full: Floats
    lead_low: Floats
    lead_full: Floats
    low_j: Floats
    held_low: Floats
    held_full: Floats
    away_s: Floats
    left_out: float
    ranks: np.ndarray[tuple[int, int], np.dtype[np.int64]]
    sorted_aero: Floats
    front_aero: Floats
    mass_sum: Floats
    sigma_sum: Floats


def _points(team: Team, ground: Ground, prices: Prices, limits: Limits, heat: float = 0.0) -> _Points:
    mass = team.mass_kg + WHEEL_INERTIA_KG
    length = ground.length_m
    sigma_nodes, lead_nodes = _node_slopes(team, prices, limits)
    q_each = np.diff(sigma_nodes * mass, axis=0) / length[:, None] / DRIVETRAIN_EFFICIENCY
    q_lead = np.diff(lead_nodes) / length / DRIVETRAIN_EFFICIENCY

    def ends(nodes: Floats) -> Floats:
        return np.concatenate((nodes[:-1], nodes[1:]))

    pi, sigma, lead = ends(prices.reserve), ends(sigma_nodes), ends(lead_nodes)
    extra = lead[:, None] / mass
    each_turn = _turn_of(team, prices.turn, limits)
    turn = np.concatenate((each_turn, each_turn))
    price = (1 - turn) * pi
    behind = np.minimum(1.0, sigma / np.maximum(price, 1e-12))
    ahead = np.minimum(1.0, (sigma + extra) / np.maximum(pi, 1e-12))
    fresh = np.zeros(team.riders)
    rise = np.diff(prices.reserve, axis=0) / length[:, None]
    rise = np.concatenate((rise, rise))
    hump = _hump_j(team, limits, turn)
    at_floor = limits.floor_j + hump
    at_bend = team.w_prime_j - (1 - turn) * limits.keeps * team.w_prime_j
    low_j = np.where(rise > 0, np.maximum(at_floor, at_bend), np.minimum(at_floor, at_bend))
    aero = sigma * team.drag_area_m2
    order = np.argsort(-aero, axis=1, kind="stable")
    standing = np.ones((2 * len(length), 1))
    standing[[0, len(length)]] = np.sqrt(2.0)
    twice = np.concatenate((ground.density_kg_m3, ground.density_kg_m3))
    push = np.concatenate((ground.push_n_per_kg, ground.push_n_per_kg))
    return _Points(
        team=team,
        limits=limits,
        heat=heat,
        wind=ground.wind_mps,
        standing=standing,
        air=0.5 * twice / DRIVETRAIN_EFFICIENCY,
        push=push / DRIVETRAIN_EFFICIENCY,
        pi=pi,
        price=price,
        sigma=sigma,
        extra=extra,
        q_slope_each=np.concatenate((q_each, q_each)),
        q_slope_lead=np.concatenate((q_lead, q_lead)),
        behind=behind,
        ahead=ahead,
        follow_low=price * _offset_w(team, limits.keeps, behind),
        follow_full=price * _offset_w(team, fresh, behind),
        lead_low=pi * _offset_w(team, limits.keeps, ahead),
        lead_full=pi * _offset_w(team, fresh, ahead),
        low_j=low_j,
        held_low=-rise * low_j,
        held_full=-rise * team.w_prime_j,
        away_s=pi * hump / _off_line(team, limits)[0],
        left_out=_left_out(team),
        ranks=np.argsort(order, axis=1, kind="stable"),
        sorted_aero=np.take_along_axis(aero, order, axis=1),
        front_aero=(sigma + extra) * team.drag_area_m2,
        mass_sum=sigma @ team.mass_kg,
        sigma_sum=sigma.sum(axis=1),
    )


def _turn_of(team: Team, turn: Floats, limits: Limits) -> Floats:
    """(cells, riders) δ, for who may be spent so much more that the lesser floor does not make recovery worth more."""
    spent = 1 - (1 - turn) * (1 - team.rules.reserve_margin)
    return np.where(limits.optional, spent, turn)


def _node_keeps(prices: Prices) -> Floats:
    """(cells + 1, riders) the lesser 1 - δ of the cells that meet."""
    turn = np.vstack((prices.turn[:1], prices.turn, prices.turn[-1:]))
    return np.asarray(1 - np.maximum(turn[:-1], turn[1:]))


def _node_slopes(team: Team, prices: Prices, limits: Limits) -> tuple[Floats, Floats]:
    """(cells + 1, riders) σ, and (cells + 1,) the leader's extra slope times mass."""
    mass = team.mass_kg + WHEEL_INERTIA_KG
    sigma = prices.slope[:, None] * _node_keeps(prices) * prices.reserve
    return sigma, prices.lead * ((prices.reserve - sigma) * mass).min(axis=1)


def _h_by_leader(points: _Points, v: Floats) -> Floats:
    """(points, riders) h for each leader at a speed (points,), followers sorted."""
    team, riders = points.team, points.team.riders
    speed = v[:, None]
    air_speed = speed + points.wind
    drag = air_speed * np.abs(air_speed)
    slots = np.array(team.shares[riders])
    best = np.sort(slots[1:])
    # Followers in order of their drag's price; whoever leads is left out, so those after move up one share.
    follow = np.zeros((len(points.air), riders))
    after = points.sorted_aero[:, 1:] @ best if riders > 1 else np.zeros(len(points.air))
    for rank in range(riders):
        follow = np.where(points.ranks == rank, after[:, None], follow)
        if rank < riders - 1:
            after = after + best[rank] * (points.sorted_aero[:, rank] - points.sorted_aero[:, rank + 1])
    follow = follow + WHEEL_DRAG_AREA_M2 * (points.sigma_sum[:, None] - points.sigma)
    lead = points.front_aero * slots[0] + WHEEL_DRAG_AREA_M2 * (points.sigma + points.extra)
    force = points.air[:, None] * (follow + lead) * drag
    force = force + points.push[:, None] * (points.mass_sum[:, None] + points.extra * team.mass_kg)
    force = force + (0.091 + 0.0087 * speed) / DRIVETRAIN_EFFICIENCY * (points.sigma_sum[:, None] + points.extra)
    pace = points.standing / speed
    each, _ = _lesser(
        points.follow_low * pace + points.held_low, points.follow_full * pace + points.held_full, points.heat
    )
    leading, _ = _lesser(
        points.lead_low * pace + points.held_low, points.lead_full * pace + points.held_full, points.heat
    )
    kinetic = (points.q_slope_each.sum(axis=1) + points.q_slope_lead)[:, None] * speed * speed / 2
    gain = np.maximum(0.0, points.away_s * pace + points.sigma * _wheel_less_off(points, air_speed))
    h = pace + (each.sum(axis=1)[:, None] - each) + leading + force - kinetic - (gain.sum(axis=1)[:, None] - gain)
    if np.any(points.limits.optional):
        # At most all of these are absent: their cost as followers at the worst share comes off where it is a cost.
        worst = float(slots[1:].max()) if riders > 1 else 1.0
        for rider in np.flatnonzero(points.limits.optional):
            alone = points.sigma[:, rider][:, None] * (
                points.air[:, None] * (team.drag_area_m2[rider] * worst + WHEEL_DRAG_AREA_M2) * np.abs(drag)
                + points.push[:, None] * team.mass_kg[rider]
                + (0.091 + 0.0087 * speed) / DRIVETRAIN_EFFICIENCY
            )
            low, full = points.held_low[:, rider][:, None], points.held_full[:, rider][:, None]
            alone = alone + each[:, rider][:, None] - np.minimum(low, full)
            alone = alone - points.q_slope_each[:, rider][:, None] * speed * speed / 2
            h = h - np.maximum(0.0, alone)
    return np.asarray(h)


def _wheel_less_off(points: _Points, air_speed: Floats) -> Floats:
    """(points, riders) drag on the wheel left out less that off the line, at the crank: below 0 but when very slow."""
    team = points.team
    slower = air_speed - team.rules.closing_mps
    wheel = (team.drag_area_m2 * points.left_out + WHEEL_DRAG_AREA_M2) * air_speed * np.abs(air_speed)
    off = (team.drag_area_m2 + WHEEL_DRAG_AREA_M2) * slower * np.abs(slower)
    return np.asarray(points.air[:, None] * (wheel - off))


def _lesser(one: Floats, other: Floats, heat: float) -> tuple[Floats, Floats]:
    """The lesser of two, and the weight of the first; with heat smoothed, and never more than the lesser."""
    if heat == 0.0:
        return np.minimum(one, other), np.where(one <= other, 1.0, 0.0)
    apart = np.clip((one - other) / heat, -500.0, 500.0)
    return np.minimum(one, other) - heat * np.log1p(np.exp(-np.abs(apart))), 1 / (1 + np.exp(apart))


def _least_of(h: Floats, heat: float) -> Floats:
    """(points,) the least over leaders; with heat smoothed, and never more than the least."""
    least = h.min(axis=1)
    if heat == 0.0:
        return np.asarray(least)
    return np.asarray(least - heat * np.log(np.exp(-(h - least[:, None]) / heat).sum(axis=1)))


def _least_h(points: _Points) -> tuple[Floats, Floats]:
    """(points,) the least of h over speed and leader, and the speed: a grid, then golden section around its best."""

    def least(v: Floats) -> Floats:
        return _least_of(_h_by_leader(points, v), points.heat)

    count = len(points.air)
    grid = np.geomspace(_SLOWEST_MPS, FASTEST_LINE_MPS, _GRID)
    values = np.stack([least(np.full(count, v)) for v in grid])
    index = np.argmin(values, axis=0)
    low, high = grid[np.maximum(index - 1, 0)], grid[np.minimum(index + 1, _GRID - 1)]
    ratio = (np.sqrt(5) - 1) / 2
    a, b = high - ratio * (high - low), low + ratio * (high - low)
    fa, fb = least(a), least(b)
    for _ in range(_GOLDEN):
        left = fa < fb
        low, high = np.where(left, low, a), np.where(left, b, high)
        probe = np.where(left, high - ratio * (high - low), low + ratio * (high - low))
        value = least(probe)
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
    return total + ends + _turn_ends_s(team, prices, limits)


def _turn_ends_s(team: Team, prices: Prices, limits: Limits) -> float:
    """What G gives at the finish, less what it takes where δ rises, and less the few who escape; module's text."""
    hump = _hump_j(team, limits, _turn_of(team, prices.turn, limits))
    if not hump.any():
        return 0.0
    _, few = _off_line(team, limits)

    def largest(values: Floats) -> float:
        return float(np.sort(values, axis=-1)[..., -few:].sum())

    inner = prices.reserve[1:-1]
    rises = float(np.sum(inner * np.maximum(0.0, np.diff(hump, axis=0))))
    changes = np.abs(np.diff(hump, axis=0)).max(axis=1) > 0
    escapes = largest((inner * np.maximum(hump[1:], hump[:-1]))[changes])
    falls = largest(np.maximum(0.0, -np.diff(prices.reserve, axis=0)) * hump)
    finish = prices.reserve[-1] * hump[-1]
    return float(finish.sum()) - largest(finish) - rises - escapes - falls


def lower_bound_s(team: Team, ground: Ground, prices: Prices, least_turn_s: float | None = None) -> float:
    """What no rotation can beat on this ground, whatever the prices are; better prices prove more.

    Args:
        least_turn_s: no turn but the last is shorter; None takes the shortest turn of the rules.
    """
    spare = team.riders - team.rules.counted
    choices = list(combinations(range(team.riders), spare)) if spare > 0 else [()]
    if len(choices) > _MOST_CHOICES:
        choices = [tuple(range(team.riders))]
    return max(0.0, min(_value_s(team, ground, prices, limits_of(team, choice, least_turn_s)) for choice in choices))


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
    """Good prices, found on ground cut more coarsely.

    First the relaxed problem without energy of motion, where followers all get the mean share: smoothed, and climbed by
    a quasi-Newton method. Then the bound itself, by its slopes, from there.
    """
    limits = limits_of(team)
    coarse = coarse_ground(ground, _PIECES)
    knots = _knots(ground)
    logs, speed, front, hard = _relaxed(team, coarse, limits, knots)
    turn = _turn_prices(team, coarse, limits, speed, hard)
    prices = _climbed(team, coarse, limits, knots, logs, turn)
    edges, at = coarse.edge_m, ground.edge_m
    piece = np.clip(np.searchsorted(edges, 0.5 * (at[:-1] + at[1:]), side="right") - 1, 0, len(coarse.grade) - 1)
    slope = np.interp(at, edges, prices.slope)
    return Guide(
        prices=Prices(
            reserve=np.stack([np.interp(at, edges, column) for column in prices.reserve.T], axis=1),
            slope=np.minimum(slope, 1.0),
            lead=np.interp(at, edges, prices.lead),
            turn=prices.turn[piece],
        ),
        speed_mps=speed[piece],
        front=front[piece],
    )


def _relaxed(
    team: Team, coarse: Ground, limits: Limits, knots: Floats
) -> tuple[Floats, Floats, Floats, np.ndarray[tuple[int], np.dtype[np.bool_]]]:
    """Logarithms of prices at the knots (flat); and for each piece: speed, shares of the front, and whether it is hard.

    A piece is hard if most of those on the wheels are over critical power.
    """
    middles = 0.5 * (coarse.edge_m[:-1] + coarse.edge_m[1:])
    weights = _hat(middles, knots)
    grid = np.geomspace(2.5, FASTEST_LINE_MPS, 44)
    losses = _losses(team, coarse, limits, grid)
    lengths = coarse.length_m
    rises = (_hat(coarse.edge_m[1:], knots) - _hat(coarse.edge_m[:-1], knots)) / lengths[:, None]
    span = team.w_prime_j * (1 - team.rules.reserve_margin)
    # One second for so many joules, to begin with: the whole reserve buys about a tenth of the time.
    usual_s = float(coarse.edge_m[-1]) / 12.0
    start = np.tile(0.25 * usual_s / (usual_s * team.critical_power_w + span) / team.riders, (len(knots), 1))
    full, floor = team.w_prime_j, limits.floor_j

    def weighed(pi: Floats, heat: float) -> tuple[float, Floats, Floats, Floats]:
        at, rise = weights @ pi, rises @ pi
        front, front_low = _cheaper(at, rise, losses.front_low, losses.front_full, floor, full, heat)
        follow, follow_low = _cheaper(at, rise, losses.follow_low, losses.follow_full, floor, full, heat)
        h = (1 / grid + follow.sum(axis=2))[:, :, None] + front - follow
        least = h.min(axis=(1, 2), keepdims=True)
        boltz = np.exp(-(h - least) / heat)
        mass = boltz.sum(axis=(1, 2), keepdims=True)
        return float(np.sum(lengths * (least - heat * np.log(mass))[:, 0, 0])), boltz / mass, front_low, follow_low

    def loss(flat: Floats, heat: float) -> tuple[float, Floats]:
        pi = np.exp(flat).reshape(len(knots), team.riders)
        value, boltz, front_low, follow_low = weighed(pi, heat)
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
    for heat, steps in ((3e-3, 40), (3e-4, 40)):
        logs = _descend(lambda y, heat=heat: loss(y, heat / 12.0), logs, steps)  # type: ignore[misc]
    _, boltz, _, _ = weighed(np.exp(logs).reshape(len(knots), team.riders), _COOL)
    speed = boltz.sum(axis=2) @ grid
    slots = team.shares[team.riders]
    wheel = np.full((len(speed), team.riders), float(np.mean(slots[1:])) if len(slots) > 1 else slots[0])
    over = power_w(team, coarse, slice(None), speed, wheel) - team.critical_power_w
    hard = np.mean(over > 0, axis=1) > 0.5
    return logs, speed, boltz.sum(axis=1), hard


def _turn_prices(
    team: Team, coarse: Ground, limits: Limits, speed: Floats, hard: np.ndarray[tuple[int], np.dtype[np.bool_]]
) -> Floats:
    """(pieces, riders) δ: 0 on stretches with hard pieces, else what being off the line pays for at their speeds."""
    turn = np.zeros((len(speed), team.riders))
    away_s, _ = _off_line(team, limits)
    keep_out = _left_out(team)
    air = speed + coarse.wind_mps
    slower = np.maximum(air - team.rules.closing_mps, 0.0)
    more_w = (
        0.5
        * coarse.density_kg_m3[:, None]
        * (
            (team.drag_area_m2 + WHEEL_DRAG_AREA_M2) * (slower**2)[:, None]
            - (team.drag_area_m2 * keep_out + WHEEL_DRAG_AREA_M2) * (air**2)[:, None]
        )
        * speed[:, None]
        / DRIVETRAIN_EFFICIENCY
    )
    for index in range(int(coarse.stretch[-1]) + 1):
        here = coarse.stretch == index
        if np.mean(hard[here]) > 0.1:
            continue
        pays_j = _PAYS * limits.keeps * away_s * np.min(more_w[here], axis=0)
        low, high = np.zeros(team.riders), np.full(team.riders, 0.6)
        for _ in range(30):
            middle = 0.5 * (low + high)
            paid = _hump_j(team, limits, middle) <= (1 - middle) * pays_j
            low, high = np.where(paid, middle, low), np.where(paid, high, middle)
        turn[here] = np.where(low > 0.02, low, 0.0)
    return turn


def _climbed(team: Team, coarse: Ground, limits: Limits, knots: Floats, logs: Floats, turn: Floats) -> Prices:
    """The bound on coarse ground, climbed by its own slopes in prices, slopes and leads."""
    hats = _hat(coarse.edge_m, knots)
    cells, riders = len(coarse.grade), team.riders
    shape = (len(knots), riders)
    split = (len(knots) * riders, len(knots) * riders + cells + 1)

    def prices_of(flat: Floats) -> Prices:
        return Prices(
            reserve=hats @ np.exp(flat[: split[0]]).reshape(shape),
            slope=1 / (1 + np.exp(-flat[split[0] : split[1]])),
            lead=1 / (1 + np.exp(-flat[split[1] :])),
            turn=turn,
        )

    def loss(flat: Floats, heat: float) -> tuple[float, Floats]:
        prices = prices_of(flat)
        value, by_reserve, by_slope, by_lead = _value_and_slopes(team, coarse, prices, limits, heat)
        pi = np.exp(flat[: split[0]]).reshape(shape)
        gradient = np.concatenate(
            (
                ((hats.T @ by_reserve) * pi).ravel(),
                by_slope * prices.slope * (1 - prices.slope),
                by_lead * prices.lead * (1 - prices.lead),
            )
        )
        return -value, -gradient

    keeps = float(limits.keeps.min())
    first = np.full(cells + 1, np.log(keeps / (1 - min(keeps, 0.98))))
    flat = np.concatenate((logs, np.clip(first, -3.0, 3.0), np.full(cells + 1, 3.0)))
    for heat, steps in ((1e-3, 30), (2e-4, 40), (5e-5, 40)):
        flat = _descend(lambda y, heat=heat: loss(y, heat / 12.0), flat, steps)  # type: ignore[misc]
    return prices_of(flat)


def _value_and_slopes(
    team: Team, ground: Ground, prices: Prices, limits: Limits, heat: float = 0.0
) -> tuple[float, Floats, Floats, Floats]:
    """The bound, and how it grows with prices of reserve (edges, riders), slopes (edges,) and leads (edges,).

    With heat every choice within h is smoothed: a little less than the bound, without its kinks. What escapes at the
    ends of whole turns is left out of the slopes; it is small.
    """
    points = _points(team, ground, prices, limits, heat)
    least, v = _least_h(points)
    cells, riders = len(ground.grade), team.riders
    mass = team.mass_kg + WHEEL_INERTIA_KG
    h = _h_by_leader(points, v)
    if heat == 0.0:
        leads = np.zeros_like(h)
        leads[np.arange(len(h)), np.argmin(h, axis=1)] = 1.0
    else:
        leads = np.exp(-(h - h.min(axis=1, keepdims=True)) / heat)
        leads /= leads.sum(axis=1, keepdims=True)
    follows = 1 - leads
    best = np.append(np.sort(np.array(team.shares[riders][1:])), 1.0)
    sheltered = np.zeros_like(h)
    for leader in range(riders):
        ahead_of = points.ranks < points.ranks[:, leader][:, None]
        share = best[np.where(ahead_of, points.ranks, np.maximum(points.ranks - 1, 0))]
        share[:, leader] = 0.0
        sheltered += leads[:, leader][:, None] * share
    speed = v[:, None]
    pace = points.standing / speed
    air_speed = speed + points.wind
    drag = points.air[:, None] * air_speed * np.abs(air_speed)
    rest = (
        drag * WHEEL_DRAG_AREA_M2
        + points.push[:, None] * team.mass_kg
        + (0.091 + 0.0087 * speed) / DRIVETRAIN_EFFICIENCY
    )
    fresh = np.zeros(riders)
    _, low_f = _lesser(points.follow_low * pace + points.held_low, points.follow_full * pace + points.held_full, heat)
    _, low_l = _lesser(points.lead_low * pace + points.held_low, points.lead_full * pace + points.held_full, heat)

    def mixed(low: Floats, at_low: Floats, at_full: Floats) -> Floats:
        return np.asarray(low * at_low + (1 - low) * at_full)

    worst_f = mixed(
        low_f, _offset_power_w(team, limits.keeps, points.behind), _offset_power_w(team, fresh, points.behind)
    )
    worst_l = mixed(
        low_l, _offset_power_w(team, limits.keeps, points.ahead), _offset_power_w(team, fresh, points.ahead)
    )
    by_sigma_f = drag * team.drag_area_m2 * sheltered + follows * (rest - worst_f * pace)
    by_sigma_l = leads * (drag * team.drag_area_m2 * team.shares[riders][0] + rest - worst_l * pace)
    offset_f = mixed(low_f, points.follow_low, points.follow_full) / np.maximum(points.price, 1e-15)
    offset_l = mixed(low_l, points.lead_low, points.lead_full) / np.maximum(points.pi, 1e-15)
    keep = points.price / np.maximum(points.pi, 1e-15)
    by_pi = follows * keep * (offset_f + points.behind * worst_f) * pace
    by_pi += leads * (offset_l + points.ahead * worst_l) * pace
    less = _wheel_less_off(points, air_speed)
    gains = follows * (points.away_s * pace + points.sigma * less > 0)
    by_sigma_f = by_sigma_f - gains * less
    by_pi = by_pi - gains * points.away_s / np.maximum(points.pi, 1e-15) * pace
    held = follows * mixed(low_f, points.low_j, team.w_prime_j) + leads * mixed(low_l, points.low_j, team.w_prime_j)
    weight = 0.5 * np.concatenate((ground.length_m, ground.length_m))[:, None]
    by_extra = (weight * by_sigma_l / mass).sum(axis=1)
    d_sigma, d_pi, d_lead = np.zeros((cells + 1, riders)), np.zeros((cells + 1, riders)), np.zeros(cells + 1)
    for side, rows in ((slice(0, cells), slice(0, cells)), (slice(1, cells + 1), slice(cells, 2 * cells))):
        d_sigma[side] += (weight * (by_sigma_f + by_sigma_l))[rows]
        d_pi[side] += (weight * by_pi)[rows]
        d_lead[side] += by_extra[rows]
    squares = (v[:cells] ** 2 + v[cells:] ** 2) / (4 * DRIVETRAIN_EFFICIENCY)
    d_sigma[:-1] += squares[:, None] * mass
    d_sigma[1:] -= squares[:, None] * mass
    d_lead[:-1] += squares
    d_lead[1:] -= squares
    mean_held = 0.5 * (held[:cells] + held[cells:])
    d_pi[:-1] += mean_held
    d_pi[1:] -= mean_held
    d_pi[-1] += limits.floor_j
    d_pi[0] -= team.w_prime_j
    hump = _hump_j(team, limits, prices.turn[-1:])[0]
    if hump.any():
        kept = np.ones(riders, dtype=bool)
        kept[np.argsort(prices.reserve[-1] * hump)[-_off_line(team, limits)[1] :]] = False
        d_pi[-1] += hump * kept
    total = float(np.sum(0.5 * ground.length_m * (least[:cells] + least[cells:])))
    total += float(prices.reserve[-1] @ limits.floor_j - prices.reserve[0] @ team.w_prime_j)
    total += _turn_ends_s(team, prices, limits)
    keeps = _node_keeps(prices)
    steep_nodes = prices.slope[:, None] * keeps
    room = (1 - steep_nodes) * prices.reserve * mass
    tight = np.argmin(room, axis=1)
    edge = np.arange(cells + 1)
    d_pi += d_sigma * steep_nodes
    d_pi[edge, tight] += d_lead * prices.lead * (1 - steep_nodes[edge, tight]) * mass[tight]
    d_slope = (d_sigma * keeps * prices.reserve).sum(axis=1)
    d_slope -= d_lead * prices.lead * keeps[edge, tight] * prices.reserve[edge, tight] * mass[tight]
    return total, d_pi, d_slope, d_lead * room[edge, tight]


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


def coarse_ground(ground: Ground, pieces: int) -> Ground:
    """Neighbouring cells of a stretch put together, to about so many pieces."""
    target_m = float(ground.edge_m[-1]) / pieces
    keep = [0]
    for index in range(1, len(ground.edge_m) - 1):
        new_stretch = ground.stretch[index] != ground.stretch[index - 1] or index == 1
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
    for before, after in pairwise(ends):
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

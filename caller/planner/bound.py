"""A proof of how fast no rotation whatever can be: prices on what is drawn of each reserve and on energy of motion.

**Prices.** In ``model`` a ride takes ∫dx/v. Of rider i's reserve y is drawn, 0 at the gun and at most Y at any time.
Let V_i(x, y) be any function that grows with y: what being drawn by y costs at x, for whoever is behind or beside the
line; whoever leads has V_i + H_i, H_i from 0 to κ_i(x). Let q(x) be the worth of a unit of u = v²/2. Adding to the time
what S = Σ V + H - q u gains, and taking it off again at the ends,

    T = ∫ 1/v + S' dx + jumps of S - S(end) + S(0)  ≥  ∫ min h dx - Σ V_i(end, Y_i) - (what escapes, see below),

with h the least of 1/v + S' over speed, who leads, who has which wheel, who is off the line, and how much anybody has
drawn. Any V, H and q prove a bound; good ones prove a good bound (``prices``).

**Power.** Each second y grows at least by φ(P): what is over critical power, or, below it, minus what the recovery
model gives back with the share r = y/W′ drawn. Power is never negative. For a price p = ∂V/∂y and any σ ≤ p, p φ(P) ≥ σ
P + p offset(σ/p), offset(s) = min over P ≥ 0 of φ(P) - s P. So everybody's power counts as σ_i P_i, and as acceleration
is the same for all, it drops out if q = Σ σ_i m_i / Ec. Whoever leads may have a steeper line: its extra slope times
mass is one number c(x) for whoever leads, so that q stays one function of x.

**Pieces.** V and H are linear in y between nodes and, at each node, linear in x within a cell; so are σ, c and the
wheels' prices. Then h, for given speed, leader and wheels, is concave in y between nodes (offset is convex in r, with a
minus), so only nodes need be tried; and it is concave along the cell, so the trapezoid of its two ends is below its
integral. What is left is a minimum over one speed.

**Wheels.** Whoever follows pays at least min over slots of (σ_i drag_i share - μ), and Σ μ once, for any prices μ of
the slots; they are taken so that with all riders there the riders in order of σ drag get the wheels in order of
shelter.

**Turns.** Swinging off lets S fall by at most κ_i. Each turn is followed by at least A seconds off the line, at full
drag and a little slower; so κ / A a second is taken off the cost of being there. Not more than a few can be there at
once, and shorter lines have no better wheels than the whole line without its best (``_wheels``). Where κ falls along
the course, and at the finish, those few may have had the one without the other: so many of the largest come off.

**Riders to spare.** Whoever need not finish may use up all of the reserve and leave the line: for them Y = W′ and, once
gone, S keeps V(x, Y). As anybody may be to spare, all have Y = W′ then.

In a cell v is the root mean square of the speeds at its ends; the mean, which makes the time, is no more, and in the
first cell, from a standing start, it is v/√2. u at the end, and the energy in it, is left out: it is not below 0.

Must not know how a plan was found. A plan below this bound is a bug.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from caller.physics import DRIVETRAIN_EFFICIENCY, WHEEL_DRAG_AREA_M2, WHEEL_INERTIA_KG, drift_s
from caller.planner.model import FASTEST_LINE_MPS, Floats, Ground, Team

__all__ = ["NODES", "Limits", "Prices", "Slopes", "Weighing", "limits_of", "lower_bound_s", "weighing"]

NODES: Final = np.array([0.0, 0.25, 0.5, 0.7, 0.85, 1.0])
"""Shares of Y between which prices are constant."""
_SLOWEST_MPS: Final = 0.4
_GRID: Final = 48
_GOLDEN: Final = 14


@dataclass(frozen=True, slots=True, kw_only=True)
class Prices:
    """At the edges of cells.

    Attributes:
        price: (edges, riders, intervals) ∂V/∂y, seconds a joule, above 0.
        more: (edges, riders, intervals) ∂H/∂y, 0 or more.
        sigma: (edges, riders) σ, not above the least price; what is above it is not used.
        lead: (edges,) c; what is more than any rider can take is not used.
    """

    price: Floats
    more: Floats
    sigma: Floats
    lead: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What riders are held to.

    Attributes:
        most_j: (riders,) Y, the most that may be drawn.
        spare: how many may leave the line.
        least_turn_s: no turn but the last is shorter.
    """

    most_j: Floats
    spare: int
    least_turn_s: float


def limits_of(team: Team, least_turn_s: float | None = None) -> Limits:
    """What the rules hold this team to; None takes the shortest turn of the rules."""
    spare = max(0, team.riders - team.rules.counted)
    margin = 0.0 if spare else team.rules.reserve_margin
    return Limits(
        most_j=(1 - margin) * team.w_prime_j,
        spare=spare,
        least_turn_s=team.rules.shortest_turn_s if least_turn_s is None else least_turn_s,
    )


def _off_line(team: Team, limits: Limits) -> tuple[float, int]:
    """Least seconds off the line after a turn, in the shortest line there may be, and how many may be off it at once.

    Others may still be off the line when a turn ends, and fewer are then to be passed: only as many as swung off while
    turns of the shortest length fit into the longest time off the line.
    """
    rules, riders = team.rules, team.riders
    most_s = drift_s(riders, rules.closing_mps) + rules.latch_s
    others = min(riders - 2, int(np.ceil(most_s / limits.least_turn_s - 1e-9)) - 1) if riders > 2 else 0
    fewest = max(1, riders - limits.spare - others)
    return drift_s(fewest, rules.closing_mps) + rules.latch_s, min(max(riders - 1, 1), others + 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """A line of so many: share of drag on the front, on the wheels from the best, and which wheel is none's when one is
    off it."""

    front: float
    wheels: Floats
    free: int


def _wheels(team: Team, riders: int, off: int) -> _Line:
    """Shares of a line such that with up to ``off`` riders beside it the others have no better wheels than are left.

    With k off, the wheels numbered free - k + 1 to free are nobody's, or the k best if there are fewer. Where a shorter
    line has better ones all the same, every wheel is taken for the best there is.
    """
    lines = [sorted(team.shares[riders - gone][1:]) for gone in range(off + 1) if riders - gone >= 1]
    front = min(team.shares[riders - gone][0] for gone in range(off + 1) if riders - gone >= 1)
    full = lines[0]
    for free in range(len(full)):
        fits = True
        for gone, shorter in enumerate(lines[1:], 1):
            first = max(0, min(free - gone + 1, len(full) - gone))
            left = full[:first] + full[first + gone :]
            fits = fits and all(one <= other + 1e-12 for one, other in zip(left, shorter, strict=True))
        if fits:
            return _Line(front=front, wheels=np.array(full), free=max(free, min(off, len(full)) - 1))
    best = min((min(line) for line in lines if line), default=1.0)
    return _Line(front=front, wheels=np.full(len(full), best), free=len(full) - 1)


def _offset_w(team: Team, drawn: Floats, slope: Floats) -> tuple[Floats, Floats]:
    """Least of φ(P) - s P over P ≥ 0, and the power where it is, for s (…, riders) of 0 to 1 and r (…, riders).

    elite-2018: below CP what returns is K D^0.688, K = r W′ / 2287.2, D = CP - P; the least lies at
        D = (0.688 K / s)^(1/0.312), or at P = 0, or (above CP) at P = CP.
    integral-2012: r W′ / τ returns whatever the power; φ = max(y, 0) less that.
    """
    cp = np.broadcast_to(team.critical_power_w, slope.shape)
    if team.rules.recovery == "integral-2012":
        return -slope * cp - drawn * team.w_prime_j / team.tau_s, cp
    k = drawn * team.w_prime_j / 2287.2
    best = np.minimum((0.688 * k / np.maximum(slope, 1e-9)) ** (1 / 0.312), cp)
    low, high = -k * best**0.688 - slope * (cp - best), -slope * cp
    return np.asarray(np.minimum(low, high)), np.where(high < low, cp, cp - best)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Drawn:
    """What drawing costs, at points: the least over k of (fixed - paid / v); how fixed and paid come from prices.

    Attributes:
        fixed: (k, points, riders) S' at a node.
        paid: (k, points, riders)
        by_price: (k, points, riders) how paid grows with the price of its interval.
        by_slope: (k, points, riders) how paid grows with σ.
        at_nodes: (nodes, points, riders) of the first of k, the weight of each node; None if there is no such first.
    """

    fixed: Floats
    paid: Floats
    by_price: Floats
    by_slope: Floats
    at_nodes: Floats | None

    def to_intervals(self, values: Floats) -> Floats:
        """From k to the intervals whose prices they come from."""
        skip = 0 if self.at_nodes is None else 1
        count = len(NODES) - 1
        return np.asarray(values[skip : skip + count] + values[skip + count :])

    def to_nodes(self, values: Floats) -> Floats:
        """From k to the nodes they lie on."""
        skip = 0 if self.at_nodes is None else 1
        count = len(NODES) - 1
        nodes = np.zeros((count + 1, *values.shape[1:]))
        nodes[:-1] += values[skip : skip + count]
        nodes[1:] += values[skip + count :]
        if self.at_nodes is not None:
            nodes += values[0] * self.at_nodes
        return nodes


@dataclass(frozen=True, slots=True, kw_only=True)
class Slopes:
    """How a bound grows with prices, σ itself (edges, riders), and c itself (edges,)."""

    price: Floats
    more: Floats
    sigma: Floats
    lead: Floats


@dataclass(slots=True)
class _Sums:
    """How a bound grows with what prices come to at points, (points, riders) if not said otherwise."""

    fixed: Floats  # (nodes, points, riders) S' at nodes, behind
    fixed_lead: Floats
    price: Floats  # (intervals, points, riders)
    total: Floats  # (intervals, points, riders) the price of whoever leads
    sigma: Floats
    sigma_lead: Floats
    away: Floats
    square: Floats
    square_lead: Floats  # (points,)
    gone: Floats
    bend: Floats

    @staticmethod
    def none(points: int, riders: int) -> "_Sums":
        nodes = len(NODES)

        def zeros(*shape: int) -> Floats:
            return np.zeros((*shape, points, riders))

        return _Sums(
            fixed=zeros(nodes),
            fixed_lead=zeros(nodes),
            price=zeros(nodes - 1),
            total=zeros(nodes - 1),
            sigma=zeros(),
            sigma_lead=zeros(),
            away=zeros(),
            square=zeros(),
            square_lead=np.zeros(points),
            gone=zeros(),
            bend=zeros(),
        )


def _soft(values: Floats, heat: float) -> tuple[Floats, Floats]:
    """The least along the first axis and weights of each; with heat smoothed, and never more than the least."""
    least = values.min(axis=0)
    weights = np.exp((least - values) * (1 / heat)) if heat else (values == least) * 1.0
    total = weights.sum(axis=0)
    weights /= total
    return least - heat * np.log(total) if heat else least, weights


def _least(values: Floats, heat: float) -> Floats:
    least = values.min(axis=0)
    if heat == 0.0:
        return np.asarray(least)
    return np.asarray(least - heat * np.log(np.exp((least - values) * (1 / heat)).sum(axis=0)))


def _two(values: Floats) -> Floats:
    return np.concatenate((values, values))


def _ends(values: Floats) -> Floats:
    return np.concatenate((values[:-1], values[1:]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighing:
    """Prices on ground: both ends of all cells as points, with what h needs there."""

    team: Team
    ground: Ground
    limits: Limits
    prices: Prices
    heat: float
    standing: Floats
    air: Floats
    push: Floats
    sigma: Floats
    extra: Floats
    kinetic_each: Floats
    kinetic_lead: Floats
    gone: Floats
    follow: _Drawn
    ahead: _Drawn
    away: Floats
    away_s: float
    few: int
    kappa_s: Floats
    lines: tuple[_Line, ...]
    wheel: tuple[Floats, ...]
    wheel_prices: tuple[Floats, ...]
    bends: tuple[NDArray[np.int64], ...]
    ranks: NDArray[np.int64]

    # ------------------------------------------------------------------------------------------------ h and its least

    def _forces(self, v: Floats) -> tuple[Floats, Floats]:
        """(points, riders) drag beside the line at a speed (points, 1), and all but drag, at the crank."""
        team = self.team
        slower = v + self.ground.wind_mps - team.rules.closing_mps
        beside = self.air[:, None] * (team.drag_area_m2 + WHEEL_DRAG_AREA_M2) * slower * np.abs(slower)
        return beside, self.push[:, None] * team.mass_kg + (0.091 + 0.0087 * v) / DRIVETRAIN_EFFICIENCY

    def costs(self, speed_mps: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Parts of h at speeds (points,): (points, riders) following, but for the wheel's drag; leading; being off the
        line; then (points, 1) 1/v, and drag for each square metre."""
        team = self.team
        v = speed_mps[:, None]
        air_speed = v + self.ground.wind_mps
        drag = self.air[:, None] * air_speed * np.abs(air_speed)
        beside, rest = self._forces(v)
        pace = self.standing[:, None] / v
        square = v * v / 2
        follow = _least(self.follow.fixed - self.follow.paid * pace, self.heat) - self.kinetic_each * square
        each = follow + self.sigma * (drag * WHEEL_DRAG_AREA_M2 + rest)
        off = follow + self.sigma * (beside + rest) - self.away * pace
        front = team.drag_area_m2 * self._front() + WHEEL_DRAG_AREA_M2
        lead = _least(self.ahead.fixed - self.ahead.paid * pace, self.heat)
        lead = lead + (self.sigma + self.extra) * (drag * front + rest)
        return each, lead - (self.kinetic_each + self.kinetic_lead[:, None]) * square, off, pace, drag

    def _gain(self, gone: int, wheel: Floats, off: Floats, drag: Floats) -> Floats:
        """(points, riders) by how much it is cheaper to be off the line than on a wheel."""
        line = self.lines[gone]
        free = self.wheel_prices[gone][:, line.free][:, None] if len(line.wheels) else np.zeros_like(drag)
        return np.maximum(0.0, wheel - off + drag * free)

    def by_leader(self, speed_mps: Floats) -> Floats:
        """(lengths · riders, points) h at a speed (points,) for each number of riders gone and each leader."""
        each, lead, off, pace, drag = self.costs(speed_mps)
        found = []
        for gone in range(len(self.lines)):
            wheel = each + drag * self.wheel[gone]
            h = pace + drag * self.wheel_prices[gone].sum(axis=1)[:, None] + lead
            h = h + wheel.sum(axis=1)[:, None] - wheel
            h = h - _others_best(self._gain(gone, wheel, off, drag), self.few)
            if gone:
                h = h - _others_best(wheel - self.gone, gone)
            found.append(h)
        return np.concatenate(found, axis=1).T

    def least(self, speed_mps: Floats) -> Floats:
        """(points,) the least of h over leaders, at a speed (points,)."""
        return _least(self.by_leader(speed_mps), self.heat)

    def minimum(self) -> tuple[Floats, Floats]:
        """(points,) the least of h over speed and leader, and the speed: a grid, then golden section about its best."""
        count = len(self.air)
        grid = np.geomspace(_SLOWEST_MPS, FASTEST_LINE_MPS, _GRID)
        values = np.stack([self.least(np.full(count, v)) for v in grid])
        index = np.argmin(values, axis=0)
        low, high = grid[np.maximum(index - 1, 0)], grid[np.minimum(index + 1, _GRID - 1)]
        ratio = (np.sqrt(5) - 1) / 2
        a, b = high - ratio * (high - low), low + ratio * (high - low)
        fa, fb = self.least(a), self.least(b)
        for _ in range(_GOLDEN):
            left = fa < fb
            low, high = np.where(left, low, a), np.where(left, b, high)
            probe = np.where(left, high - ratio * (high - low), low + ratio * (high - low))
            value = self.least(probe)
            a, b, fa, fb = (
                np.where(left, probe, b),
                np.where(left, a, probe),
                np.where(left, value, fb),
                np.where(left, fa, value),
            )
        inner, at_grid = np.minimum(fa, fb), values.min(axis=0)
        return np.minimum(inner, at_grid), np.where(inner < at_grid, 0.5 * (low + high), grid[index])

    def bound_s(self) -> float:
        """What these prices prove."""
        least, _ = self.minimum()
        cells = len(self.ground.grade)
        return float(np.sum(0.5 * self.ground.length_m * (least[:cells] + least[cells:]))) + self._ends_s()[0]

    def _front(self) -> float:
        return min(line.front for line in self.lines)

    def _widths_j(self) -> Floats:
        return np.asarray(self.limits.most_j[:, None] * np.diff(NODES))

    def _ends_s(self) -> tuple[float, Floats, Floats]:
        """What is taken off at the ends and where κ falls, and how it grows with price and more."""
        widths = self._widths_j()
        by_price, by_more = np.zeros_like(self.prices.price), np.zeros_like(self.prices.more)
        value = -float((self.prices.price[-1] * widths).sum())
        by_price[-1] -= widths
        last = np.argsort(self.kappa_s[-1])[-min(self.few + 1, self.team.riders) :]
        value -= float(self.kappa_s[-1, last].sum())
        by_more[-1, last] -= widths[last]
        # Whoever leaves the line from its front is never beside it.
        most_s = self.kappa_s.max(axis=0)
        for rider in np.argsort(most_s)[self.team.riders - self.limits.spare :]:
            value -= float(most_s[rider])
            by_more[np.argmax(self.kappa_s[:, rider]), rider] -= widths[rider]
        falls = np.maximum(0.0, -np.diff(self.kappa_s, axis=0))
        most = np.argsort(falls, axis=1)[:, -self.few :]
        value -= float(np.take_along_axis(falls, most, axis=1).sum())
        chosen = np.zeros_like(falls)
        np.put_along_axis(chosen, most, 1.0, axis=1)
        chosen = (chosen * (falls > 0))[:, :, None] * widths
        by_more[:-1] -= chosen
        by_more[1:] += chosen
        return value, by_price, by_more

    # --------------------------------------------------------------------------------------------------------- slopes

    def value_and_slopes(self, speeds_mps: Floats) -> tuple[float, Slopes]:
        """The bound if only these speeds (points, k) could be ridden, smoothed by the heat, and how it grows.

        The heat must be above 0.
        """
        riders, heat = self.team.riders, self.heat
        points, tried = speeds_mps.shape
        weight = 0.5 * _two(self.ground.length_m)
        h = np.concatenate([self.by_leader(speeds_mps[:, k]) for k in range(tried)])
        least, share = _soft(h, heat)
        share = (share * weight).reshape(tried, len(self.lines), riders, points)
        sums = _Sums.none(points, riders)
        for k in np.flatnonzero((share.sum(axis=(1, 2)) > 1e-6 * weight).any(axis=1)).tolist():
            self._add(sums, speeds_mps[:, k], share[k])
        ends_s, by_price, by_more = self._ends_s()
        return float(weight @ least) + ends_s, self._at_edges(sums, by_price, by_more)

    def _add(self, sums: _Sums, speed_mps: Floats, share: Floats) -> None:
        """What one speed adds, for weights (lengths, riders, points) of each leader."""
        team, heat = self.team, self.heat
        points, riders = len(speed_mps), team.riders
        v = speed_mps[:, None]
        each, _, off, pace, drag = self.costs(speed_mps)
        beside, rest = self._forces(v)
        followed, away, aero = (np.zeros((points, riders)) for _ in range(3))
        leads = share.sum(axis=0).T
        for gone, line in enumerate(self.lines):
            led = share[gone].T
            total = led.sum(axis=1, keepdims=True)
            wheel = each + drag * self.wheel[gone]
            gain = self._gain(gone, wheel, off, drag)
            present = total - led
            if gone:
                left = _members(wheel - self.gone, gone, led)
                present = present - left
                sums.gone += left
            beside_line = _members(gain, self.few, led) * (gain > 0)
            followed += present - beside_line
            away += beside_line
            if len(line.wheels):
                slots = self._slots(gone, led) * (present - beside_line)[:, :, None]
                aero += slots @ line.wheels
                # Prices of wheels bend where riders change places; that matters where wheels stay idle.
                idle = total - slots.sum(axis=1)
                idle[:, line.free] -= beside_line.sum(axis=1)
                steps = np.cumsum(idle[:, ::-1], axis=1)[:, ::-1][:, 1:] * np.diff(line.wheels)
                np.add.at(sums.bend, (np.arange(points)[:, None], self.bends[gone]), drag * steps)
        present = followed + away
        behind = _soft(self.follow.fixed - self.follow.paid * pace, heat)[1] * present
        front = _soft(self.ahead.fixed - self.ahead.paid * pace, heat)[1] * leads
        sums.sigma += drag * (team.drag_area_m2 * aero + WHEEL_DRAG_AREA_M2 * followed) + rest * followed
        sums.sigma += away * (beside + rest) - (behind * self.follow.by_slope).sum(axis=0) * pace
        front_area = team.drag_area_m2 * self._front() + WHEEL_DRAG_AREA_M2
        sums.sigma_lead += leads * (drag * front_area + rest) - (front * self.ahead.by_slope).sum(axis=0) * pace
        sums.away -= away * pace
        sums.square -= (present + leads) * (v * v / 2)
        sums.square_lead -= leads.sum(axis=1) * (speed_mps * speed_mps / 2)
        sums.price -= self.follow.to_intervals(behind * self.follow.by_price) * pace
        sums.total -= self.ahead.to_intervals(front * self.ahead.by_price) * pace
        sums.fixed += self.follow.to_nodes(behind)
        sums.fixed_lead += self.ahead.to_nodes(front)

    def _slots(self, gone: int, led: Floats) -> Floats:
        """(points, riders, slots) which wheels riders have who follow, for leaders weighed (points, riders)."""
        wheels = self.lines[gone].wheels
        points, riders = led.shape
        slots = np.zeros((points, riders, len(wheels)))
        at = np.arange(points)[:, None], np.arange(riders)[None, :]
        if gone or self.bends[0].shape[1] != riders - 2:
            worth = self.sigma[:, :, None] * self.team.drag_area_m2[:, None] * wheels
            slots[*at, np.argmin(worth - self.wheel_prices[gone][:, None, :], axis=2)] = 1.0
            return slots
        # Whoever comes after the leader, in order of drag, has the wheel before: exactly what the prices leave open.
        ordered = np.take_along_axis(led, np.argsort(self.ranks, axis=1), axis=1)
        before = np.take_along_axis(np.cumsum(ordered, axis=1) - ordered, self.ranks, axis=1)
        others = led.sum(axis=1, keepdims=True) - led
        moved = np.where(others > 0, before / np.maximum(others, 1e-300), 0.0)
        slots[*at, np.minimum(self.ranks, len(wheels) - 1)] += 1 - moved
        slots[*at, np.maximum(self.ranks - 1, 0)] += moved
        return slots

    def _at_edges(self, sums: _Sums, by_price: Floats, by_more: Floats) -> Slopes:
        """From points to the edges that prices belong to; what the ends add comes with it."""
        cells = len(self.ground.grade)
        length = self.ground.length_m
        mass = self.team.mass_kg + WHEEL_INERTIA_KG
        widths = self._widths_j()

        def at(values: Floats) -> Floats:
            edges = np.zeros((cells + 1, *values.shape[1:]))
            edges[:-1] += values[:cells]
            edges[1:] += values[cells:]
            return edges

        def rise(values: Floats) -> Floats:
            both = (values[:cells] + values[cells:]) / length.reshape((-1,) + (1,) * (values.ndim - 1))
            edges = np.zeros((cells + 1, *values.shape[1:]))
            edges[1:] += both
            edges[:-1] -= both
            return edges

        def inward(values: Floats) -> Floats:
            return np.moveaxis(values, 0, 2)

        def beyond(nodes: Floats) -> Floats:
            """All nodes beyond an interval rise with its price."""
            return np.asarray(np.cumsum(inward(nodes)[:, :, ::-1], axis=2)[:, :, ::-1][:, :, 1:])

        price = at(inward(sums.price + sums.total))
        price = price + rise((beyond(sums.fixed + sums.fixed_lead) + sums.gone[:, :, None]) * widths) + by_price
        more = at(inward(sums.total)) + rise(beyond(sums.fixed_lead) * widths)
        more = more + at(sums.away)[:, :, None] / self.away_s * widths + by_more
        sigma = at(sums.sigma + sums.bend * self.team.drag_area_m2 + sums.sigma_lead)
        sigma = sigma + rise(sums.square) * mass / DRIVETRAIN_EFFICIENCY
        lead = at((sums.sigma_lead / mass).sum(axis=1)) + rise(sums.square_lead) / DRIVETRAIN_EFFICIENCY
        return Slopes(price=price, more=more, sigma=sigma, lead=lead)


def _ranks(values: Floats) -> NDArray[np.int64]:
    """(points, riders) 0 for the largest of each row."""
    order = np.argsort(-values, axis=1, kind="stable")
    return np.asarray(np.argsort(order, axis=1, kind="stable"))


def _others_best(values: Floats, count: int) -> Floats:
    """(points, riders) the sum of the ``count`` largest of (points, riders), leaving out each rider."""
    count = min(count, values.shape[1] - 1)
    if count <= 0:
        return np.zeros_like(values)
    ordered = -np.sort(-values, axis=1)
    best = ordered[:, :count].sum(axis=1)[:, None] - np.maximum(0.0, values - ordered[:, count][:, None])
    return np.asarray(best)


def _members(values: Floats, count: int, led: Floats) -> Floats:
    """(points, riders) how much each is among the ``count`` best others, for leaders weighed (points, riders)."""
    count = min(count, values.shape[1] - 1)
    if count <= 0:
        return np.zeros_like(values)
    ranks = _ranks(values)
    total = led.sum(axis=1, keepdims=True)
    first = np.where(ranks < count, led, 0.0).sum(axis=1, keepdims=True)
    return np.where(ranks < count, total - led, np.where(ranks == count, first, 0.0))


def _drawn(team: Team, rise: Floats, price: Floats, slope: Floats, shares: Floats, heat: float) -> _Drawn:
    """Nodes and intervals at points.

    Args:
        rise: (points, riders, nodes) S' at nodes.
        price: (points, riders, intervals)
        slope: (points, riders) of the line below φ, times price.
        shares: (riders, nodes) r.
    """
    rise, price = np.moveaxis(rise, 2, 0), np.moveaxis(price, 2, 0)
    both = np.concatenate((rise[:-1], rise[1:]))
    prices = np.concatenate((price, price))
    drawn = np.concatenate((shares[:, :-1], shares[:, 1:]), axis=1).T[:, None, :]
    if team.rules.recovery == "differential-2015":
        # offset(s) = -max(s, r) CP: the first does not depend on the node.
        least, weights = _soft(rise, heat)
        cp = team.critical_power_w
        none = np.zeros_like(slope)[None]
        by_price = np.broadcast_to(drawn * cp, prices.shape)
        return _Drawn(
            fixed=np.concatenate((least[None], both)),
            paid=np.concatenate(((slope * cp)[None], prices * by_price)),
            by_price=np.concatenate((none, by_price)),
            by_slope=np.concatenate((none + cp, np.zeros_like(prices))),
            at_nodes=weights,
        )
    ratio = np.minimum(1.0, slope / np.maximum(prices, 1e-15))
    offset, power = _offset_w(team, drawn, ratio)
    return _Drawn(fixed=both, paid=-prices * offset, by_price=-(offset + ratio * power), by_slope=power, at_nodes=None)


def _allowed(team: Team, prices: Prices) -> tuple[Floats, Floats]:
    """(edges, riders) σ and (edges,) c of prices, but no more than the proof allows."""
    sigma = np.minimum(prices.sigma, prices.price.min(axis=2))
    room = ((prices.price + prices.more).min(axis=2) - sigma) * (team.mass_kg + WHEEL_INERTIA_KG)
    return sigma, np.minimum(prices.lead, room.min(axis=1))


def weighing(team: Team, ground: Ground, prices: Prices, limits: Limits, heat: float = 0.0) -> Weighing:
    """Prices on ground, ready to be weighed; with heat every choice within h is smoothed, to a little less."""
    cells, riders = len(ground.grade), team.riders
    mass = team.mass_kg + WHEEL_INERTIA_KG
    length = ground.length_m
    sigma_edges, lead_edges = _allowed(team, prices)
    away_s, few = _off_line(team, limits)
    widths = limits.most_j[:, None] * np.diff(NODES)
    none = np.zeros((cells, riders, 1))

    def rise(intervals: Floats) -> Floats:
        slopes = np.diff(intervals, axis=0) * widths / length[:, None, None]
        return _two(np.concatenate((none, np.cumsum(slopes, axis=2)), axis=2))

    behind = rise(prices.price)
    ahead = behind + rise(prices.more)
    sigma, price = _ends(sigma_edges), _ends(prices.price)
    extra = _ends(lead_edges)[:, None] / mass
    shares = limits.most_j[:, None] * NODES / team.w_prime_j[:, None]
    kappa_s = (prices.more * widths).sum(axis=2)
    standing = np.ones(2 * cells)
    standing[[0, cells]] = np.sqrt(2.0)
    lines = tuple(_wheels(team, riders - gone, min(few, riders - gone - 1)) for gone in range(limits.spare + 1))
    worth = sigma * team.drag_area_m2
    order = np.argsort(-worth, axis=1, kind="stable")
    ordered = np.take_along_axis(worth, order, axis=1)
    bends, wheel, wheel_prices = [], [], []
    for line in lines:
        slots = len(line.wheels)
        places = np.array([round((slot + 1) * riders / (slots + 1)) for slot in range(slots - 1)], dtype=np.int64)
        places = np.clip(places, 0, riders - 1)
        bends.append(order[:, places])
        steps = ordered[:, places] * np.diff(line.wheels) if slots > 1 else np.zeros((2 * cells, 0))
        price_of = np.concatenate((np.zeros((2 * cells, min(slots, 1))), np.cumsum(steps, axis=1)), axis=1)
        wheel_prices.append(price_of)
        wheel.append(
            (worth[:, :, None] * line.wheels - price_of[:, None, :]).min(axis=2) if slots else np.zeros_like(worth)
        )
    return Weighing(
        team=team,
        ground=ground,
        limits=limits,
        prices=prices,
        heat=heat,
        standing=standing,
        air=_two(0.5 * ground.density_kg_m3 / DRIVETRAIN_EFFICIENCY),
        push=_two(ground.push_n_per_kg / DRIVETRAIN_EFFICIENCY),
        sigma=sigma,
        extra=extra,
        kinetic_each=_two(np.diff(sigma_edges * mass, axis=0) / length[:, None] / DRIVETRAIN_EFFICIENCY),
        kinetic_lead=_two(np.diff(lead_edges) / length / DRIVETRAIN_EFFICIENCY),
        gone=behind[:, :, -1],
        follow=_drawn(team, behind, price, sigma, shares, heat),
        ahead=_drawn(team, ahead, price + _ends(prices.more), sigma + extra, shares, heat),
        away=_ends(kappa_s) / away_s,
        away_s=away_s,
        few=few,
        kappa_s=kappa_s,
        lines=lines,
        wheel=tuple(wheel),
        wheel_prices=tuple(wheel_prices),
        bends=tuple(bends),
        ranks=np.argsort(order, axis=1, kind="stable"),
    )


def lower_bound_s(team: Team, ground: Ground, prices: Prices, least_turn_s: float | None = None) -> float:
    """What no rotation can beat on this ground, whatever the prices are; better prices prove more.

    Args:
        least_turn_s: no turn but the last is shorter; None takes the shortest turn of the rules.
    """
    return max(0.0, weighing(team, ground, prices, limits_of(team, least_turn_s)).bound_s())

"""Good prices for the bound: climbed to by its slopes.

Prices are linear between knots, denser near the ends of stretches. A round looks at what speed each place is ridden,
then climbs by a quasi-Newton method with a few speeds around it, smoothed; the rounds smooth less and less. Steps are
taken in a frame of all knots, of stretches and of single knots at once, so that they go far and near alike. The number
of steps is fixed by the effort asked for, never by a clock: same input, same prices.
Must not know how the bound is proved, but for what its prices are and how it grows with them.
"""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from caller.physics import WHEEL_INERTIA_KG
from caller.planner.bound import NODES, Limits, Prices, limits_of, weighing
from caller.planner.model import FASTEST_LINE_MPS, Floats, Ground, Team

__all__ = ["EFFORTS", "coarse_ground", "good_prices"]

_Round = tuple[float, int, int]

EFFORTS: Final[dict[str, tuple[_Round, ...]]] = {
    "quick": ((1e-3, 30, 2), (3e-4, 30, 2)),
    "thorough": (
        (1e-3, 40, 2),
        (4e-4, 60, 2),
        (2e-4, 80, 2),
        (2e-4, 120, 1),
        (1e-4, 150, 1),
        (1e-4, 200, 1),
        (4e-5, 200, 1),
    ),
}
"""Rounds: the heat, in seconds a metre at 12 m/s; most steps; how many neighbouring pieces are taken together."""
_PIECES: Final = (0.0, 0.015, 0.03, 0.055, 0.08, 0.13, 0.18, 0.26, 0.35, 0.48, 0.6, 0.73, 0.85, 0.92, 0.96, 0.98)
_KNOTS: Final = (0.0, 0.03, 0.08, 0.18, 0.35, 0.6, 0.85, 0.96)
"""Where stretches are cut, and where prices may bend, as shares of a stretch."""
_LEAST_PIECES: Final = 30
_CLOSEST_M: Final = 50.0
_NEAR: Final = (0.75, 0.92, 0.97, 1.0, 1.03, 1.09, 1.25)
_ANYWHERE_MPS: Final = (1.5, 3.0, 6.0, 11.0, 16.0, 24.0)
"""Speeds tried while climbing: around the one that costs least, and some for the case that another one comes up."""
_LOOK: Final = 30
_SHARPNESS: Final = 30.0
_HINGE: Final = 0.4


def coarse_ground(ground: Ground, pieces: int) -> Ground:
    """Neighbouring cells of a stretch put together, to about so many pieces."""
    target_m = float(ground.edge_m[-1]) / pieces
    keep = [0]
    for index in range(1, len(ground.edge_m) - 1):
        new_stretch = ground.stretch[index] != ground.stretch[index - 1] or index == 1
        if new_stretch or ground.edge_m[index] - ground.edge_m[keep[-1]] >= target_m:
            keep.append(index)
    return _joined(ground, keep)


def _joined(ground: Ground, starts: list[int]) -> Ground:
    """Cells put together; each piece begins with one of these."""
    first = np.array(starts)
    edges = np.append(ground.edge_m[first], ground.edge_m[-1])
    lengths = np.diff(edges)
    return Ground(
        edge_m=edges,
        grade=np.add.reduceat(ground.grade * ground.length_m, first) / lengths,
        density_kg_m3=np.add.reduceat(ground.density_kg_m3 * ground.length_m, first) / lengths,
        stretch=ground.stretch[first],
        wind_mps=ground.wind_mps,
        rolling=ground.rolling,
    )


def _stretch_ends_m(ground: Ground) -> list[float]:
    return [0.0, *ground.edge_m[1:-1][np.diff(ground.stretch) != 0].tolist(), float(ground.edge_m[-1])]


def _pieces(ground: Ground, together: int) -> Ground:
    """Cells put together, finer near the ends of stretches."""
    wanted_m = [float(ground.edge_m[1])]
    most_m = together * float(ground.edge_m[-1]) / _LEAST_PIECES
    for start, end in pairwise(_stretch_ends_m(ground)):
        wanted_m += [start + (end - start) * share for share in _PIECES[::together]]
        wanted_m += np.linspace(start, end, int((end - start) / most_m) + 1, endpoint=False).tolist()
    keep = [0]
    for cell in np.unique(np.searchsorted(ground.edge_m[:-1], np.array(wanted_m) - 1e-6)).tolist():
        if 0 < cell < len(ground.grade) and (
            cell == 1
            or ground.stretch[cell] != ground.stretch[cell - 1]
            or ground.edge_m[cell] - ground.edge_m[keep[-1]] >= _CLOSEST_M
        ):
            keep.append(cell)
    return _joined(ground, keep)


def _knots_m(ground: Ground) -> Floats:
    knots = [0.0]
    last = float(ground.edge_m[-1])
    for start, end in pairwise(_stretch_ends_m(ground)):
        for share in _KNOTS:
            at_m = start + (end - start) * share
            if at_m - knots[-1] >= _CLOSEST_M and last - at_m >= _CLOSEST_M:
                knots.append(at_m)
    return np.array([*knots, last])


def _hats(places_m: Floats, knots_m: Floats) -> Floats:
    """(places, knots) weights of linear interpolation."""
    right = np.clip(np.searchsorted(knots_m, places_m, side="right"), 1, len(knots_m) - 1)
    share = np.clip((places_m - knots_m[right - 1]) / (knots_m[right] - knots_m[right - 1]), 0.0, 1.0)
    weights = np.zeros((len(places_m), len(knots_m)))
    rows = np.arange(len(places_m))
    weights[rows, right - 1] = 1 - share
    weights[rows, right] += share
    return weights


def _frame(knots_m: Floats, ends_m: list[float]) -> Floats:
    """(knots, steps) what a step moves: all knots; those around every other stretch, and half a stretch; and each."""
    parts = [np.ones((len(knots_m), 1))]
    ends = np.array(ends_m)
    if len(ends) > 4:
        parts.append(_hats(knots_m, np.unique(np.append(ends[::2], ends[-1]))))
    parts.append(_hats(knots_m, np.sort(np.concatenate((ends, 0.5 * (ends[1:] + ends[:-1]))))))
    return np.concatenate((*parts, np.eye(len(knots_m))), axis=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Climb:
    """Prices as numbers that may be anything.

    At each knot there is for each rider σ = s², what the price of each interval is above it, e², and H's, d²; and, for
    the line, how much of the room there is for c is taken: a hinge of one number.
    """

    team: Team
    ground: Ground
    limits: Limits
    hats: Floats
    scale: Floats

    @property
    def _shape(self) -> tuple[int, int, int]:
        return self.hats.shape[1], self.team.riders, len(NODES) - 1

    def split(self, flat: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """(knots, riders), (knots,), and twice (knots, riders, intervals): s, hinge, e, d."""
        knots, riders, intervals = self._shape
        sizes = np.cumsum([knots * riders, knots, knots * riders * intervals])
        s, hinge, e, d = np.split(flat, sizes)
        return s.reshape(knots, riders), hinge, e.reshape(self._shape), d.reshape(self._shape)

    def first(self) -> Floats:
        """Where to begin: everybody's joule is worth the same, a bit less where more is drawn."""
        knots, riders, _ = self._shape
        keep = float((self.limits.most_j / self.team.w_prime_j).min())
        e = np.sqrt(np.broadcast_to(np.array([0.3, 0.28, 0.25, 0.18, 0.12]), self._shape))
        d = np.sqrt(np.broadcast_to(np.array([0.01, 0.01, 0.03, 0.1, 0.17]), self._shape))
        return np.concatenate((np.full(knots * riders, np.sqrt(0.9 * keep)), np.ones(knots), e.ravel(), d.ravel()))

    def _parts(self, flat: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats, Floats]:
        """At edges: σ, e², d², the room for c, how it grows with both, and the share of it that is taken."""
        s, hinge, e, d = self.split(flat)

        def at(values: Floats) -> Floats:
            return np.asarray((self.hats @ values.reshape(len(values), -1)).reshape(-1, *values.shape[1:]))

        sigma, above, more = at(s * s * self.scale), at(e * e * self.scale[:, None]), at(d * d * self.scale[:, None])
        rooms = (above + more) * (self.team.mass_kg + WHEEL_INERTIA_KG)[:, None]
        every = np.maximum(rooms.reshape(len(rooms), -1), 1e-300)
        # A smooth least: never more than the least.
        least = every.min(axis=1, keepdims=True)
        powers = (every / least) ** -_SHARPNESS
        total = powers.sum(axis=1, keepdims=True)
        room = least[:, 0] * total[:, 0] ** (-1 / _SHARPNESS)
        by_room = (powers / total * room[:, None] / every).reshape(rooms.shape)
        return sigma, above, more, room, by_room, at(_hinge(hinge))

    def prices(self, flat: Floats) -> Prices:
        """What the numbers stand for."""
        sigma, above, more, room, _, taken = self._parts(flat)
        return Prices(price=sigma[:, :, None] + above, more=more, sigma=sigma, lead=taken * room)

    def loss(self, flat: Floats, heat: float, speeds_mps: Floats) -> tuple[float, Floats]:
        """Minus the bound, smoothed, and how it grows."""
        weighed = weighing(self.team, self.ground, self.prices(flat), self.limits, heat)
        value, by = weighed.value_and_slopes(speeds_mps)
        s, hinge, e, d = self.split(flat)
        _, _, _, room, by_room, taken = self._parts(flat)

        def back(values: Floats) -> Floats:
            return np.asarray((self.hats.T @ values.reshape(len(values), -1)).reshape(-1, *values.shape[1:]))

        mass = self.team.mass_kg + WHEEL_INERTIA_KG
        by_rooms = (by.lead * taken)[:, None, None] * by_room * mass[:, None]
        slopes = (
            2 * s * back(by.sigma + by.price.sum(axis=2)) * self.scale,
            back(by.lead * room) * 4 * _hinge(hinge) * (1 - _hinge(hinge)),
            2 * e * back(by.price + by_rooms) * self.scale[:, None],
            2 * d * back(by.more + by_rooms) * self.scale[:, None],
        )
        return -value, -np.concatenate([one.ravel() for one in slopes])

    def speeds_mps(self, flat: Floats, heat: float) -> Floats:
        """(points, speeds) to climb with."""
        weighed = weighing(self.team, self.ground, self.prices(flat), self.limits, heat)
        points = np.arange(len(weighed.air))
        grid = np.geomspace(1.0, FASTEST_LINE_MPS, _LOOK)
        values = np.stack([weighed.least(np.full(len(points), v)) for v in grid])
        index = np.clip(values.argmin(axis=0), 1, _LOOK - 2)
        before, here, after = (values[index + step, points] for step in (-1, 0, 1))
        bend = np.maximum(before - 2 * here + after, 1e-15)
        best = grid[index] * (grid[1] / grid[0]) ** np.clip(0.5 * (before - after) / bend, -1.0, 1.0)
        anywhere = np.broadcast_to(np.array(_ANYWHERE_MPS), (len(points), len(_ANYWHERE_MPS)))
        near = np.minimum(best[:, None] * np.array(_NEAR), FASTEST_LINE_MPS)
        return np.concatenate((near, anywhere), axis=1)


def _hinge(values: Floats) -> Floats:
    return np.asarray(1 / (1 + np.exp(-4 * (values - _HINGE))))


def good_prices(
    team: Team,
    ground: Ground,
    *,
    effort: str = "quick",
    least_turn_s: float | None = None,
    report: Callable[[float], None] | None = None,
) -> Prices:
    """Prices at the edges of ground, for ``lower_bound_s``.

    Args:
        effort: one of EFFORTS.
        least_turn_s: as for ``lower_bound_s``.
        report: told which share of the whole is behind.
    """
    limits = limits_of(team, least_turn_s)
    knots_m = _knots_m(ground)
    frame = _frame(knots_m, _stretch_ends_m(ground))
    usual_s = float(ground.edge_m[-1]) / 12.0
    # One second for so many joules, to begin with: the whole reserve buys about a tenth of the time.
    each_s_per_j = 0.4 * usual_s / float((usual_s * team.critical_power_w + limits.most_j).mean()) / team.riders
    scale = each_s_per_j * float(team.critical_power_w.mean()) / team.critical_power_w
    climb, flat = None, None
    pieces, last, done, whole = ground, 0, 0, sum(steps for _, steps, _ in EFFORTS[effort])
    for heat, steps, together in EFFORTS[effort]:
        if together != last:
            pieces, last = _pieces(ground, together), together
            climb = _Climb(team=team, ground=pieces, limits=limits, hats=_hats(pieces.edge_m, knots_m), scale=scale)
        assert climb is not None
        flat = climb.first() if flat is None else flat
        flat = _climbed(climb, flat, heat / 12.0, steps, frame)
        done += steps
        if report is not None:
            report(done / whole)
    assert climb is not None
    assert flat is not None
    fine = _Climb(team=team, ground=ground, limits=limits, hats=_hats(ground.edge_m, knots_m), scale=scale)
    return fine.prices(flat)


def _climbed(climb: _Climb, flat: Floats, heat: float, steps: int, frame: Floats) -> Floats:
    speeds_mps = climb.speeds_mps(flat, heat)
    widths = [one.reshape(len(one), -1).shape[1] for one in climb.split(flat)]
    ends = np.cumsum([width * frame.shape[1] for width in widths])[:-1]

    def moved(step: Floats) -> Floats:
        parts = zip(np.split(step, ends), widths, strict=True)
        return np.asarray(flat + np.concatenate([(frame @ one.reshape(-1, width)).ravel() for one, width in parts]))

    def loss(step: Floats) -> tuple[float, Floats]:
        value, slopes = climb.loss(moved(step), heat, speeds_mps)
        parts = climb.split(slopes)
        return value, np.concatenate([(frame.T @ part.reshape(len(part), -1)).ravel() for part in parts])

    return moved(_descend(loss, np.zeros(frame.shape[1] * sum(widths)), steps))


def _descend(loss: Callable[[Floats], tuple[float, Floats]], start: Floats, steps: int, memory: int = 30) -> Floats:
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
        if gained < 3e-8 * abs(value):
            break
    return x

"""The first honest plan: steady speeds that the riders' shares of the front can hold. The baseline to be beaten.

On each stretch, at a speed, rider i can spend the share f of the time on the front for which
f · front power + d · power of drifting alone + (1 - f - d) · wheel power = critical power + the reserve spread evenly
over the race; d is the share of drifting in turns of half a minute. The fastest speed at which these shares add up to
one is ridden at constant effort. Whom half a minute on the front would cost more than a turn may draw doesn't lead.
Latching and slow recovery are left out of that sum; so the whole effort is then scaled until the simulated ride holds
everybody above the margin.
"""

from dataclasses import dataclass

import numpy as np

from caller.course import Course
from caller.errors import NoPlan, RosterRefused, RulesRefused
from caller.physics import drift_s
from caller.plan import Plan, RaceRules
from caller.planner.model import (
    DRAW_SLACK,
    FASTEST_LINE_MPS,
    SLOWEST_LINE_MPS,
    WISH_FIELDS,
    Floats,
    Ground,
    Ride,
    Rotation,
    Team,
    average_power_w,
    coasting_mps,
    cut_ground,
    form_team,
    longest_turns_s,
    over_draw_j,
    power_w,
    simulate,
    speed_profile,
)
from caller.planner.writing import write_plan
from caller.riders import Roster

__all__ = [
    "Effort",
    "check_counted",
    "check_wishes",
    "draws_within",
    "equal_turns_ride",
    "floor_j",
    "holds",
    "speed_at_power_mps",
    "steady_plan",
    "steady_ride",
    "turn_lengths_s",
]

_USUAL_TURN_S = 30.0
_GRAIN = 0.006
_STEP_S = 5.0
_SCALES = (1.3, 1.0, 0.9, 0.8, 0.7, 0.55, 0.4, 0.25, 0.1)
_HALVINGS = 8
_RACE_PACE_MPS = 15.0
"""Over within the longest turn at this pace, 54 km/h, a stretch can be led by one rider alone. Our own rule."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Effort:
    """A way to ride the whole course.

    Attributes:
        speeds_mps: (cells + 1,)
        rotation: who leads where.
        ride: what it comes to.
    """

    speeds_mps: Floats
    rotation: Rotation
    ride: Ride


def steady_plan(course: Course, roster: Roster, rules: RaceRules) -> Plan:
    """The fastest plan of steady speeds, in turns of five-second steps, with everybody in the line to the finish.

    Raises:
        RulesRefused: the time counts on more riders than there are.
        NoPlan: somebody cannot hold the line at any pace; the sentence says who, where, by how much, what mends it.
    """
    check_counted(roster, rules)
    check_wishes(course, roster, rules)
    team, ground = form_team(roster, rules), cut_ground(course, rules)
    effort = steady_ride(course, roster, team, ground, tuple(range(team.riders)))
    return write_plan(
        method="steady",
        course=course,
        roster=roster,
        team=team,
        ground=ground,
        speeds_mps=effort.speeds_mps,
        rotation=effort.rotation,
        ride=effort.ride,
    )


def check_counted(roster: Roster, rules: RaceRules) -> None:
    """Refuse rules that count on a rider who isn't there."""
    if rules.counted > len(roster.riders):
        raise RulesRefused(
            "race rules", "counted", f"{rules.counted}", f"expected 1 to {len(roster.riders)}, the riders of the roster"
        )


def check_wishes(course: Course, roster: Roster, rules: RaceRules) -> None:
    """Refuse wishes by which nobody would lead on some stretch, or one alone for longer than the longest turn."""
    for part in course.stretches:
        where = f"leading {WISH_FIELDS[part.terrain].replace('_', ' ')}"
        leaders = [one for one in roster.riders if getattr(one, WISH_FIELDS[part.terrain]) != "none"]
        if not leaders:
            found = f"nobody who leads on {part.name}"
            allowed = "expected at least one rider who leads there, in short turns if need be"
            raise RosterRefused("roster", where, found, allowed)
        if len(leaders) == 1 and part.length_m > rules.longest_turn_s * _RACE_PACE_MPS:
            found = f"only {leaders[0].name} who leads on {part.name}, {part.length_m / 1000:.1f} km"
            allowed = f"expected two at least: it takes longer than the longest turn, {rules.longest_turn_s:g} s"
            raise RosterRefused("roster", where, found, allowed)


def holds(team: Team, ride: Ride, riders: tuple[int, ...]) -> bool:
    """Whether these riders stay above the margin all the way, and a grain more, for what cells smooth over."""
    chosen = list(riders)
    return bool(np.all(ride.least_j[chosen] >= (floor_j(team) + _GRAIN * team.w_prime_j)[chosen]))


def floor_j(team: Team) -> Floats:
    """(riders,) what nobody may fall below."""
    return team.rules.reserve_margin * team.w_prime_j


def draws_within(team: Team, ride: Ride) -> bool:
    """Whether no turn draws clearly more than the rules allow."""
    return bool(np.all(over_draw_j(team, ride, DRAW_SLACK) <= 0))


def steady_ride(course: Course, roster: Roster, team: Team, ground: Ground, riders: tuple[int, ...]) -> Effort:
    """The steady way to ride for these riders. Raises: NoPlan."""

    def at(scale: float) -> Effort:
        return _ride_at(course, team, ground, riders, scale)

    high = _SCALES[0]
    for low in _SCALES[1:]:
        best = at(low)
        if holds(team, best.ride, riders):
            break
        high = low
    else:
        raise _cannot_hold(course, roster, team, ground, riders)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        tried = at(middle)
        if holds(team, tried.ride, riders):
            low, best = middle, tried
        else:
            high = middle
    return best


def equal_turns_ride(course: Course, team: Team, ground: Ground, riders: tuple[int, ...]) -> Effort | None:
    """Everybody leads equally long, at the one speed for the whole course that everybody holds; None if there is none.

    Where a descent is faster than that by itself, the line lets it run.
    """
    rules = team.rules
    length_s = min(max(_USUAL_TURN_S, rules.shortest_turn_s), rules.longest_turn_s)
    row = tuple(length_s if rider in riders else 0.0 for rider in range(team.riders))
    rotation = Rotation(order=riders, lengths_s=(row,) * len(course.stretches))
    coasting = coasting_mps(team, ground, riders)
    low, high = SLOWEST_LINE_MPS, FASTEST_LINE_MPS
    best: Effort | None = None
    for _ in range(12):
        middle = 0.5 * (low + high)
        speeds = speed_profile(team, ground, np.maximum(middle, 0.97 * coasting), riders)
        ride = simulate(team, ground, speeds, rotation)
        if holds(team, ride, riders):
            low, best = middle, Effort(speeds_mps=speeds, rotation=rotation, ride=ride)
        else:
            high = middle
    return best


def _ride_at(course: Course, team: Team, ground: Ground, riders: tuple[int, ...], scale: float) -> Effort:
    chosen = list(riders)
    means = _stretch_means(course, ground)
    spread_s = course.length_m / 12.0
    longest = longest_turns_s(course, team)
    for repeat in range(2):
        budget = (1 - team.rules.reserve_margin) * team.w_prime_j / spread_s
        holdable = scale * (team.critical_power_w + budget)
        speed, shares, front = _fastest(team, means, chosen, holdable, scale, longest)
        targets = average_power_w(team, means, speed, riders)[ground.stretch]
        targets = speed_at_power_mps(team, ground, targets, riders)
        if repeat == 0:
            spread_s = float(np.sum(ground.length_m / targets))
    lengths = [
        turn_lengths_s(team, shares[index], front[index], longest_s=longest[index])
        for index in range(len(course.stretches))
    ]
    # A sheltered line coasts faster than its leader can hold: on descents the leader's power is the limit.
    fair_w = min(1.0, scale) * float(
        np.mean((team.critical_power_w + team.rules.draw_per_turn * team.w_prime_j / _USUAL_TURN_S)[chosen])
    )
    most = _leader_mps(team, ground, fair_w, riders)
    speeds = speed_profile(team, ground, np.minimum(targets, most), riders, most_mps=most)
    first = lengths[0]
    order = tuple(sorted(riders, key=lambda rider: (-first[rider], -team.critical_power_w[rider], rider)))
    rotation = Rotation(order=order, lengths_s=tuple(lengths))
    return Effort(speeds_mps=speeds, rotation=rotation, ride=simulate(team, ground, speeds, rotation))


def _stretch_means(course: Course, ground: Ground) -> Ground:
    """Ground of one cell a stretch."""
    weights = ground.length_m
    return Ground(
        edge_m=np.array([0.0, *(part.end_m for part in course.stretches)]),
        grade=np.array([part.mean_grade for part in course.stretches]),
        density_kg_m3=np.array(
            [
                np.average(ground.density_kg_m3[ground.stretch == index], weights=weights[ground.stretch == index])
                for index in range(len(course.stretches))
            ]
        ),
        stretch=np.arange(len(course.stretches)),
        wind_mps=ground.wind_mps,
        rolling=ground.rolling,
    )


def _fastest(
    team: Team, means: Ground, chosen: list[int], holdable_w: Floats, scale: float, longest_s: Floats
) -> tuple[Floats, Floats, Floats]:
    """For each stretch the fastest speed whose holdable shares of the front add up to one; the shares; front power.

    Returns: (stretches,), (stretches, riders) and (stretches, riders).
    """
    slots = team.shares[len(chosen)]
    wheel = float(np.mean(slots[1:])) if len(slots) > 1 else slots[0]
    drifting = min(0.5, drift_s(len(chosen), team.rules.closing_mps) / (_USUAL_TURN_S * len(chosen)))
    usual_s = min(max(_USUAL_TURN_S, team.rules.shortest_turn_s), team.rules.longest_turn_s)

    # Whoever leads shortly, or not at all, can have no more of the front than such turns are of a rotation.
    rotation_s = np.minimum(longest_s, usual_s)[:, chosen].sum(axis=1)
    most_share = np.where(longest_s < team.rules.longest_turn_s, longest_s / np.maximum(rotation_s, 1e-9)[:, None], 1.0)
    most_j = min(1.0, scale) * team.rules.draw_per_turn * team.w_prime_j
    count = len(means.grade)
    rides = np.isin(np.arange(team.riders), chosen)

    def shares_at(speed: Floats) -> tuple[Floats, Floats]:
        front, behind, alone_w = (
            power_w(team, means, slice(None), speed, np.full((count, team.riders), share))
            for share in (slots[0], wheel, 1.0)
        )
        behind = behind + drifting * (alone_w - behind)
        share = np.clip((holdable_w - behind) / np.maximum(front - behind, 1e-6), 0.0, 1.0)
        share[(front - team.critical_power_w) * usual_s > most_j] = 0.0
        # Whoever cannot hold the wheel makes the speed impossible for everybody.
        dropped = ((behind > holdable_w) & rides).sum(axis=1) > 0
        return np.where(rides & ~dropped[:, None], np.minimum(share, most_share), 0.0), front

    low, high = np.full(count, SLOWEST_LINE_MPS), np.full(count, FASTEST_LINE_MPS)
    for _ in range(32):
        middle = 0.5 * (low + high)
        held = shares_at(middle)[0].sum(axis=1) >= 1 - 1e-9
        low, high = np.where(held, middle, low), np.where(held, high, middle)
    shares, front = shares_at(low)
    wishes = rides & (longest_s > 0)
    may = np.where(wishes.sum(axis=1)[:, None] > 0, wishes, rides)
    shares = np.where(shares.sum(axis=1)[:, None] > 0, shares, may)
    return low, shares / shares.sum(axis=1, keepdims=True), front


def speed_at_power_mps(team: Team, ground: Ground, mean_w: Floats, riders: tuple[int, ...]) -> Floats:
    """(cells,) the speed that a mean wheel power (cells,) holds, between the slowest and the fastest a line rides."""
    low = np.full(len(ground.grade), SLOWEST_LINE_MPS)
    high = np.full(len(ground.grade), FASTEST_LINE_MPS)
    for _ in range(32):
        middle = 0.5 * (low + high)
        held = average_power_w(team, ground, middle, riders) <= mean_w
        low, high = np.where(held, middle, low), np.where(held, high, middle)
    return low


def _leader_mps(team: Team, ground: Ground, front_w: float, riders: tuple[int, ...]) -> Floats:
    """(cells,) the speed that a mean rider holds on the front with so much."""
    low = np.full(len(ground.grade), SLOWEST_LINE_MPS)
    high = np.full(len(ground.grade), FASTEST_LINE_MPS)
    shares = np.full((len(low), team.riders), team.shares[len(riders)][0])
    chosen = list(riders)
    for _ in range(24):
        middle = 0.5 * (low + high)
        held = power_w(team, ground, slice(None), middle, shares)[:, chosen].mean(axis=1) <= front_w
        low, high = np.where(held, middle, low), np.where(held, high, middle)
    return low


def turn_lengths_s(
    team: Team,
    shares: Floats,
    front_w: Floats,
    usual_s: float = _USUAL_TURN_S,
    longest_s: Floats | None = None,
) -> tuple[float, ...]:
    """Shares of the front as turns in five-second steps, within the limits of the rules; 0 for who only follows.

    Where no multiple of five seconds lies within the limits, the steps are smaller.
    """
    rules = team.rules
    shortest, longest = rules.shortest_turn_s, rules.longest_turn_s
    step = next((step for step in (_STEP_S, 1.0) if np.floor(longest / step) * step >= shortest), 0.0)
    over = np.maximum(front_w - team.critical_power_w, 1e-6)
    most = np.minimum(longest if longest_s is None else longest_s, rules.draw_per_turn * team.w_prime_j / over)
    leading = shares > 0
    rotation_s = usual_s * max(1, int(leading.sum()))
    wished = shares * rotation_s
    lengths = []
    for rider in range(team.riders):
        top = np.floor(most[rider] / step + 1e-9) * step if step else shortest
        length = np.round(wished[rider] / step) * step if step else shortest
        if shares[rider] <= 0 or wished[rider] < 0.3 * shortest or top < shortest:
            lengths.append(0.0)
            continue
        least = np.ceil(shortest / step - 1e-9) * step if step else shortest
        lengths.append(float(min(max(length, least), top)))
    if not any(lengths):
        lengths[int(np.argmax(np.where(shares > 0, most, -1.0)))] = float(shortest)
    return tuple(lengths)


def _cannot_hold(course: Course, roster: Roster, team: Team, ground: Ground, riders: tuple[int, ...]) -> NoPlan:
    """Who cannot hold even a crawl, where it is worst, and what would mend it."""
    crawl = np.full(len(ground.grade), SLOWEST_LINE_MPS)
    shares = np.full((len(ground.grade), team.riders), min(team.shares[len(riders)]))
    lack = power_w(team, ground, slice(None), crawl, shares) - team.critical_power_w
    chosen = list(riders)
    cell, place = np.unravel_index(int(np.argmax(lack[:, chosen])), (len(ground.grade), len(chosen)))
    rider = chosen[int(place)]
    part = course.stretches[int(ground.stretch[cell])]
    name = roster.riders[rider].name
    at_km = float(ground.edge_m[cell]) / 1000
    if lack[cell, rider] <= 0:
        return NoPlan(
            f"{name} cannot hold the line within the reserve margin and the turn limits at any pace",
            f"the margin of {team.rules.reserve_margin * 100:.0f} % of W′",
            "lower the margin, allow shorter turns, or leave the rider out",
        )
    spare = len(riders) - team.rules.counted
    mend = f"leave {name} out of the line there" if spare > 0 else f"count on {team.rules.counted - 1} riders"
    return NoPlan(
        f"{name} cannot hold a sheltered wheel on {part.name} at {at_km:.1f} km, even at "
        f"{SLOWEST_LINE_MPS * 3.6:.1f} km/h",
        f"{lack[cell, rider]:.0f} W",
        f"{mend}, or correct the rider's figures or the heights there",
    )

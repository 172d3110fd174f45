"""A plan: who leads, where, how hard, how long; and the rules of the race it was made for.

A value anybody may hold. Must not know how it was found, nor who follows it.
"""

from bisect import bisect_right
from dataclasses import dataclass, field
from operator import attrgetter

from caller.errors import PlanRefused, RulesRefused
from caller.units import RiderId, Slip, figure_text, looks_like

__all__ = [
    "Effect",
    "Plan",
    "PlannedReserve",
    "PlannedTurn",
    "RaceRules",
    "Shortfall",
    "StretchRule",
    "TurnRule",
    "rule_at",
]

RECOVERIES = ("differential-2015", "integral-2012", "elite-2018")
"""The published models by which a reserve refills: see physics.reserve_after_j."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RaceRules:
    """What the race and the director fix before anybody plans.

    Attributes:
        counted: on whose wheel the team's time is taken: the Nth across the line.
        reserve_margin: the share of W′ that nobody who must finish may go below, 0 to 0.5.
        shortest_turn_s: no planned turn is shorter.
        longest_turn_s: no planned turn is longer.
        draw_per_turn: the largest share of W′ one turn may cost, 0.05 to 1.
        temperature_c: of the air.
        pressure_hpa: of the air at the course; None takes the standard atmosphere at its height.
        humidity: relative, 0 to 1.
        wind_mps: along the whole course, positive in the face.
        rolling: coefficient of rolling resistance.
        shelter_efficiency: how much of the published shelter this team or this virtual course gives, 0 to 1.5.
        shelter_table: the user's own share of solo drag by slot, front first; None takes the published one.
        recovery: one of RECOVERIES.
        closing_mps: how much slower than the line a drifting rider goes.
        latch_s: how long the acceleration onto the last wheel takes.
        all_in_m: how far from the finish the last effort begins.

    Raises: RulesRefused: a figure is outside its range, or the shortest turn is longer than the longest.
    """

    counted: int = 4
    reserve_margin: float = 0.1
    shortest_turn_s: float = 10.0
    longest_turn_s: float = 90.0
    draw_per_turn: float = 0.4
    temperature_c: float = 18.0
    pressure_hpa: float | None = None
    humidity: float = 0.5
    wind_mps: float = 0.0
    rolling: float = 0.004
    shelter_efficiency: float = 0.9
    shelter_table: tuple[float, ...] | None = None
    recovery: str = "differential-2015"
    closing_mps: float = 1.0
    latch_s: float = 3.0
    all_in_m: float = 1000.0

    def __post_init__(self) -> None:
        for name, least, most, unit in _RULE_RANGES:
            value = getattr(self, name)
            if value is not None and not least <= value <= most:
                raise RulesRefused(
                    "race rules",
                    name.replace("_", " "),
                    figure_text(value),
                    f"expected {least:g} to {most:g} {unit}".rstrip()
                    + looks_like(value, unit, least, most, _RULE_SLIPS.get(name, ())),
                )
        if self.shortest_turn_s > self.longest_turn_s:
            raise RulesRefused(
                "race rules",
                "shortest turn",
                f"{self.shortest_turn_s:g} s",
                f"expected at most the longest turn, {self.longest_turn_s:g} s",
            )
        if self.recovery not in RECOVERIES:
            raise RulesRefused(
                "race rules", "recovery", repr(self.recovery), f"expected one of {', '.join(RECOVERIES)}"
            )
        for slot, share in enumerate(self.shelter_table or ()):
            if not 0.1 <= share <= 1.2:
                raise RulesRefused(
                    "race rules",
                    f"shelter table, slot {slot + 1}",
                    f"{share:g}",
                    "expected 0.1 to 1.2, the share of solo drag" + looks_like(share, "", 0.1, 1.2, _PER_CENT),
                )
        if self.shelter_table is not None and not 2 <= len(self.shelter_table) <= 10:
            raise RulesRefused("race rules", "shelter table", f"{len(self.shelter_table)} slots", "expected 2 to 10")


_RULE_RANGES = (
    ("counted", 1, 10, "riders"),
    ("reserve_margin", 0, 0.5, ""),
    ("shortest_turn_s", 5, 300, "s"),
    ("longest_turn_s", 5, 600, "s"),
    ("draw_per_turn", 0.05, 1, "of W′"),
    ("temperature_c", -20, 50, "°C"),
    ("pressure_hpa", 500, 1090, "hPa"),
    ("humidity", 0, 1, ""),
    ("wind_mps", -15, 15, "m/s"),
    ("rolling", 0.001, 0.02, ""),
    ("shelter_efficiency", 0, 1.5, ""),
    ("closing_mps", 0.2, 4, "m/s"),
    ("latch_s", 0, 15, "s"),
    ("all_in_m", 0, 10_000, "m"),
)


_PER_CENT = (Slip("per cent", 0.01),)
_KMH = (Slip("km/h", 1 / 3.6),)
_SECONDS = (Slip("minutes", 60), Slip("milliseconds", 0.001))
_RULE_SLIPS = {
    "reserve_margin": _PER_CENT,
    "shortest_turn_s": _SECONDS,
    "longest_turn_s": _SECONDS,
    "draw_per_turn": _PER_CENT,
    "temperature_c": (Slip("°F", 5 / 9, 32), Slip("K", 1, 273.15)),
    "pressure_hpa": (Slip("Pa", 0.01), Slip("kPa", 10)),
    "humidity": _PER_CENT,
    "wind_mps": _KMH,
    "rolling": _PER_CENT,
    "shelter_efficiency": _PER_CENT,
    "closing_mps": _KMH,
}
"""Units mistaken for a rule's own, likeliest first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnRule:
    """How one rider leads on one stretch: for how long, and how hard. A length of 0 means the rider only follows."""

    rider: RiderId
    length_s: float
    power_w: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StretchRule:
    """How the line rides one part of the course: everyone's turn, the speed to hold.

    Attributes:
        name: as the briefing calls it.
        start_m: where it begins.
        end_m: where it ends.
        speed_mps: what the line holds.
        turns: one rule a rider, in the order they lead.
    """

    name: str
    start_m: float
    end_m: float
    speed_mps: float
    turns: tuple[TurnRule, ...]

    def turn_of(self, rider: RiderId) -> TurnRule | None:
        """The rule for a rider; None if the rider has none here."""
        for rule in self.turns:
            if rule.rider == rider:
                return rule
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedTurn:
    """One stay on the front as the plan expects it."""

    rider: RiderId
    start_s: float
    start_m: float
    length_s: float
    power_w: float
    speed_mps: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedReserve:
    """What a rider is expected to have left, joules.

    Attributes:
        rider: whose.
        at_stretch_end_j: at the end of each stretch.
        least_j: at the worst moment.
        least_at_m: where that is; None in plans kept from before it was noted.
        curve: (at_m, left_j) along the course, places rising, lows and highs kept; empty in plans from before.
    """

    rider: RiderId
    at_stretch_end_j: tuple[float, ...]
    least_j: float
    least_at_m: float | None = None
    curve: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Who leads, where, how hard, how long.

    Attributes:
        method: who made it, such as ``steady`` or ``optimised``.
        order: the line at the gun, front first.
        rules: what to do on each stretch; they cover the course without holes, in order.
        turns: every stay on the front as expected if nothing goes wrong.
        schedule: (at_m, at_s) pairs, both rising, from (0, 0) to the finish: where the line is expected when.
        finish_s: when the counted rider is expected across the line.
        reserves: one a rider.
        bound_s: no rotation whatever can be faster than this; None where nobody proved one.
        equal_turns_s: what equal turns at the best constant speed would need; None where nobody worked it out.
        spent: (rider, at_m) of riders who need not finish and are used up on purpose, in order of place: whoever leads
            there does so for the last time and then lets the line go; whoever doesn't, lets it go there.

    Raises: PlanRefused: the rules leave a hole, the schedule does not rise, nobody is in the order, or somebody is
        spent who isn't in it, twice, or off the course.
    """

    method: str
    order: tuple[RiderId, ...]
    rules: tuple[StretchRule, ...]
    turns: tuple[PlannedTurn, ...]
    schedule: tuple[tuple[float, float], ...]
    finish_s: float
    reserves: tuple[PlannedReserve, ...] = field(default=())
    bound_s: float | None = None
    equal_turns_s: float | None = None
    spent: tuple[tuple[RiderId, float], ...] = field(default=())

    def __post_init__(self) -> None:
        if not self.order or len(set(self.order)) != len(self.order):
            raise PlanRefused("plan", "order", ", ".join(self.order) or "nobody", "expected each rider once")
        if not self.rules or self.rules[0].start_m != 0:
            raise PlanRefused("plan", "stretches", "no rule at the start", "expected rules from 0 m to the finish")
        for before, after in zip(self.rules, self.rules[1:], strict=False):
            if before.end_m != after.start_m:
                raise PlanRefused(
                    "plan",
                    f"stretch {after.name}",
                    f"start at {after.start_m:.0f} m",
                    f"expected {before.end_m:.0f} m, where {before.name} ends",
                )
        if len(self.schedule) < 2 or self.schedule[0] != (0.0, 0.0):
            raise PlanRefused("plan", "schedule", f"{len(self.schedule)} marks", "expected at least two, from (0, 0)")
        for (m_before, s_before), (m_after, s_after) in zip(self.schedule, self.schedule[1:], strict=False):
            if not (m_after > m_before and s_after > s_before):
                raise PlanRefused(
                    "plan",
                    "schedule",
                    f"{m_after:.0f} m at {s_after:.1f} s after {m_before:.0f} m at {s_before:.1f} s",
                    "expected both to rise",
                )
        for index, (rider, at_m) in enumerate(self.spent):
            if rider not in self.order or rider in [other for other, _ in self.spent[:index]]:
                raise PlanRefused("plan", "spent", rider, "expected riders of the order, each once")
            if not 0 <= at_m <= self.length_m or (index and at_m < self.spent[index - 1][1]):
                raise PlanRefused(
                    "plan", f"spent {rider}", f"{at_m:.0f} m", f"expected 0 to {self.length_m:.0f} m, in order of place"
                )

    @property
    def length_m(self) -> float:
        """How long the course is that this plan was made for."""
        return self.schedule[-1][0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shortfall:
    """Who would fall below the margin if turns were ridden so, where it is worst, and by how much."""

    rider: RiderId
    at_m: float
    short_j: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """What one choice in a plan buys.

    Attributes:
        key: which choice.
        words: the same, for people.
        otherwise: what was solved instead.
        other_s: the finish with the choice made otherwise; None if then nobody holds.
        gain_s: by how much the plan is faster than that; below 0, what the choice costs.
        tells: whether that is more than the search's own scatter, and not against all reason: less freedom can't be
            faster.
    """

    key: str
    words: str
    otherwise: str
    other_s: float | None
    gain_s: float | None
    tells: bool


_start_m = attrgetter("start_m")


def rule_at(plan: Plan, at_m: float) -> StretchRule:
    """The rule in force at a place; the first before the start, the last beyond the finish."""
    return plan.rules[max(0, bisect_right(plan.rules, at_m, key=_start_m) - 1)]

"""For tests of rehearsals: a small scenario as TOML, a plan made by hand, and a driver that hides nothing."""

from collections.abc import Iterator
from dataclasses import dataclass, field

from caller import race
from caller.course import Course
from caller.cues import Cue
from caller.errors import RequestRefused
from caller.facts import Entry, Fact, RaceOpened, StartSet
from caller.physics import air_density_kg_m3, road_power_w, shelter_shares, standard_pressure_pa
from caller.plan import Plan, RaceRules, StretchRule, TurnRule
from caller.rehearsal import Scenario, SimulatedTeam, read_scenario
from caller.riders import Roster
from caller.units import LOBBY_MS

FLAT = "[[0, 20], [6000, 20]]"

SMALL = """
title = "small"
about = "four equal riders on a flat road"
seed = 3

[course]
name = "a straight road"
profile = {profile}
stretches = [{stretches}]
landmarks = [{{ name = "bridge", at_m = 2000 }}]

[[riders]]
name = "Otto"
{figures}

[[riders]]
name = "Maya"
{figures}

[[riders]]
name = "Felix"
{figures}

[[riders]]
name = "Ines"
{figures}

[rules]
counted = 3
humidity = 0.5

[people]
misses = 0
{people}

{events}
"""

FIGURES = """mass_kg = 72
critical_power_w = 310
w_prime_j = 20000
drag_area_m2 = 0.25"""

STRETCHES = '{ name = "flat 1", terrain = "flat", start_m = 0 }'


def small_text(
    events: str = "", *, profile: str = FLAT, stretches: str = STRETCHES, figures: str = FIGURES, people: str = ""
) -> str:
    """The small scenario, with this script."""
    return SMALL.format(profile=profile, stretches=stretches, figures=figures, people=people, events=events)


def small(events: str = "", **parts: str) -> Scenario:
    """The small scenario, read."""
    return read_scenario(small_text(events, **parts), called="small.toml")


def event(what: str, when: str, *keys: str) -> str:
    """One event in TOML."""
    return "\n".join(("[[events]]", f'what = "{what}"', f"when = {{ {when} }}", *keys, ""))


def plan_by_hand(course: Course, roster: Roster, rules: RaceRules) -> Plan:
    """Equal turns of 30 s at a speed for which everybody's mean power over the slots is at most 95 % of critical power.

    Not a good plan, but an honest one, and simple enough to work out beside a test.
    """
    height_m = sum(course.height_m) / len(course.height_m)
    density = air_density_kg_m3(rules.temperature_c, standard_pressure_pa(height_m), rules.humidity)
    shares = shelter_shares(len(roster.riders), rules.shelter_efficiency, rules.shelter_table)

    def powers_w(speed_mps: float, grade: float) -> dict[str, tuple[float, ...]]:
        return {
            rider.id: tuple(
                max(
                    0.0,
                    road_power_w(
                        speed_mps=speed_mps,
                        grade=grade,
                        mass_kg=rider.all_up_mass_kg,
                        drag_area_m2=rider.drag_area_m2 * share,
                        density_kg_m3=density,
                        wind_mps=rules.wind_mps,
                        rolling=rules.rolling,
                    ),
                )
                for share in shares
            )
            for rider in roster.riders
        }

    stretch_rules, marks, at_s = [], [(0.0, 0.0)], 0.0
    for stretch in course.stretches:
        low, high = 2.0, 17.0
        for _ in range(50):
            mid = (low + high) / 2
            held = all(
                sum(watts) / len(watts) <= 0.95 * roster[rider].critical_power_w  # type: ignore[index]
                for rider, watts in powers_w(mid, stretch.mean_grade).items()
            )
            low, high = (mid, high) if held else (low, mid)
        watts = powers_w(low, stretch.mean_grade)
        turns = tuple(TurnRule(rider=rider, length_s=30.0, power_w=watts[rider][0]) for rider in roster.ids)
        stretch_rules.append(
            StretchRule(name=stretch.name, start_m=stretch.start_m, end_m=stretch.end_m, speed_mps=low, turns=turns)
        )
        at_s += stretch.length_m / low
        marks.append((stretch.end_m, at_s))
    return Plan(
        method="by hand",
        order=roster.ids,
        rules=tuple(stretch_rules),
        turns=(),
        schedule=tuple(marks),
        finish_s=at_s,
    )


@dataclass
class Ride:
    """A race and its simulated riders, asked at equal steps as a live driver asks, and all that was told and seen."""

    scenario: Scenario
    step_ms: int = 100
    seed: int | None = None
    briefed: Plan | None = None
    entries: list[Entry] = field(default_factory=list)
    cues: list[Cue] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        it = self.scenario
        self.plan = self.briefed or plan_by_hand(it.course, it.roster, it.rules)
        self.team = SimulatedTeam(it, self.plan, self.seed)
        opened = RaceOpened(name=it.title, course=it.course, roster=it.roster, rules=it.rules, plan=self.plan)
        self.entries.append(Entry(seq=1, at_ms=LOBBY_MS, by="director", fact=opened))
        self.state = race.start(self.entries[0])
        self.take(-1000 * it.countdown_s, "director", StartSet(countdown_ms=1000 * it.countdown_s))

    def take(self, at_ms: int, by: str, fact: Fact) -> None:
        """A fact to the race; what became fixed to the riders."""
        entry = Entry(seq=len(self.entries) + 1, at_ms=at_ms, by=by, fact=fact)
        try:
            self.state, fixed = race.take(self.state, entry)
        except RequestRefused as refused:
            self.refused.append(str(refused))
            return
        self.entries.append(entry)
        self._hear(fixed)

    def until(self, end_s: float) -> "Ride":
        """Ride on to an instant."""
        for _ in self.steps(end_s):
            pass
        return self

    def steps(self, end_s: float = 10_000) -> Iterator[int]:
        """Ride on, and stop after each step; at the end of the race all is over."""
        at_ms = max(self.state.now_ms, -1000 * self.scenario.countdown_s)
        while at_ms < 1000 * end_s and self.state.phase is not race.Phase.OVER and self.team.next_ms is not None:
            at_ms += self.step_ms
            for seen_ms, by, fact in self.team.facts_until(at_ms):
                self.take(seen_ms, by, fact)
            self.state, fixed = race.advance(self.state, at_ms)
            self._hear(fixed)
            yield at_ms

    def facts(self, kind: type) -> list[Entry]:
        """Entries whose fact is of a kind."""
        return [entry for entry in self.entries if isinstance(entry.fact, kind)]

    def _hear(self, fixed: tuple[Cue, ...]) -> None:
        for cue in fixed:
            self.cues.append(cue)
            self.team.hear(cue)

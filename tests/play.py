"""A race on paper: facts in at the instants a test writes down, cues out. No clock, no sleeping, no patching."""

from dataclasses import dataclass, field

from caller import race
from caller.course import Course, Landmark, Stretch, Terrain
from caller.cues import Cue, CueKind
from caller.facts import Entry, Fact, RaceOpened, StartSet
from caller.plan import Plan, RaceRules, StretchRule, TurnRule
from caller.riders import Rider, Roster
from caller.units import LOBBY_MS, RiderId, ms_from_s

NAMES = ("Otto", "Maya", "Ana", "Ida", "Ugo", "Lena", "Per", "Zoe", "Kim", "Bo")

OTTO, MAYA, ANA, IDA, UGO, LENA = (RiderId(name.lower()) for name in NAMES[:6])


def some_rider(name: str, **figures: float) -> Rider:
    """A plausible rider of that name."""
    known = {"mass_kg": 72.0, "critical_power_w": 310.0, "w_prime_j": 20_000.0, "drag_area_m2": 0.25}
    return Rider(id=RiderId(name.lower()), name=name, spoken=name, **(known | figures))


def some_race(
    riders: int = 4,
    *,
    turn_s: float = 30.0,
    turns_s: tuple[float, ...] = (),
    power_w: float = 380.0,
    length_m: float = 10_000.0,
    speed_mps: float = 12.5,
    rules: RaceRules | None = None,
    stretches: tuple[tuple[Terrain, float], ...] = ((Terrain.FLAT, 6_000.0), (Terrain.CLIMB, 4_000.0)),
) -> RaceOpened:
    """A race with equal turns at one speed, unless other lengths are given, one a rider."""
    roster = Roster(riders=tuple(some_rider(name) for name in NAMES[:riders]))
    lengths = turns_s or (turn_s,) * riders
    marks = [0.0]
    for _, stretch_m in stretches:
        marks.append(min(length_m, marks[-1] + stretch_m))
    marks[-1] = length_m
    named = [
        Stretch(name=f"{terrain.value} {n}", terrain=terrain, start_m=start, end_m=end, rise_m=0.0)
        for n, ((terrain, _), start, end) in enumerate(zip(stretches, marks, marks[1:], strict=False), 1)
    ]
    turns = tuple(
        TurnRule(rider=rider, length_s=length, power_w=power_w)
        for rider, length in zip(roster.ids, lengths, strict=True)
    )
    plan = Plan(
        method="by hand",
        order=roster.ids,
        rules=tuple(
            StretchRule(name=s.name, start_m=s.start_m, end_m=s.end_m, speed_mps=speed_mps, turns=turns) for s in named
        ),
        turns=(),
        schedule=((0.0, 0.0), (length_m, length_m / speed_mps)),
        finish_s=length_m / speed_mps,
    )
    course = Course(
        name="on paper",
        length_m=length_m,
        height_m=(0.0, 0.0),
        stretches=tuple(named),
        landmarks=(Landmark(name="bridge", at_m=length_m / 2),),
    )
    return RaceOpened(name="on paper", course=course, roster=roster, rules=rules or RaceRules(), plan=plan)


@dataclass
class Play:
    """Drives a race as a live driver would, and keeps all that was fixed and all that was logged."""

    opened: RaceOpened = field(default_factory=some_race)
    countdown_s: float = 20.0
    entries: list[Entry] = field(default_factory=list)
    cues: list[Cue] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.entries.append(Entry(seq=1, at_ms=LOBBY_MS, by="director", fact=self.opened))
        self.state = race.start(self.entries[0])
        if self.countdown_s:
            self.at(-self.countdown_s, StartSet(countdown_ms=ms_from_s(self.countdown_s)))

    def at(self, at_s: float, fact: Fact, *, seen_s: float | None = None, by: str = "director") -> tuple[Cue, ...]:
        """Something happens; what became fixed on the way to it and by it."""
        entry = Entry(
            seq=len(self.entries) + 1,
            at_ms=ms_from_s(at_s),
            by=by,
            fact=fact,
            seen_ms=None if seen_s is None else ms_from_s(seen_s),
        )
        self.state, fixed = race.take(self.state, entry)
        self.entries.append(entry)
        self.cues.extend(fixed)
        return fixed

    def until(self, at_s: float) -> tuple[Cue, ...]:
        """Nothing is seen until then; what became fixed."""
        self.state, fixed = race.advance(self.state, ms_from_s(at_s))
        self.cues.extend(fixed)
        return fixed

    def told(self, kind: CueKind) -> list[Cue]:
        """All cues of a kind that became fixed so far."""
        return [cue for cue in self.cues if cue.kind is kind]

    @property
    def order(self) -> tuple[RiderId, ...]:
        """Those in the rotation, front first."""
        return self.state.line.order

    def turns(self, count: int) -> list[tuple[RiderId, float]]:
        """The next turns: who, and how long in seconds."""
        return [
            (turn.rider, (turn.ends_ms - turn.began_ms) / 1000)
            for turn in race.upcoming(self.state, count)
            if turn.ends_ms is not None
        ]

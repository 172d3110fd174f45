"""A scenario: a made-up race day with a script of what goes wrong and right.

A value anybody may hold. Must not know where it was read from, nor how riders ride.
"""

from dataclasses import dataclass, field

from caller.course import Course
from caller.facts import Aloud
from caller.plan import RaceRules
from caller.riders import Roster
from caller.units import RiderId

__all__ = [
    "AfterTurns",
    "AsksLonger",
    "AtPlace",
    "AtTime",
    "Bunching",
    "ComesThrough",
    "DirectorCalls",
    "DirectorCuts",
    "DirectorGoes",
    "DirectorLeaves",
    "DirectorLengthens",
    "DirectorResumes",
    "DirectorReturns",
    "DirectorSays",
    "DirectorSeesOrder",
    "DirectorShortens",
    "DirectorTapsLandmark",
    "DirectorUndoes",
    "DirectorWaits",
    "Event",
    "FeelsEmpty",
    "FeelsGood",
    "Happening",
    "LandmarkTappedLate",
    "LosesConnection",
    "LosesWheel",
    "MustStop",
    "OnTurn",
    "OpensGap",
    "People",
    "RejoinsEarly",
    "Retires",
    "Scenario",
    "Splits",
    "StaysOn",
    "Surges",
    "Swaps",
    "SwingsOffEarly",
    "When",
]


# When something happens


@dataclass(frozen=True, slots=True, kw_only=True)
class AtTime:
    """At this instant of the race clock."""

    at_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AtPlace:
    """When the front of the line passes this distance."""

    at_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OnTurn:
    """In a rider's nth turn on the front (the first is 1), so many seconds after it began."""

    rider: RiderId
    turn: int
    after_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class AfterTurns:
    """When so many turns of the whole team are over."""

    turns: int


When = AtTime | AtPlace | OnTurn | AfterTurns


# What happens. If the rider's place does not allow it at once, it happens as soon as it does.


@dataclass(frozen=True, slots=True, kw_only=True)
class RejoinsEarly:
    """The rider, drifting, goes into the line at this slot instead of onto the last wheel."""

    rider: RiderId
    slot: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StaysOn:
    """The rider, leading, swings off so much later than called, and a director sees it."""

    rider: RiderId
    by_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LosesWheel:
    """The rider, following, falls off the back.

    Attributes:
        rider: who.
        back_after_s: comes back so long after it; None leaves it to legs and to whether the line waits.
        slot: where the rider then gets in; None is the last wheel.
    """

    rider: RiderId
    back_after_s: float | None = None
    slot: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class OpensGap:
    """The rider, following, lets a gap grow to this width, then closes it when told to, or unasked after a while."""

    rider: RiderId
    gap_m: float = 4.0
    unasked_after_s: float = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Bunching:
    """After the next swing-off the followers hang back behind the rider who drifts, until told to come past."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Surges:
    """The rider, leading, rides above what was called until told to ease, or for so long."""

    rider: RiderId
    factor: float = 1.15
    for_s: float = 15.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FeelsGood:
    """The rider says that there is more to give."""

    rider: RiderId


@dataclass(frozen=True, slots=True, kw_only=True)
class FeelsEmpty:
    """The rider says that there is little left."""

    rider: RiderId


@dataclass(frozen=True, slots=True, kw_only=True)
class Retires:
    """The rider is out for good, as by a puncture."""

    rider: RiderId


@dataclass(frozen=True, slots=True, kw_only=True)
class MustStop:
    """The rider says that riding on is out of the question, and is out."""

    rider: RiderId


@dataclass(frozen=True, slots=True, kw_only=True)
class AsksLonger:
    """The rider, leading, asks to stay on so much longer."""

    rider: RiderId
    by_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SwingsOffEarly:
    """The rider, leading, swings off uncalled: a turn cut short, or skipped if it has only just begun."""

    rider: RiderId


@dataclass(frozen=True, slots=True, kw_only=True)
class ComesThrough:
    """The rider, following, passes to the front out of turn, with the leader on the wheel; a director sees it."""

    rider: RiderId


@dataclass(frozen=True, slots=True, kw_only=True)
class Swaps:
    """Two riders, both following, end up in each other's slots; a director sees the order."""

    rider: RiderId
    other: RiderId


@dataclass(frozen=True, slots=True, kw_only=True)
class Splits:
    """The line tears before this rider: all from here back are adrift, and come back so long after."""

    rider: RiderId
    back_after_s: float = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LosesConnection:
    """Nothing is heard of the rider's device for so long. The rider rides on, and hears what the device holds."""

    rider: RiderId
    for_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LandmarkTappedLate:
    """The director taps this landmark so long after the front has passed it."""

    landmark: str
    late_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectorLengthens:
    """The director lets the one who leads stay on longer."""

    by_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectorShortens:
    """The director lets the one who leads swing off sooner."""

    by_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectorCuts:
    """The director has the one who leads swing off at once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectorWaits:
    """The director has the line wait for a rider who is adrift."""

    rider: RiderId


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectorGoes:
    """The director has the line go on without a rider who is adrift."""

    rider: RiderId


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectorResumes:
    """The director lets the line ride off again after a stop."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectorUndoes:
    """The director takes the last fact back."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectorLeaves:
    """Nobody directs any more: from now on riders' own taps are the only news."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectorReturns:
    """A director is back."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectorSeesOrder:
    """The director taps this order of the line, be it right or wrong."""

    order: tuple[RiderId, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectorTapsLandmark:
    """The director taps this landmark now, be it there or not."""

    landmark: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectorCalls:
    """The director has something called, to one rider or to the line; ``stop`` is called so too."""

    aloud: Aloud
    rider: RiderId | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectorSays:
    """The director says something in words of their own, to one rider or to the line."""

    text: str
    rider: RiderId | None = None


Happening = (
    RejoinsEarly
    | StaysOn
    | LosesWheel
    | OpensGap
    | Bunching
    | Surges
    | FeelsGood
    | FeelsEmpty
    | Retires
    | MustStop
    | AsksLonger
    | SwingsOffEarly
    | ComesThrough
    | Swaps
    | Splits
    | LosesConnection
    | LandmarkTappedLate
    | DirectorLengthens
    | DirectorShortens
    | DirectorCuts
    | DirectorWaits
    | DirectorGoes
    | DirectorResumes
    | DirectorUndoes
    | DirectorLeaves
    | DirectorReturns
    | DirectorSeesOrder
    | DirectorTapsLandmark
    | DirectorCalls
    | DirectorSays
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One line of the script.

    Attributes:
        when: at the earliest.
        what: happens.
        by: which director, for what directors do; empty for the only one.
    """

    when: When
    what: Happening
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class People:
    """How human the simulated riders are.

    Attributes:
        reaction_s: from the key word to the first movement. 0.45 s: go/no-go while running hard took 0.43 s
            (Smith 2016, J Hum Kinet 51:27-35), rounded up.
        reaction_spread_s: one standard deviation of it; our assumption.
        misses: share of cues whose word is missed and only seen on the screen, later. The same study: 1.8 per cent.
        noise_w: one standard deviation of a leader's power about what was called; our assumption.
    """

    reaction_s: float = 0.45
    reaction_spread_s: float = 0.08
    misses: float = 0.02
    noise_w: float = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A race to rehearse.

    Attributes:
        title: as shown in the list of rehearsals.
        about: a sentence or two on what is practised.
        course: the course.
        roster: the riders.
        days: (rider, factor) pairs: what a rider can do today over what the roster says; those left out have 1.
        rules: the rules of the race.
        countdown_s: how long the start is counted down.
        seed: of all chance in it, unless another is asked for.
        plan: how the plan to rehearse is made, ``optimised`` or ``steady``.
        people: how human the riders are.
        events: the script.
    """

    title: str
    about: str
    course: Course
    roster: Roster
    rules: RaceRules
    days: tuple[tuple[RiderId, float], ...] = ()
    countdown_s: int = 20
    seed: int = 1
    plan: str = "optimised"
    people: People = field(default_factory=People)
    events: tuple[Event, ...] = ()

    def day_of(self, rider: RiderId) -> float:
        """What this rider can do today over what the roster says."""
        return dict(self.days).get(rider, 1.0)

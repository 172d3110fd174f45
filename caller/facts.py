"""What can happen in a race: the closed union of facts, and the envelope they come in.

Observations (past tense) are never refused for being unexpected: what somebody saw is true, and an accidental order
is the new order. Requests (imperative) may be refused, and then nothing has changed.
Must not know what follows from a fact.
"""

from dataclasses import dataclass
from enum import Enum
from typing import get_args

from caller.course import Course
from caller.plan import Plan, RaceRules
from caller.riders import Roster
from caller.units import RiderId

__all__ = [
    "FACT_TYPES",
    "MOST_SAID",
    "Aloud",
    "CallAloud",
    "CameThrough",
    "CutTurn",
    "Entry",
    "Fact",
    "FeltEmpty",
    "FeltGood",
    "GapClosed",
    "GapOpened",
    "GoWithout",
    "LandmarkPassed",
    "LatchedOn",
    "LengthenTurn",
    "LineBunched",
    "LineSurged",
    "LostWheel",
    "OrderSeen",
    "PlanOffered",
    "RaceFinished",
    "RaceOpened",
    "RejoinedAt",
    "Resume",
    "Retired",
    "SayAloud",
    "ShortenTurn",
    "StartCalledOff",
    "StartSet",
    "SwungOff",
    "Undo",
    "WaitFor",
]


# Before the gun


@dataclass(frozen=True, slots=True, kw_only=True)
class RaceOpened:
    """A race is opened, or opened anew with other riders, while still in the lobby. The first fact of every log."""

    name: str
    course: Course
    roster: Roster
    rules: RaceRules
    plan: Plan


@dataclass(frozen=True, slots=True, kw_only=True)
class StartSet:
    """The countdown begins. Its entry is stamped with the negative of ``countdown_ms``: the gun is at 0."""

    countdown_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StartCalledOff:
    """The countdown is broken off; the race is back in the lobby, the one place where the clock goes back."""


# Observations of the line


@dataclass(frozen=True, slots=True, kw_only=True)
class SwungOff:
    """A rider was seen to leave the front and drift back."""

    rider: RiderId


@dataclass(frozen=True, slots=True, kw_only=True)
class LatchedOn:
    """A rider was seen on the last wheel."""

    rider: RiderId


@dataclass(frozen=True, slots=True, kw_only=True)
class RejoinedAt:
    """A rider was seen back in the line at a slot: 0 is the front, counted among all who are in the rotation."""

    rider: RiderId
    slot: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CameThrough:
    """A rider was seen on the front, whoever's turn it was; the one who led is now on that rider's wheel."""

    rider: RiderId


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderSeen:
    """The whole line was seen in this order, front first. Riders left out of it have lost the wheel."""

    order: tuple[RiderId, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LostWheel:
    """A rider is off the back, too far for the draft: adrift."""

    rider: RiderId


@dataclass(frozen=True, slots=True, kw_only=True)
class Retired:
    """A rider is out of the race for good."""

    rider: RiderId


@dataclass(frozen=True, slots=True, kw_only=True)
class GapOpened:
    """A gap has opened in front of this rider."""

    rider: RiderId


@dataclass(frozen=True, slots=True, kw_only=True)
class GapClosed:
    """The gap in front of this rider is closed."""

    rider: RiderId


@dataclass(frozen=True, slots=True, kw_only=True)
class LineBunched:
    """The line bunches behind a rider who swung off."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LineSurged:
    """The leader rides above the plan and the line stretches."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LandmarkPassed:
    """The front of the line was seen at a known distance."""

    at_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FeltGood:
    """A rider says or shows that there is more to give: longer turns."""

    rider: RiderId


@dataclass(frozen=True, slots=True, kw_only=True)
class FeltEmpty:
    """A rider says or shows that there is little left: shorter turns."""

    rider: RiderId


@dataclass(frozen=True, slots=True, kw_only=True)
class RaceFinished:
    """The counted rider has crossed the line.

    Attributes:
        rider: who that was; None if nobody said.
    """

    rider: RiderId | None = None


# What the planner answers


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanOffered:
    """A new plan for the race or the rest of it.

    Attributes:
        plan: the plan, over the whole course.
        for_seq: the newest entry the planner knew. It tells whoever reads the log how old the plan was; no rule asks.
    """

    plan: Plan
    for_seq: int


# Requests


@dataclass(frozen=True, slots=True, kw_only=True)
class LengthenTurn:
    """Let the one who leads stay on longer.

    Attributes:
        by_ms: by how much.
        rider: who asks for it, if it is the one who leads; None: the director.
    """

    by_ms: int
    rider: RiderId | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ShortenTurn:
    """Let the one who leads swing off sooner."""

    by_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CutTurn:
    """Have the one who leads swing off at once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WaitFor:
    """The line waits for a rider who is adrift."""

    rider: RiderId


@dataclass(frozen=True, slots=True, kw_only=True)
class GoWithout:
    """The line goes on without a rider who is adrift."""

    rider: RiderId


class Aloud(Enum):
    """What a director can have called at any time, beside what follows from the race. Values are cue kinds' names."""

    STOP = "stop"
    EASE = "ease"
    LIFT = "lift"
    PRESS_ON = "press_on"
    ALL_IN = "all_in"


@dataclass(frozen=True, slots=True, kw_only=True)
class CallAloud:
    """Call this now, to one rider or, with None, to the line."""

    aloud: Aloud
    rider: RiderId | None = None


MOST_SAID = 120
"""The most characters of a director's own words: some eight seconds, after which nobody listens any more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SayAloud:
    """Say these words of the director's own now, to one rider or, with None, to the line.

    They are said in the team voice's language to everybody: nobody translates them.
    """

    text: str
    rider: RiderId | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Resume:
    """Call again after the whole line was told to stop: the line rides off in the order it stands in."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Undo:
    """Put the line back as it was before the last fact that changed it. Nothing spoken is unspoken."""


Fact = (
    RaceOpened
    | StartSet
    | StartCalledOff
    | SwungOff
    | LatchedOn
    | RejoinedAt
    | CameThrough
    | OrderSeen
    | LostWheel
    | Retired
    | GapOpened
    | GapClosed
    | LineBunched
    | LineSurged
    | LandmarkPassed
    | FeltGood
    | FeltEmpty
    | RaceFinished
    | PlanOffered
    | LengthenTurn
    | ShortenTurn
    | CutTurn
    | WaitFor
    | GoWithout
    | CallAloud
    | SayAloud
    | Resume
    | Undo
)

FACT_TYPES: tuple[type[Fact], ...] = get_args(Fact)


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """A fact in its envelope, as it is logged.

    Attributes:
        seq: 1 for the first of a log, rising by one.
        at_ms: the stamp on the race clock; never falls, except that a start called off leads back to the lobby.
        by: who said it, such as ``director`` or ``rider:maya``.
        fact: what happened.
        seen_ms: the tapper's own reading of the race clock when tapping; None if it told none.
    """

    seq: int
    at_ms: int
    by: str
    fact: Fact
    seen_ms: int | None = None

"""What was told, in words for the desk and the log view. Must not know what follows from it."""

from typing import assert_never

from caller.facts import (
    CallAloud,
    CameThrough,
    CutTurn,
    Fact,
    FeltEmpty,
    FeltGood,
    GapClosed,
    GapOpened,
    GoWithout,
    LandmarkPassed,
    LatchedOn,
    LengthenTurn,
    LineBunched,
    LineSurged,
    LostWheel,
    OrderSeen,
    PlanOffered,
    RaceFinished,
    RaceOpened,
    RejoinedAt,
    Resume,
    Retired,
    SayAloud,
    ShortenTurn,
    StartCalledOff,
    StartSet,
    SwungOff,
    Undo,
    WaitFor,
)
from caller.riders import Roster
from caller.units import RiderId

__all__ = ["says"]


def says(fact: Fact, roster: Roster) -> str:
    """What a fact says, for people: the log view's line, with riders' names as shown."""

    def name(rider: RiderId) -> str:
        return roster[rider].name if rider in roster.ids else str(rider)

    match fact:
        case SwungOff(rider=rider):
            return f"{name(rider)} swung off"
        case LatchedOn(rider=rider):
            return f"{name(rider)} is on the last wheel"
        case RejoinedAt(rider=rider, slot=slot):
            return f"{name(rider)} rejoined in slot {slot + 1}"
        case CameThrough(rider=rider):
            return f"{name(rider)} came through to the front"
        case OrderSeen(order=order):
            return "the order seen is " + ", ".join(name(rider) for rider in order)
        case LostWheel(rider=rider):
            return f"{name(rider)} lost the wheel"
        case Retired(rider=rider):
            return f"{name(rider)} is out"
        case GapOpened(rider=rider):
            return f"a gap before {name(rider)}"
        case GapClosed(rider=rider):
            return f"the gap before {name(rider)} is closed"
        case LineBunched():
            return "the line bunches"
        case LineSurged():
            return "the line stretches"
        case LandmarkPassed(at_m=at_m):
            return f"passed {at_m / 1000:.2f} km"
        case FeltGood(rider=rider):
            return f"{name(rider)} feels good"
        case FeltEmpty(rider=rider):
            return f"{name(rider)} is empty"
        case RaceFinished(rider=None):
            return "finished"
        case RaceFinished(rider=rider):
            assert rider is not None
            return f"finished, {name(rider)} counted"
        case PlanOffered():
            return "a new plan"
        case LengthenTurn(by_ms=by_ms, rider=None):
            return f"turn {by_ms // 1000} s longer"
        case LengthenTurn(by_ms=by_ms, rider=rider):
            assert rider is not None
            return f"{name(rider)} stays on {by_ms // 1000} s"
        case ShortenTurn(by_ms=by_ms):
            return f"turn {by_ms // 1000} s shorter"
        case CutTurn():
            return "off now"
        case WaitFor(rider=rider):
            return f"wait for {name(rider)}"
        case GoWithout(rider=rider):
            return f"go without {name(rider)}"
        case CallAloud(aloud=aloud, rider=rider):
            whom = "all" if rider is None else name(rider)
            return f"{aloud.value.replace('_', ' ')}, to {whom}"
        case SayAloud(text=text, rider=rider):
            return f"“{text}”, to {'all' if rider is None else name(rider)}"
        case Resume():
            return "resume"
        case Undo():
            return "undo"
        case RaceOpened():
            return "race opened"
        case StartSet():
            return "start set"
        case StartCalledOff():
            return "start called off"
        case _:
            assert_never(fact)

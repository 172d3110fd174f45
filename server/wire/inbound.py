"""What a page may send over its socket, and how it becomes a fact. Must not decide whether a fact is wise."""

from typing import Annotated, Literal, assert_never

from pydantic import Field, TypeAdapter

from caller import facts
from caller.units import RiderId, ms_from_s
from server.wire.base import Message, RiderKey

__all__ = ["RIDER_ACTS", "Act", "Hello", "Inbound", "Ping", "Ready", "Sound", "Tap", "inbound_adapter", "to_fact"]


class _OfRider(Message):
    rider: RiderKey


class SwungOff(_OfRider):
    """This rider left the front."""

    act: Literal["swung_off"]


class LatchedOn(_OfRider):
    """This rider is on the last wheel."""

    act: Literal["latched_on"]


class RejoinedAt(_OfRider):
    """This rider is back in the line at a slot, 0 at the front."""

    act: Literal["rejoined_at"]
    slot: int = Field(ge=0, le=9)


class CameThrough(_OfRider):
    """This rider is on the front."""

    act: Literal["came_through"]


class OrderSeen(Message):
    """The whole line, front first."""

    act: Literal["order_seen"]
    order: tuple[RiderKey, ...] = Field(min_length=1, max_length=10)


class LostWheel(_OfRider):
    """This rider is adrift."""

    act: Literal["lost_wheel"]


class Retired(_OfRider):
    """This rider is out."""

    act: Literal["retired"]


class GapOpened(_OfRider):
    """A gap before this rider."""

    act: Literal["gap_opened"]


class GapClosed(_OfRider):
    """The gap before this rider is closed."""

    act: Literal["gap_closed"]


class LineBunched(Message):
    """The line bunches."""

    act: Literal["line_bunched"]


class LineSurged(Message):
    """The leader is too fast for the line."""

    act: Literal["line_surged"]


class LandmarkPassed(Message):
    """The front passes this distance."""

    act: Literal["landmark_passed"]
    at_m: float = Field(ge=0, le=500_000, allow_inf_nan=False)


class FeltGood(_OfRider):
    """This rider has more to give."""

    act: Literal["felt_good"]


class FeltEmpty(_OfRider):
    """This rider has little left."""

    act: Literal["felt_empty"]


class RaceFinished(Message):
    """The counted rider is across the line; ``rider`` is who that was, if it is known."""

    act: Literal["race_finished"]
    rider: RiderKey | None = None


class LengthenTurn(Message):
    """A longer turn for the one who leads; ``rider`` is who leads and asks for it, None the director."""

    act: Literal["lengthen_turn"]
    by_s: int = Field(ge=1, le=120)
    rider: RiderKey | None = None


class ShortenTurn(Message):
    """A shorter turn for the one who leads."""

    act: Literal["shorten_turn"]
    by_s: int = Field(ge=1, le=120)


class CutTurn(Message):
    """The one who leads swings off now."""

    act: Literal["cut_turn"]


class WaitFor(_OfRider):
    """Wait for this rider."""

    act: Literal["wait_for"]


class GoWithout(_OfRider):
    """Go on without this rider."""

    act: Literal["go_without"]


class CallAloud(Message):
    """Call this now, to one rider or, without one, to the line."""

    act: Literal["call_aloud"]
    aloud: Literal["stop", "ease", "lift", "press_on", "all_in"]
    rider: RiderKey | None = None


class SayAloud(Message):
    """Say these words of the director's own now, to one rider or, without one, to the line."""

    act: Literal["say_aloud"]
    text: str
    rider: RiderKey | None = None


class Resume(Message):
    """Call again after a stop to the whole line."""

    act: Literal["resume"]


class Undo(Message):
    """Put the line back as it was before the last fact."""

    act: Literal["undo"]


class SetStart(Message):
    """Begin the countdown."""

    act: Literal["set_start"]
    countdown_s: int = Field(default=20, ge=5, le=600)


class CallOffStart(Message):
    """Break the countdown off."""

    act: Literal["call_off_start"]


Act = Annotated[
    SwungOff
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
    | LengthenTurn
    | ShortenTurn
    | CutTurn
    | WaitFor
    | GoWithout
    | CallAloud
    | SayAloud
    | Resume
    | Undo
    | SetStart
    | CallOffStart,
    Field(discriminator="act"),
]

RIDER_ACTS = frozenset(
    {
        "swung_off",
        "latched_on",
        "rejoined_at",
        "came_through",
        "lost_wheel",
        "retired",
        "felt_good",
        "felt_empty",
        "lengthen_turn",
        "race_finished",
    }
)
"""What a rider's ticket may say, and only of that rider."""


class Hello(Message):
    """The first frame of every socket: who is this?"""

    kind: Literal["hello"]
    ticket: str = Field(min_length=10, max_length=100)


class Ping(Message):
    """A question for the clock; ``sent`` comes back untouched."""

    kind: Literal["ping"]
    sent: float = Field(allow_inf_nan=False)


class Ready(Message):
    """The rider or director is ready to start."""

    kind: Literal["ready"]
    ready: bool


class Sound(Message):
    """The sound check on this device: heard, or not."""

    kind: Literal["sound"]
    heard: bool


class Tap(Message):
    """Something seen or asked for.

    ``tap`` is a key of the page's own making: the same tap sent twice, over two sockets, counts once.
    """

    kind: Literal["tap"]
    tap: str = Field(min_length=8, max_length=64)
    seen_ms: int | None = Field(default=None, ge=-86_400_000, le=86_400_000)
    act: Act


Inbound = Annotated[Hello | Ping | Ready | Sound | Tap, Field(discriminator="kind")]

inbound_adapter: TypeAdapter[Inbound] = TypeAdapter(Inbound)


def to_fact(act: Act) -> facts.Fact:
    """The fact that an act stands for. Whether the riders named ride in this race is the core's to say."""
    match act:
        case SwungOff():
            return facts.SwungOff(rider=RiderId(act.rider))
        case LatchedOn():
            return facts.LatchedOn(rider=RiderId(act.rider))
        case RejoinedAt():
            return facts.RejoinedAt(rider=RiderId(act.rider), slot=act.slot)
        case CameThrough():
            return facts.CameThrough(rider=RiderId(act.rider))
        case OrderSeen():
            return facts.OrderSeen(order=tuple(RiderId(rider) for rider in act.order))
        case LostWheel():
            return facts.LostWheel(rider=RiderId(act.rider))
        case Retired():
            return facts.Retired(rider=RiderId(act.rider))
        case GapOpened():
            return facts.GapOpened(rider=RiderId(act.rider))
        case GapClosed():
            return facts.GapClosed(rider=RiderId(act.rider))
        case LineBunched():
            return facts.LineBunched()
        case LineSurged():
            return facts.LineSurged()
        case LandmarkPassed():
            return facts.LandmarkPassed(at_m=act.at_m)
        case FeltGood():
            return facts.FeltGood(rider=RiderId(act.rider))
        case FeltEmpty():
            return facts.FeltEmpty(rider=RiderId(act.rider))
        case RaceFinished():
            return facts.RaceFinished(rider=None if act.rider is None else RiderId(act.rider))
        case LengthenTurn():
            rider = None if act.rider is None else RiderId(act.rider)
            return facts.LengthenTurn(by_ms=ms_from_s(act.by_s), rider=rider)
        case ShortenTurn():
            return facts.ShortenTurn(by_ms=ms_from_s(act.by_s))
        case CutTurn():
            return facts.CutTurn()
        case WaitFor():
            return facts.WaitFor(rider=RiderId(act.rider))
        case GoWithout():
            return facts.GoWithout(rider=RiderId(act.rider))
        case CallAloud():
            rider = None if act.rider is None else RiderId(act.rider)
            return facts.CallAloud(aloud=facts.Aloud(act.aloud), rider=rider)
        case SayAloud():
            return facts.SayAloud(text=act.text, rider=None if act.rider is None else RiderId(act.rider))
        case Resume():
            return facts.Resume()
        case Undo():
            return facts.Undo()
        case SetStart():
            return facts.StartSet(countdown_ms=ms_from_s(act.countdown_s))
        case CallOffStart():
            return facts.StartCalledOff()
        case _:
            assert_never(act)

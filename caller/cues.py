"""What can be told to riders, and one table: how urgent, how long ahead, when too late.

Must not know when anything is told (calling) nor in which words (speech).
"""

from dataclasses import dataclass
from enum import Enum
from types import MappingProxyType

from caller.units import RiderId

__all__ = ["CUE_TABLE", "Cue", "CueKind", "CueRow"]


class CueKind(Enum):
    """Every kind of cue. The value is its name on the wire."""

    # A table's row is looked up for each cue of each projection; an Enum's own hash is written in Python.
    __hash__ = object.__hash__

    STOP = "stop"
    START_COUNT = "start_count"
    START = "start"
    SWITCH = "switch"
    OFF_NOW = "off_now"
    STAY_ON = "stay_on"
    STAND_BY = "stand_by"
    HOLD = "hold"
    CLOSE_GAP = "close_gap"
    LATCH_ON = "latch_on"
    EASE = "ease"
    LIFT = "lift"
    PRESS_ON = "press_on"
    WAIT = "wait"
    GO = "go"
    NEW_ORDER = "new_order"
    ALL_IN = "all_in"
    TERRAIN = "terrain"
    SAY = "say"
    RESTED = "rested"
    ADRIFT = "adrift"
    OUT = "out"
    TIME = "time"
    SPEND = "spend"


@dataclass(frozen=True, slots=True, kw_only=True)
class CueRow:
    """How one kind of cue behaves.

    Attributes:
        priority: smaller is more urgent; it decides who speaks when two cues want the air.
        lead_ms: how long before what it announces it is due; 0 for a cue that lands on its instant.
        commit_ms: how long before it is due it becomes fixed; also the soonest a new fact can make it due.
        window_ms: how much later than wished it may be due and still help.
        too_late_ms: how long after it is due a device may still tell it.
        sooner_ms, later_ms: how much sooner or later than due its key word may be heard if another has the air.
        cuts_in: it silences a less urgent one that is being said, rather than wait for it.
        keeps_air_ms: how long after it nothing less urgent is said.
        repeats: how often it may be repeated while its reason stands.
        again_ms: seen anew, it is told again only so long after it was last told to the same rider or line; what a
            director calls by hand is always told.
        means: for the help page and the test that each kind is documented.
    """

    priority: int
    lead_ms: int = 0
    commit_ms: int = 1_000
    window_ms: int = 0
    too_late_ms: int = 2_000
    sooner_ms: int = 0
    later_ms: int = 0
    cuts_in: bool = False
    keeps_air_ms: int = 0
    repeats: int = 0
    again_ms: int = 0
    means: str


CUE_TABLE = MappingProxyType(
    {
        CueKind.STOP: CueRow(
            priority=0,
            commit_ms=200,
            too_late_ms=10_000,
            cuts_in=True,
            keeps_air_ms=10_000,
            means="stop riding, safely, now",
        ),
        CueKind.START_COUNT: CueRow(priority=2, commit_ms=1_000, too_late_ms=300, means="so many seconds to the gun"),
        CueKind.START: CueRow(
            priority=1, commit_ms=2_000, too_late_ms=1_000, later_ms=500, cuts_in=True, means="the gun"
        ),
        CueKind.SWITCH: CueRow(
            priority=1,
            commit_ms=2_000,
            too_late_ms=700,
            later_ms=600,
            cuts_in=True,
            means="swing off now; the next one leads",
        ),
        CueKind.OFF_NOW: CueRow(
            priority=1,
            commit_ms=500,
            too_late_ms=700,
            later_ms=600,
            cuts_in=True,
            means="the turn is cut: swing off at once",
        ),
        CueKind.STAY_ON: CueRow(
            priority=3,
            commit_ms=500,
            too_late_ms=3_000,
            later_ms=1_500,
            means="the turn is longer by so many seconds",
        ),
        CueKind.STAND_BY: CueRow(
            priority=4,
            lead_ms=10_000,
            commit_ms=1_500,
            window_ms=6_000,
            too_late_ms=2_500,
            sooner_ms=1_000,
            later_ms=2_500,  # still ahead of the switch: it is never due less than three seconds before
            means="this rider leads next",
        ),
        CueKind.HOLD: CueRow(
            priority=5,
            lead_ms=-2_000,
            commit_ms=1_000,
            window_ms=3_000,
            too_late_ms=3_000,
            sooner_ms=500,
            later_ms=3_000,
            means="hold this power on the front",
        ),
        CueKind.CLOSE_GAP: CueRow(
            priority=2,
            commit_ms=500,
            too_late_ms=3_000,
            later_ms=2_500,
            repeats=1,
            again_ms=8_000,
            means="a gap has opened before this rider: close it",
        ),
        CueKind.LATCH_ON: CueRow(
            priority=4,
            lead_ms=0,
            commit_ms=1_000,
            window_ms=1_000,
            too_late_ms=1_000,
            sooner_ms=700,
            later_ms=700,
            means="the last wheel is about to come by: accelerate onto it",
        ),
        CueKind.EASE: CueRow(
            priority=2,
            commit_ms=500,
            too_late_ms=3_000,
            later_ms=1_500,
            again_ms=8_000,
            means="too fast for the line, or a gap won't close: ease",
        ),
        CueKind.LIFT: CueRow(
            priority=5,
            commit_ms=500,
            too_late_ms=3_000,
            later_ms=3_000,
            means="slower than planned and all are rested, or whom the line waited for is back: lift",
        ),
        CueKind.PRESS_ON: CueRow(
            priority=4,
            commit_ms=500,
            too_late_ms=3_000,
            later_ms=2_000,
            again_ms=8_000,
            means="bunching behind a rider who swung off: come past",
        ),
        CueKind.WAIT: CueRow(
            priority=2,
            commit_ms=500,
            too_late_ms=5_000,
            later_ms=3_000,
            means="the line waits for a rider who is adrift",
        ),
        CueKind.GO: CueRow(
            priority=2, commit_ms=500, too_late_ms=5_000, later_ms=3_000, means="the line goes on without a rider"
        ),
        CueKind.NEW_ORDER: CueRow(
            priority=6, commit_ms=500, too_late_ms=5_000, later_ms=5_000, means="what happened is the new order"
        ),
        CueKind.ALL_IN: CueRow(
            priority=3,
            commit_ms=2_000,
            window_ms=10_000,
            too_late_ms=5_000,
            sooner_ms=1_000,
            later_ms=3_000,
            means="the last stretch: nothing to keep",
        ),
        CueKind.TERRAIN: CueRow(
            priority=7,
            lead_ms=0,
            commit_ms=2_000,
            window_ms=5_000,
            too_late_ms=5_000,
            # Distances are said to the nearest 50 m: at 45 km/h that is four seconds.
            sooner_ms=2_000,
            later_ms=4_000,
            means="a climb, a descent or a flat begins ahead",
        ),
        # A second ahead: by then the clip, made on demand, has reached everybody.
        CueKind.SAY: CueRow(
            priority=3,
            commit_ms=1_000,
            window_ms=6_000,
            too_late_ms=8_000,
            later_ms=6_000,
            means="the director's own words",
        ),
        CueKind.RESTED: CueRow(
            priority=1,
            commit_ms=500,
            too_late_ms=1_500,
            later_ms=1_000,
            cuts_in=True,
            means="on the front too long: swing off, the others are rested",
        ),
        CueKind.ADRIFT: CueRow(
            priority=2,
            commit_ms=500,
            too_late_ms=5_000,
            later_ms=3_000,
            again_ms=8_000,
            means="this rider is off the back",
        ),
        CueKind.OUT: CueRow(
            priority=2, commit_ms=500, too_late_ms=8_000, later_ms=4_000, means="this rider is out of the race"
        ),
        CueKind.TIME: CueRow(
            priority=8,
            commit_ms=1_000,
            too_late_ms=8_000,
            later_ms=6_000,
            again_ms=30_000,
            means="so many seconds ahead of the plan or behind it, at a landmark",
        ),
        CueKind.SPEND: CueRow(
            priority=3,
            lead_ms=-3_000,
            commit_ms=1_000,
            window_ms=3_000,
            too_late_ms=4_000,
            later_ms=2_000,
            means="this rider's last turn: nothing to keep",
        ),
    }
)
"""One row a kind, most urgent first where it can be."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cue:
    """One thing to tell, and when.

    Attributes:
        id: stable: the switch at the end of turn 7 keeps its id through every re-planning.
        kind: what is told.
        due_ms: when its key word is heard, on the race clock.
        to: for whom it is meant: these devices speak it; the team voice speaks every cue. Empty means the whole line.
        rider: who is named in it; None if nobody is.
        power_w: for a hold.
        seconds: for a count or a longer turn.
        distance_m: for terrain ahead.
        place: the stretch's name, for terrain.
        order: the line, front first, for a new order.
        words: the director's own, for a say.
        spare: for a rider who is out: how many can still be lost.
        against_plan_s: for a time check: whole seconds behind the plan; ahead of it if negative.
        because: why it is told, in the trade's words, for the desk and the log view.
    """

    id: str
    kind: CueKind
    due_ms: int
    to: tuple[RiderId, ...] = ()
    rider: RiderId | None = None
    power_w: int | None = None
    seconds: int | None = None
    distance_m: int | None = None
    place: str | None = None
    order: tuple[RiderId, ...] = ()
    words: str | None = None
    spare: int | None = None
    against_plan_s: int | None = None
    because: str = ""

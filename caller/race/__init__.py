"""The only composer: the state of a race, and what facts and the passage of time make of it.

``take`` and ``advance`` return a new state and the cues that became fixed. ``next_wake`` names the next instant at
which something happens with no new fact. ``calls`` is the whole known future. Nothing here reads a clock: the driver
waits until the next wake or a fact, whichever comes first, and hands over the instant.

``state`` is the value; ``taking`` is what facts do to it (``seeing`` the line, ``turning`` its turns), ``undoing`` how
they are taken back, ``passing`` what time does to it, ``showing`` what drivers show of it, ``ending`` its last effort
and its result.

Must not decide where a rider is (rotation), how long a turn is or when a cue is due (calling), or in which words
(speech).
"""

from caller.race.ending import Result, result, result_says
from caller.race.passing import advance, calls, next_wake
from caller.race.showing import (
    Upcoming,
    finish_ms,
    may,
    position_now,
    reserves_now,
    spare_riders,
    track,
    undo_says,
    upcoming,
)
from caller.race.state import Decision, Phase, RaceState
from caller.race.taking import replay, start, take

__all__ = [
    "Decision",
    "Phase",
    "RaceState",
    "Result",
    "Upcoming",
    "advance",
    "calls",
    "finish_ms",
    "may",
    "next_wake",
    "position_now",
    "replay",
    "reserves_now",
    "result",
    "result_says",
    "spare_riders",
    "start",
    "take",
    "track",
    "undo_says",
    "upcoming",
]

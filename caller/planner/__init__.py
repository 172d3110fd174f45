"""Search for a plan the line can hold. Must not know of races that are running, nor of who asks."""

from caller.planner.effects import EFFECTS, effect, effects_of
from caller.planner.hand import HAND, by_hand
from caller.planner.mend import mended
from caller.planner.proof import EFFORTS, proved
from caller.planner.search import FORMS, optimise
from caller.planner.steady import steady_plan

__all__ = [
    "EFFECTS",
    "EFFORTS",
    "FORMS",
    "HAND",
    "by_hand",
    "effect",
    "effects_of",
    "mended",
    "optimise",
    "proved",
    "steady_plan",
]

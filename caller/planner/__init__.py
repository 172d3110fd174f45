"""Search for a plan the line can hold. Must not know of races that are running, nor of who asks."""

from caller.planner.search import FORMS, optimise
from caller.planner.steady import steady_plan

__all__ = ["FORMS", "optimise", "steady_plan"]

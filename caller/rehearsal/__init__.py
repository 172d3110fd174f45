"""Rehearsal: a scripted race with simulated riders, before anybody has to get up early for it.

``read_scenario`` makes a scenario of TOML; ``SimulatedTeam`` are its riders, at any pace a driver likes; ``run_fast``
rides it to its end on virtual time; ``scenario_schema`` says what a scenario may hold.
"""

from caller.rehearsal.fast import OrderChange, Planner, Result, Score, run_fast
from caller.rehearsal.keys import scenario_schema
from caller.rehearsal.scenario import Event, Scenario
from caller.rehearsal.script import read_scenario
from caller.rehearsal.team import Seen, SimulatedTeam

__all__ = [
    "Event",
    "OrderChange",
    "Planner",
    "Result",
    "Scenario",
    "Score",
    "Seen",
    "SimulatedTeam",
    "read_scenario",
    "run_fast",
    "scenario_schema",
]

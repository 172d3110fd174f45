"""A rehearsal at riding pace: simulated riders who hear a live race's cues and feed its inbox, as people would.

Must not know how riders ride; the race can't tell them from people.
"""

import asyncio
import logging
from collections.abc import Iterable

from caller.cues import Cue
from caller.plan import Plan
from caller.rehearsal import Scenario, SimulatedTeam
from server.clock import Clock
from server.runner.live import LiveRace, Said
from server.wire.errors import ServerRefused

__all__ = ["Riders"]

log = logging.getLogger("swingoff.rehearsal")

_LOOK_S = 0.2


class Riders:
    """The simulated riders of one live race. Attach before the race is opened or resumed, then ``run``."""

    def __init__(self, live: LiveRace, scenario: Scenario, plan: Plan, seed: int, clock: Clock) -> None:
        self._live = live
        self._team = SimulatedTeam(scenario, plan, seed)
        self._clock = clock
        self._said = 0
        self._task: asyncio.Task[None] | None = None
        live.companions.append(self)
        live.simulated = frozenset(f"rider:{rider.id}" for rider in scenario.roster.riders)

    def told(self, cues: Iterable[Cue], now_ms: int) -> None:
        """These cues became fixed; whatever the riders did before they heard of them comes first."""
        self._ride(now_ms)
        for cue in cues:
            self._team.hear(cue)

    def start(self) -> None:
        """Ride whenever the race clock runs."""
        self._task = asyncio.get_running_loop().create_task(self._run(), name=f"riders of {self._live.code}")

    async def close(self) -> None:
        """Ride no more."""
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)

    async def _run(self) -> None:
        while not self._team.over or self._team.next_ms is not None:  # over, but not yet all told
            try:
                clock_ms = self._live.clock_ms()
                if clock_ms is not None and clock_ms >= 0:
                    self._ride(int(clock_ms))
            except Exception:
                log.exception("race %s: the simulated riders failed; the race goes on", self._live.code)
                return
            await self._clock.pause(_LOOK_S)

    def _ride(self, race_ms: int) -> None:
        for at_ms, by, fact in self._team.facts_until(race_ms):
            self._said += 1
            if at_ms <= self._live.resumed_to_ms:
                continue  # said before the restart, and in the log unless it was refused
            try:
                self._live.say(Said(by=by, fact=fact, tap=f"simulated {self._said}", seen_ms=at_ms))
            except ServerRefused as refused:
                log.warning("race %s: %s", self._live.code, refused)

"""The one place that reads a clock or waits for one.

Must not know what anybody waits for.
"""

import asyncio
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

__all__ = ["Clock", "RaceClock"]

T = TypeVar("T")

_LONGEST_WAIT_S = 5.0
"""A machine that slept wakes with its timers late; looking again now and then costs nothing and mends it."""


def _steady_s() -> float:
    """Seconds that only rise, and go on rising while the machine sleeps, which Python's monotonic clock need not."""
    if hasattr(time, "CLOCK_BOOTTIME"):
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    if sys.platform == "darwin":
        return time.clock_gettime(time.CLOCK_MONOTONIC)
    return time.monotonic()


class Clock:
    """Wall time read once, carried on by a clock that nobody can set.

    Setting the machine's time in the middle of a race moves no cue. After a restart the wall time is read anew.
    """

    def __init__(self, wall_s: Callable[[], float] = time.time, steady_s: Callable[[], float] = _steady_s) -> None:
        self._steady_s = steady_s
        self._wall_at_start_ms = wall_s() * 1000
        self._steady_at_start_ms = steady_s() * 1000

    def wall_ms(self) -> float:
        """Milliseconds since 1970-01-01 UTC; never less than before."""
        return self._wall_at_start_ms + self._steady_s() * 1000 - self._steady_at_start_ms

    async def get(self, inbox: asyncio.Queue[T], until_wall_ms: float | None) -> T | None:
        """The next thing in an inbox, or None once the instant has come.

        Args:
            inbox: what to wait for.
            until_wall_ms: the instant; None waits for the inbox alone.
        """
        while True:
            wait_s = _LONGEST_WAIT_S
            if until_wall_ms is not None:
                wait_s = min(wait_s, (until_wall_ms - self.wall_ms()) / 1000)
                if wait_s <= 0:
                    return None if inbox.empty() else inbox.get_nowait()
            try:
                async with asyncio.timeout(wait_s):
                    return await inbox.get()
            except TimeoutError:
                continue

    async def pause(self, seconds: float) -> None:
        """Wait for so long."""
        await asyncio.sleep(seconds)


@dataclass(frozen=True, slots=True, kw_only=True)
class RaceClock:
    """The race clock as a function of the wall's.

    Attributes:
        gun_wall_ms: when the race clock shows 0.
        rate: race milliseconds a wall millisecond; 1 but in a rehearsal at another pace.
    """

    gun_wall_ms: float
    rate: float = 1.0

    def race_ms(self, wall_ms: float) -> float:
        """What the race clock shows."""
        return (wall_ms - self.gun_wall_ms) * self.rate

    def wall_ms(self, race_ms: float) -> float:
        """When the race clock shows this."""
        return self.gun_wall_ms + race_ms / self.rate

    @classmethod
    def showing(cls, race_ms: float, wall_ms: float, rate: float = 1.0) -> "RaceClock":
        """The clock that shows ``race_ms`` at this wall time."""
        return cls(gun_wall_ms=wall_ms - race_ms / rate, rate=rate)

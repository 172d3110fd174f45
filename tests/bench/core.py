"""How fast the core calls: facts taken a second on one core.

A fact costs what it changes. One that leaves the line alone is a few values made anew; one that changes the line has
the next switches foretold anew; and the time between two facts costs what happens in it, which a replay shows: between
two facts of the demo lie 14 s, in which the line changes three times, two cues become fixed and every rider's reserve
is worked out twice.
"""

import os
import time
from collections.abc import Callable, Iterable
from pathlib import Path

from caller import race
from caller.facts import Entry, GapClosed, GapOpened, OrderSeen
from caller.rehearsal import run_fast
from server.runner.house import scenario_in

DEMO = Path(__file__).resolve().parent.parent.parent / "scenarios" / "demo.toml"
SECONDS = 1.0 if os.environ.get("BENCH_SHORT") else 5.0
MOST_RUNS = 10_000
PAIRS = 1_000


def rate(work: Callable[[], int]) -> tuple[float, int]:
    """(pieces a second in the best of the runs, runs); a run says how many pieces of work it did."""
    best, runs, end = 0.0, 0, time.perf_counter() + SECONDS
    while time.perf_counter() < end and runs < MOST_RUNS:
        began = time.perf_counter()
        pieces = work()
        best = max(best, pieces / (time.perf_counter() - began))
        runs += 1
    return best, runs


def take_all(state: race.RaceState, entries: Iterable[Entry]) -> None:
    """Take one entry after the other."""
    for entry in entries:
        state, _ = race.take(state, entry)


def main() -> None:
    """Ride, replay, take, print."""
    result = run_fast(scenario_in(DEMO))
    entries = result.entries
    seconds = (entries[-1].at_ms - entries[1].at_ms) / 1000

    def replay() -> int:
        race.replay(entries)
        return len(entries)

    middle = race.replay(entries[: len(entries) // 2])
    rider = middle.line.order[-1]
    taps = tuple(
        Entry(seq=middle.seq + 1 + number, at_ms=middle.now_ms, by="director", fact=fact(rider=rider))
        for number, fact in enumerate((GapOpened, GapClosed) * PAIRS)
    )

    def tap() -> int:
        take_all(middle, taps)
        return len(taps)

    orders = tuple(
        Entry(
            seq=middle.seq + 1 + number, at_ms=middle.now_ms + 200 * number, by="director", fact=OrderSeen(order=order)
        )
        for number, order in enumerate((tuple(reversed(middle.line.order)), middle.line.order) * (PAIRS // 10))
    )

    def reorder() -> int:
        take_all(middle, orders)
        return len(orders)

    print(f"demo: {seconds:.0f} s of race, {len(entries)} facts, {len(result.cues)} cues")
    for title, work in (
        ("gaps opened and closed at one instant", tap),
        ("whole orders seen, five a second", reorder),
        ("replay of the demo's log", replay),
    ):
        best, runs = rate(work)
        print(f"{title:38} {best:10,.0f} facts/s (best of {runs})")


if __name__ == "__main__":
    main()

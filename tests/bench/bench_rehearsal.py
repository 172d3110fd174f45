"""How fast a rehearsal runs on virtual time: race-seconds per second, the whole and its parts.

python -m tests.bench.bench_rehearsal
"""

import os
import time
from collections.abc import Callable
from pathlib import Path

from caller.cues import Cue
from caller.planner import steady_plan
from caller.rehearsal import SimulatedTeam, run_fast
from server.runner.house import scenario_in

DEMO = Path(__file__).resolve().parents[2] / "scenarios" / "demo.toml"


def best_of(count: int, act: Callable[[], object]) -> float:
    """The shortest of so many times, seconds: the others were disturbed."""
    times = []
    for _ in range(count):
        began = time.perf_counter()
        act()
        times.append(time.perf_counter() - began)
    return min(times)


def main() -> None:
    """Print the figures."""
    count = 1 if os.environ.get("BENCH_SHORT") else 5
    scenario = scenario_in(DEMO)
    began = time.perf_counter()
    plan = steady_plan(scenario.course, scenario.roster, scenario.rules)
    planning_s = time.perf_counter() - began
    result = run_fast(scenario, planner=lambda *_: plan)
    assert result.finish_s is not None
    whole_s = best_of(count, lambda: run_fast(scenario, planner=lambda *_: plan))

    def riders_alone(cues: tuple[Cue, ...]) -> None:
        team = SimulatedTeam(scenario, plan)
        for cue in cues:
            team.hear(cue)
        team.facts_until(round(1000 * (result.finish_s or 0)))

    riders_s = best_of(count, lambda: riders_alone(result.cues))
    race_s = result.finish_s + scenario.countdown_s
    print(
        f"race of {race_s:.0f} s, {len(result.cues)} cues, {len(result.entries)} entries; planned in {planning_s:.2f} s"
    )
    print(f"fast: {race_s / whole_s:.0f} race-seconds per second ({whole_s:.3f} s)")
    print(f"simulated riders alone: {race_s / riders_s:.0f} race-seconds per second ({riders_s:.3f} s)")


if __name__ == "__main__":
    main()

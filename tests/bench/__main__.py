"""Runs every bench beside this file, each in a process of its own, and prints what it measures.

A bench is any module here. Run as ``python -m tests.bench.<name>`` it prints its figures; under ``BENCH_SHORT=1`` it
takes a few seconds at most. Figures are read, not asserted: only a bench that breaks or hangs makes this fail.

    python -m tests.bench [--short] [name ...]
"""

import os
import subprocess
import sys
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
LONGEST_S = {True: 120, False: 900}
"""After so long a bench counts as hanging; by whether the run is a short one."""


def benches() -> tuple[str, ...]:
    """The names of all benches, sorted."""
    return tuple(sorted(path.stem for path in HERE.glob("*.py") if not path.stem.startswith("_")))


def run(name: str, *, short: bool) -> bool:
    """Run one bench with its output let through. False if it broke or hung."""
    print(f"\n== {name}", flush=True)
    environment = os.environ | ({"BENCH_SHORT": "1"} if short else {})
    began = time.perf_counter()
    try:
        code = subprocess.run(
            [sys.executable, "-m", f"tests.bench.{name}"],
            cwd=ROOT,
            env=environment,
            stdin=subprocess.DEVNULL,
            timeout=LONGEST_S[short],
            check=False,
        ).returncode
    except subprocess.TimeoutExpired:
        print(f"-- {name}: no end after {LONGEST_S[short]} s", flush=True)
        return False
    print(f"-- {name}: {time.perf_counter() - began:.1f} s" + (f", exit code {code}" if code else ""), flush=True)
    return code == 0


def main() -> int:
    """Exit code 0 if all ran, 1 if one broke or hung, 2 if there is no such bench."""
    words = sys.argv[1:]
    short = "--short" in words
    wanted = tuple(word for word in words if word != "--short") or benches()
    unknown = sorted(set(wanted) - set(benches()))
    if unknown:
        print(f"no bench named {', '.join(unknown)}; there are: {', '.join(benches())}", file=sys.stderr)
        return 2
    broken = tuple(name for name in wanted if not run(name, short=short))
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())

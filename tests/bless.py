"""Takes a scenario's present transcript as the right one: writes scenarios/NAME.cues.txt.

    python -m tests.bless NAME

One name at a time, so that nobody blesses the lot unread: what changed is then read in ``git diff`` like code.
"""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
SCENARIOS = ROOT / "scenarios"


def main() -> int:
    """Exit code 0 if written or unchanged, 2 if there is no such scenario, else the rehearsal's own."""
    names = sorted(path.stem for path in SCENARIOS.glob("*.toml"))
    if len(sys.argv) != 2 or sys.argv[1] not in names:
        print(f"usage: python -m tests.bless NAME; there are: {', '.join(names)}", file=sys.stderr)
        return 2
    name = sys.argv[1]
    told = subprocess.run(
        [sys.executable, "-m", "server", "rehearse", name, "--fast"], cwd=ROOT, capture_output=True, check=False
    )
    if told.returncode:
        sys.stderr.write(told.stderr.decode("utf-8", "replace"))
        return told.returncode
    transcript = SCENARIOS / f"{name}.cues.txt"
    before = transcript.read_bytes() if transcript.exists() else b""
    transcript.write_bytes(told.stdout)
    print(f"{transcript.relative_to(ROOT)}: {'unchanged' if before == told.stdout else 'written; read its difference'}")
    return 0


if __name__ == "__main__":
    sys.exit(main())

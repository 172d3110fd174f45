"""Checks the pages' JavaScript with Node's tools: types from JSDoc (tsc) and habits (eslint).

    python -m tests.js

Node is a developer's tool here: where there is none, this says so and is content; under CI it fails.
"""

import os
import shutil
import subprocess
import sys
from pathlib import Path

WEB = Path(__file__).resolve().parent.parent / "web"
OLDEST_NODE = 18
IN_CI = os.environ.get("CI", "").lower() in {"1", "true", "yes"}


def node_is_too_old(node: str) -> bool:
    """Whether this Node is older than the tools need."""
    said = subprocess.run([node, "--version"], capture_output=True, text=True, check=True).stdout
    return int(said.strip().lstrip("v").split(".")[0]) < OLDEST_NODE


def tools_are_current() -> bool:
    """Whether web/node_modules holds what the lock file asks for: npm leaves a newer file of its own there."""
    lock, installed = WEB / "package-lock.json", WEB / "node_modules" / ".package-lock.json"
    return installed.is_file() and installed.stat().st_mtime >= lock.stat().st_mtime


def main() -> int:
    """Exit code: 0 if all is well or there is no Node; otherwise the first failing tool's."""
    node, npm = shutil.which("node"), shutil.which("npm")
    if node is None or npm is None or node_is_too_old(node):
        print(f"js: not checked: Node {OLDEST_NODE} or newer with npm is not installed", file=sys.stderr)
        return 1 if IN_CI else 0
    if not tools_are_current():
        code = subprocess.run(
            [npm, "ci", "--no-audit", "--no-fund", "--loglevel=error"], cwd=WEB, check=False
        ).returncode
        if code:
            return code
    return subprocess.run([npm, "run", "--silent", "check"], cwd=WEB, check=False).returncode


if __name__ == "__main__":
    sys.exit(main())

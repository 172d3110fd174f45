"""Sets swingoff up in a folder of its own beside the code, then runs the demo or the tests. Standard library only.

    python3 server/bootstrap.py demo  [what ``swingoff rehearse`` takes]   the demo rehearsal, in the browser
    python3 server/bootstrap.py check [what ``pytest`` takes]              the tests

Everything goes into ``.venv``; delete that folder and nothing is left. A second run finds it done and starts at once.
It must not import the rest of the project, which is not installed yet, nor need a newer Python to say which it needs:
so it keeps to what Python 3.6 can read.
"""

import hashlib
import os
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
PYTHON = VENV / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
DONE = VENV / "swingoff-installed.txt"
"""Written last: what was installed, so that a broken-off installation is taken up again."""
PIP_LOG = VENV / "swingoff-pip.txt"

OLDEST_PYTHON = (3, 11)
NEWS_EVERY_S = 10
LOG_LINES_SHOWN = 15

EXTRAS = {"demo": "", "check": "[dev]"}
START = {
    "demo": ["-P", "-m", "server", "rehearse", "demo"],
    "check": ["-m", "pytest", "-rs", "-n", "2", "--dist", "worksteal"],
}
"""What each word runs. ``-P`` keeps a folder named ``server`` where the user stands from being taken for ours."""

USAGE = "usage: python3 server/bootstrap.py demo|check [arguments that are passed on]"


class Stopped(Exception):
    """The set-up cannot go on; the message is the one sentence that says how to mend it."""


def main(words: "list[str]") -> int:
    """Exit code: of what was run; 2 if the words are off; 1 if the set-up could not be done."""
    if not words or words[0] not in START:
        print(USAGE, file=sys.stderr)
        return 2
    try:
        check_python(sys.version_info[:2])
        if not installed(words[0]):
            install(words[0])
    except Stopped as stopped:
        print(str(stopped), file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print("\nbroken off; the same command takes it up again", file=sys.stderr)
        return 1
    return run([str(PYTHON), *START[words[0]], *words[1:]], ROOT if words[0] == "check" else Path.cwd())


def check_python(version: "tuple[int, ...]") -> None:
    """Raises Stopped if this Python is too old for us."""
    if version < OLDEST_PYTHON:
        raise Stopped(
            "swingoff needs Python {}.{} or newer, and this is {}.{} ({}): "
            "run the same command with a newer one, such as python3.12".format(*OLDEST_PYTHON, *version, sys.executable)
        )


# Is it done already?


def installed(word: str) -> bool:
    """Whether ``.venv`` holds all that the word needs, for this very folder and pyproject.toml."""
    if not DONE.is_file():
        return False
    return fingerprint(word) in DONE.read_text("utf-8").split() and runs(PYTHON)


def fingerprint(word: str, root: Path = ROOT) -> str:
    """Changes with what has to be installed for the word, and with where."""
    wanted = "\n".join([(root / "pyproject.toml").read_text("utf-8"), str(root), EXTRAS[word]])
    return hashlib.sha256(wanted.encode("utf-8")).hexdigest()


def fingerprints(word: str) -> "list[str]":
    """Of all words that what is installed for this word will do for: the extras come on top of the rest."""
    return [fingerprint(other) for other in EXTRAS if EXTRAS[other] in ("", EXTRAS[word])]


def runs(python: Path) -> bool:
    """Whether an interpreter is there and new enough; a Python that was upgraded away leaves a dead one behind."""
    question = f"import sys; sys.exit(sys.version_info[:2] < {OLDEST_PYTHON})"
    try:
        return subprocess.run([str(python), "-c", question], stderr=subprocess.DEVNULL).returncode == 0
    except OSError:
        return False


# Installing


def install(word: str) -> None:
    """Make ``.venv`` and install into it. Raises Stopped with how to mend it."""
    began = time.time()
    say(f"swingoff is set up in {VENV}")
    pip = make_venv()
    say("2/2 installing what it needs: once, from the Python package index")
    # Not compiled beforehand: that takes as long as the rest, and Python compiles what is used when it is first used.
    options = ["--quiet", "--disable-pip-version-check", "--no-input", "--no-compile"]
    follow([*pip, "install", *options, "-e", "." + EXTRAS[word]], began)
    DONE.write_text("\n".join(fingerprints(word)) + "\n", "utf-8")
    say(f"    ready after {time.time() - began:.0f} s")


def make_venv() -> "list[str]":
    """Make ``.venv`` unless it is there and runs; the words that call pip for it.

    Debian keeps ``ensurepip`` in a package of its own. Without it the system's pip, if there is one, can install into
    a folder that has none; otherwise there is nothing to install with.
    """
    ensurepip = can_import("ensurepip")
    pip_here = [str(PYTHON), "-m", "pip"]
    if runs(PYTHON) and succeeds([*pip_here, "--version"]):
        say("1/2 .venv is there")
        return pip_here
    if not ensurepip and not can_import("pip"):
        raise Stopped(
            "this Python cannot make a folder with pip in it: install the package for that "
            "(Debian and Ubuntu: sudo apt install python3-venv), then run the same command again"
        )
    say("1/2 making .venv")
    made = subprocess.run(
        [sys.executable, "-m", "venv", "--clear", *([] if ensurepip else ["--without-pip"]), str(VENV)],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
    )
    if made.returncode != 0:
        said = " ".join(made.stdout.decode("utf-8", "replace").split())
        raise Stopped("{} could not be made; Python said: {}".format(VENV, said or "nothing"))
    return pip_here if ensurepip else [sys.executable, "-m", "pip", "--python", str(PYTHON)]


def can_import(module: str) -> bool:
    """Whether this Python has a module, asked in a process of its own so that nothing is loaded here."""
    return succeeds([sys.executable, "-c", "import " + module])


def succeeds(command: "list[str]") -> bool:
    """Whether a command ends with 0; what it says is dropped."""
    return subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL).returncode == 0


def follow(command: "list[str]", began: float) -> None:
    """Run pip, say now and then that it goes on, and show the end of what it said if it fails."""
    with PIP_LOG.open("wb") as log:
        pip = subprocess.Popen(command, cwd=str(ROOT), stdin=subprocess.DEVNULL, stdout=log, stderr=subprocess.STDOUT)
        try:
            while True:
                try:
                    code = pip.wait(timeout=NEWS_EVERY_S)
                    break
                except subprocess.TimeoutExpired:
                    say(f"    still installing, {time.time() - began:.0f} s")
        except KeyboardInterrupt:
            pip.kill()
            raise
    if code != 0:
        said = PIP_LOG.read_text("utf-8", "replace").rstrip().splitlines()[-LOG_LINES_SHOWN:]
        raise Stopped(
            "\n".join(["    " + line for line in said])
            + f"\npip could not install all of it (its last lines are above, the rest in {PIP_LOG}): "
            "check the network, then run the same command again"
        )


def say(news: str) -> None:
    """Print at once, even into a pipe."""
    print(news, flush=True)


# Running


def run(command: "list[str]", folder: Path) -> int:
    """Run with our own input and output, standing in a folder; the exit code."""
    os.chdir(str(folder))
    if os.name == "posix":  # become it, so that whoever stops this stops that
        os.execv(command[0], command)
    try:
        return subprocess.run(command).returncode
    except KeyboardInterrupt:  # it has had the keys too, and has tidied up by its own means
        return 130


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

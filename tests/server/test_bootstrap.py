"""Tests of server/bootstrap.py, run as a newcomer runs it: by whatever Python there is, from anywhere."""

import ast
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from server import bootstrap
from tests.conftest import LiveServer

BOOTSTRAP = Path(bootstrap.__file__)


def run(script: Path, *words: str, folder: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run it as a script."""
    return subprocess.run(
        [sys.executable, str(script), *words],
        cwd=folder,
        env=os.environ | environment,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    """A folder like a fresh clone, its path with a space in it; the script and pyproject.toml are all there is."""
    root = tmp_path / "my races"
    (root / "server").mkdir(parents=True)
    shutil.copy(BOOTSTRAP, root / "server")
    (root / "pyproject.toml").write_text("[project]\nname = 'swingoff'\n", "utf-8")
    return root


def test_pythons_too_old_to_run_it_can_still_read_it() -> None:
    ast.parse(BOOTSTRAP.read_text("utf-8"), feature_version=(3, 6))


def test_it_needs_nothing_but_the_standard_library() -> None:
    needed = set()
    for node in ast.walk(ast.parse(BOOTSTRAP.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            needed |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            needed.add(node.module or ".")
    assert needed - sys.stdlib_module_names == set()


@pytest.mark.parametrize("version", [(3, 6), (3, 10), (2, 7)])
def test_an_old_python_is_told_which_one_is_needed(version: tuple[int, int]) -> None:
    with pytest.raises(
        bootstrap.Stopped, match=rf"needs Python 3\.11 or newer, and this is {version[0]}\.{version[1]}"
    ):
        bootstrap.check_python(version)


def test_the_oldest_python_is_the_one_that_pyproject_names() -> None:
    pyproject = (bootstrap.ROOT / "pyproject.toml").read_text("utf-8")
    assert f'requires-python = ">={bootstrap.OLDEST_PYTHON[0]}.{bootstrap.OLDEST_PYTHON[1]}"' in pyproject


@pytest.mark.parametrize("words", [(), ("dmeo",), ("--help",)])
def test_an_unknown_word_is_answered_with_the_two_that_are_known(
    checkout: Path, tmp_path: Path, words: tuple[str, ...]
) -> None:
    ran = run(checkout / "server" / "bootstrap.py", *words, folder=tmp_path)
    assert (ran.returncode, ran.stdout) == (2, "")
    assert ran.stderr.strip() == bootstrap.USAGE
    assert not (checkout / ".venv").exists()


def test_a_python_without_ensurepip_and_pip_gets_one_sentence_that_mends_it(checkout: Path, tmp_path: Path) -> None:
    # Debian's python3 without python3-venv: both modules are missing. Two modules that refuse to load stand for that.
    for name in ("ensurepip", "pip"):
        (tmp_path / f"{name}.py").write_text("raise ModuleNotFoundError", "utf-8")
    ran = run(checkout / "server" / "bootstrap.py", "demo", folder=tmp_path, PYTHONPATH=str(tmp_path))
    assert ran.returncode == 1
    assert "sudo apt install python3-venv" in ran.stderr
    assert len(ran.stderr.strip().splitlines()) == 1


def test_a_failed_installation_ends_with_a_sentence_and_is_taken_up_again(checkout: Path, tmp_path: Path) -> None:
    # This pyproject.toml names no version, so pip's build of it fails; with no index, it fails at once.
    for _ in range(2):
        ran = run(checkout / "server" / "bootstrap.py", "check", folder=tmp_path, PIP_NO_INDEX="1")
        assert ran.returncode == 1
        assert ran.stderr.rstrip().endswith("check the network, then run the same command again")
        assert "Traceback" not in ran.stderr
        assert "2/2 installing" in ran.stdout


def test_what_the_tests_need_includes_what_the_demo_needs_but_not_the_other_way() -> None:
    assert bootstrap.fingerprint("demo") in bootstrap.fingerprints("check")
    assert bootstrap.fingerprint("check") not in bootstrap.fingerprints("demo")


def test_a_changed_pyproject_is_installed_anew(checkout: Path) -> None:
    before = bootstrap.fingerprint("demo", checkout)
    (checkout / "pyproject.toml").write_text("[project]\nname = 'swingoff'\nversion = '2'\n", "utf-8")
    assert bootstrap.fingerprint("demo", checkout) != before


def test_the_demo_takes_port_data_and_no_browser_after_its_words(tmp_path: Path) -> None:
    demo = LiveServer(tmp_path / "data")
    words = bootstrap.START["demo"]
    try:
        demo.start(*words[words.index("server") + 1 :])
        demo.wait_until_it_says(f"{demo.url}/desk/")
        assert demo.data.is_dir()
    finally:
        demo.stop()

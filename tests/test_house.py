"""The house keeps what it says: documents and code agree, arrows point down, nothing names one machine.

Each test reads the checkout itself, so it speaks of what is committed as well as of what is being written.
"""

import ast
import os
import re
import shutil
import subprocess
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path
from typing import get_args

import pytest

from caller.cues import CUE_TABLE, CueKind
from caller.facts import FACT_TYPES
from caller.riders import LANGUAGES
from caller.speech import TABLES
from server.wire.inbound import Act

ROOT = Path(__file__).resolve().parent.parent
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")
README = (ROOT / "README.md").read_text("utf-8")
PYPROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))

TOP_LEVEL = {"pyproject.toml", "README.md", "DEVELOPERS.md", "LICENSE", "server", "caller", "web", "tests", "scenarios"}
BUILT = {"build", "dist", "data", "node_modules"}
"""What tools leave behind, beside names that begin with a dot."""


def files() -> tuple[Path, ...]:
    """All files of the project, written or committed; what git ignores left out. Without git, all but what is built."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        check=False,
    )
    if listed.returncode == 0:
        found = [ROOT / name for name in listed.stdout.decode().split("\0") if name]
    else:
        found = [
            path
            for path in ROOT.rglob("*")
            if not {part for part in path.relative_to(ROOT).parts if part in BUILT or part in {".venv", "__pycache__"}}
        ]
    return tuple(path for path in found if path.is_file())


def modules() -> tuple[Path, ...]:
    """All Python files of the project."""
    return tuple(path for path in files() if path.suffix == ".py")


def named(path: Path) -> str:
    """A file's place in the tree."""
    return path.relative_to(ROOT).as_posix()


# The tree


def test_the_top_level_holds_the_agreed_names_and_no_others() -> None:
    top = {path.relative_to(ROOT).parts[0] for path in files()}
    assert {name for name in top if not name.startswith(".")} == TOP_LEVEL


def test_every_module_says_in_a_docstring_what_it_decides() -> None:
    assert [named(path) for path in modules() if not ast.get_docstring(ast.parse(path.read_text("utf-8")))] == []


def test_no_file_names_a_place_on_one_machine() -> None:
    homes = "|".join(("work", "root", "Users", "home"))
    place = re.compile(rf"(?<![\w.>}}\])*/-])/(?:{homes})/(?!somebody\b)\w")
    found = []
    for path in files():
        try:
            lines = path.read_text("utf-8").splitlines()
        except UnicodeDecodeError:
            continue
        found += [f"{named(path)}:{number}: {line}" for number, line in enumerate(lines, 1) if place.search(line)]
    assert found == []


def test_no_module_of_the_server_hides_one_of_the_standard_library() -> None:
    # bootstrap.py is run as a script: its own folder then comes first where Python looks for modules.
    assert {path.stem for path in (ROOT / "server").iterdir()} & sys.stdlib_module_names == set()


# The documents


def requirement_names(requirements: list[str]) -> set[str]:
    """Names of distributions without their versions."""
    return {re.split(r"[<>=!~\[; ]", requirement, maxsplit=1)[0].lower() for requirement in requirements}


def explained(heading: str) -> set[str]:
    """The names in the first column of the table in DEVELOPERS.md that has this heading."""
    table = DEVELOPERS.split(f"| {heading} | why |\n", 1)[1].split("\n\n", 1)[0]
    return {name for row in table.splitlines()[1:] for name in re.findall(r"`([^`]+)`", row.split("|")[1])}


@pytest.mark.parametrize(
    ("heading", "requirements"),
    [
        ("to run", PYPROJECT["project"]["dependencies"]),
        ("to sound better", PYPROJECT["project"]["optional-dependencies"]["natural"]),
        ("to develop", PYPROJECT["project"]["optional-dependencies"]["dev"]),
    ],
)
def test_developers_md_says_why_each_dependency_is_there_and_names_no_other(
    heading: str, requirements: list[str]
) -> None:
    assert explained(heading) == requirement_names(requirements)


RUN_BY_NAME = {"websockets"}
"""What is needed without being imported: uvicorn loads websockets by the name of its protocol."""


RUNS_WITH_ANOTHER = {"starlette"}
"""What is imported without being asked for by name: fastapi is made of starlette and brings its own version of it."""


def imported_to_run() -> set[str]:
    """The top-level modules that the core and the server import, other than the standard library's and our own."""
    imported = set()
    for path in modules():
        if named(path).startswith(("caller/", "server/")):
            for node in ast.walk(ast.parse(path.read_text("utf-8"))):
                if isinstance(node, ast.Import):
                    imported |= {alias.name.split(".")[0] for alias in node.names}
                elif isinstance(node, ast.ImportFrom) and node.module:
                    imported.add(node.module.split(".")[0])
    return imported - sys.stdlib_module_names - {"caller", "server"}


def test_what_is_imported_to_run_is_asked_for_and_what_is_asked_for_is_imported() -> None:
    sources = packages_distributions()
    used = {distribution.lower() for module in imported_to_run() for distribution in sources.get(module, (module,))}
    asked = requirement_names(PYPROJECT["project"]["dependencies"])
    assert (asked - used - RUN_BY_NAME, used - asked - RUNS_WITH_ANOTHER) == (set(), set())


def test_every_kind_of_cue_has_a_row_that_says_what_it_means() -> None:
    assert [kind.name for kind in CueKind if kind not in CUE_TABLE or not CUE_TABLE[kind].means] == []


SHOWN_OTHERWISE = {CueKind.START_COUNT, CueKind.TERRAIN}
"""Cues without a verb of their own on the bar screen: a count is its number, a stretch its name."""


def test_every_kind_of_cue_has_its_verb_on_the_bar_screen_in_every_language() -> None:
    words = (ROOT / "web" / "parts" / "big-cue" / "words.js").read_text("utf-8")
    shown = {
        language: set(re.findall(r"(\w+): '[^']+'", verbs))
        for language, verbs in re.findall(r"^  (\w+): \{.*?^    cue: \{(.*?)\}", words, re.MULTILINE | re.DOTALL)
    }
    assert set(shown) == set(LANGUAGES)
    wanted = {kind.value for kind in set(CueKind) - SHOWN_OTHERWISE}
    assert {language: sorted(wanted - verbs) for language, verbs in shown.items() if wanted - verbs} == {}


SCREEN_SAYS_OTHERWISE = {
    *((language, "hold") for language in LANGUAGES),  # the voice says the figure alone
    *((language, "say") for language in LANGUAGES),  # the voice says the director's words
    *((language, "time") for language in LANGUAGES),  # the voice says the seconds
    ("de", "switch"),  # "Wechsel" is too wide for a phone at arm's length; "Raus" is what its rider does
}


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_bar_screen_shows_the_word_that_the_voice_says(language: str) -> None:
    """By root: the first four letters of each word on the screen are in the phrase."""
    words = (ROOT / "web" / "parts" / "big-cue" / "words.js").read_text("utf-8")
    block = re.search(
        rf"^  {language}: \{{.*?^    cue: \{{(.*?)\}}.*?^    terrain: \{{(.*?)\}}", words, re.MULTILINE | re.DOTALL
    )
    assert block is not None
    table = TABLES[language]
    said = {kind.value: " ".join(table.phrases[kind]).lower() for kind in CueKind} | {
        name: word.lower() for name, word in table.terrain.items()
    }
    shown = re.findall(r"(\w+): '([^']+)'", block[1] + block[2])
    assert {
        name: verb
        for name, verb in shown
        if name != "switch_next" and (language, name) not in SCREEN_SAYS_OTHERWISE
        if not all(word[:4].lower() in said[name] for word in verb.split())
    } == {}


def test_every_language_has_its_own_name_on_the_pages() -> None:
    names = (ROOT / "web" / "lib" / "languages.js").read_text("utf-8")
    assert tuple(re.findall(r"^  \['(\w+)', '[^']+'\],$", names, re.MULTILINE)) == LANGUAGES


def test_everything_a_page_may_say_can_be_tapped_somewhere() -> None:
    acts = {get_args(act.model_fields["act"].annotation)[0] for act in get_args(get_args(Act)[0])}
    folders = (ROOT / "web" / "parts", ROOT / "web" / "pages")
    scripts = "\n".join(path.read_text("utf-8") for folder in folders for path in folder.rglob("*.js"))
    assert sorted(act for act in acts if f"'{act}'" not in scripts) == []


def test_every_fact_says_what_happened() -> None:
    # A dataclass without a docstring is given one that begins with its own signature.
    told = {fact.__name__: fact.__doc__ or "" for fact in FACT_TYPES}
    assert [name for name, doc in told.items() if not doc.strip() or doc.startswith(f"{name}(")] == []


def test_every_command_is_shown_to_its_users() -> None:
    from typer.main import get_command

    from server.__main__ import app

    shown = README + DEVELOPERS
    command = get_command(app)
    assert [name for name in getattr(command, "commands", {}) if not re.search(rf"swingoff {name}\b", shown)] == []


def test_the_words_of_just_are_those_developers_md_lists() -> None:
    recipes = set(re.findall(r"^([a-z]+)(?: [^:\n]*)?:(?!=)", (ROOT / ".justfile").read_text("utf-8"), re.MULTILINE))
    assert recipes == set(re.findall(r"(?:`|/)just ([a-z]+)", DEVELOPERS))


def test_every_path_in_the_documents_is_there() -> None:
    paths = re.findall(r"`((?:caller|server|web|tests|scenarios|\.ci)/[\w./-]*)`", README + DEVELOPERS)
    assert [path for path in paths if not (ROOT / path).exists()] == []


# The arrows

CONTRACTS = (
    ("caller/rotation.py", "import time", "The core reads no clock"),
    ("caller/calling.py", "import datetime", "The core reads no clock"),
    ("caller/facts.py", "import pydantic", "The core reads no clock"),
    ("caller/rehearsal/__init__.py", "import pathlib", "The core reads no clock"),
    ("caller/cues.py", "import server.settings", "The server may import the caller"),
    ("caller/helpers.py", "", "Inside the core"),
    ("caller/race/__init__.py", "import caller.planner", "Inside the core"),
    ("caller/planner/__init__.py", "import caller.race", "Inside the core"),
    ("caller/facts.py", "import caller.rotation", "Inside the core"),
    ("caller/race/__init__.py", "import numpy", "Only the planner counts with arrays"),
    ("server/helpers.py", "", "Inside the server"),
    ("server/hub.py", "import server.runner", "Inside the server"),
    ("server/routes/__init__.py", "import caller.race", "Only the drivers of a race"),
    ("server/routes/__init__.py", "import caller.planner", "The planner is reached through the worker"),
    ("server/runner/__init__.py", "import caller.planner", "The planner is reached through the worker"),
    ("server/routes/__init__.py", "import server.store", "A route cannot touch the log"),
)
"""Where, what somebody might write there, and the contract that must break."""


def kept_and_broken(folder: Path) -> tuple[set[str], set[str], str]:
    """Import-linter's verdict on the tree in a folder: contracts kept, contracts broken, all it said."""
    ran = subprocess.run(
        [sys.executable, "-c", "from importlinter.cli import lint_imports_command as run; run()", "--no-cache"],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(folder), "COLUMNS": "200", "NO_COLOR": "1"},
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    said = ran.stdout + ran.stderr
    verdicts = re.findall(r"^(.+) (KEPT|BROKEN)\b", said, re.MULTILINE)
    return (
        {name for name, told in verdicts if told == "KEPT"},
        {name for name, told in verdicts if told == "BROKEN"},
        said,
    )


def test_arrows_point_down_only() -> None:
    names = {contract["name"] for contract in PYPROJECT["tool"]["importlinter"]["contracts"]}
    kept, broken, said = kept_and_broken(ROOT)
    assert (kept, broken) == (names, set()), said


@pytest.mark.parametrize(("module", "line", "contract"), CONTRACTS)
def test_an_arrow_that_points_up_is_caught(tmp_path: Path, module: str, line: str, contract: str) -> None:
    for name in ("caller", "server"):
        shutil.copytree(ROOT / name, tmp_path / name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    with (tmp_path / module).open("a", encoding="utf-8") as written:
        written.write(f"\n{line}\n")
    _, broken, said = kept_and_broken(tmp_path)
    assert [name for name in broken if name.startswith(contract)], said


# The browser that must not be missing unseen

NEEDS_A_BROWSER = """
async def test_of_a_page(browser):
    pass

def test_of_a_sum():
    pass
"""


@pytest.mark.parametrize(("in_ci", "expected"), [("", "1 passed, 1 skipped"), ("true", "1 passed, 1 error")])
def test_without_a_browser_its_tests_are_skipped_and_in_ci_they_fail(tmp_path: Path, in_ci: str, expected: str) -> None:
    shutil.copy(ROOT / "tests" / "conftest.py", tmp_path)
    (tmp_path / "test_it.py").write_text(NEEDS_A_BROWSER, "utf-8")
    (tmp_path / "pytest.ini").write_text("[pytest]\nasyncio_mode = auto\nmarkers = browser\n", "utf-8")
    ran = subprocess.run(
        [sys.executable, "-m", "pytest", "-rs", "-p", "no:cacheprovider", str(tmp_path)],
        env=os.environ | {"CI": in_ci, "CHROMIUM": str(tmp_path / "nowhere")},
        capture_output=True,
        text=True,
        check=False,
    )
    assert expected in ran.stdout
    assert "set CHROMIUM to its path" in ran.stdout

# One word a check. `.venv/bin/just` lists them; `python3 server/bootstrap.py check` has put it there.
set windows-shell := ["powershell.exe", "-NoLogo", "-Command"]

bin := if os_family() == "windows" { ".venv/Scripts" } else { ".venv/bin" }
python := bin / "python"

_words:
    @{{ bin }}/just --list --unsorted

# everything below that can fail, cheapest first
check: lint types imports js test

# rewrite the layout of all Python
format:
    {{ bin }}/ruff format .
    {{ bin }}/ruff check --fix .

# layout and habits of all Python
lint:
    {{ bin }}/ruff format --check .
    {{ bin }}/ruff check .

# strict types of the core and the server
types:
    {{ bin }}/mypy

# who may import whom
imports:
    {{ bin }}/lint-imports

# types and habits of the pages; needs Node, which nobody needs to run swingoff
js:
    {{ python }} -m tests.js

# all tests, or those named: just test tests/caller -k gap
test *words:
    {{ python }} -m pytest {{ words }}

# all benches, or those named; they print and assert nothing
bench *words:
    {{ python }} -m tests.bench {{ words }}

# the demo in the browser, or another: just rehearse demo --fast
rehearse *words="demo":
    {{ python }} -m server rehearse {{ words }}

# take a scenario's new transcript as right, after reading its difference: one at a time
bless name:
    {{ python }} -m tests.bless {{ name }}

# rewrite the files that are generated from code
docs:
    {{ python }} -m tests.web.generate_messages

# the ten largest files and functions; read it in review
shape:
    {{ python }} -m tests.shape

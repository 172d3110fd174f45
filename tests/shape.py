"""Prints the ten largest files and the ten longest functions. It doesn't fail: it is read in review.

    python -m tests.shape

A function's length leaves out its docstring; files are Python of the core, the server and the tests, and the pages'
JavaScript and CSS.
"""

import ast
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
MOST = 10


def files() -> Iterator[Path]:
    """All source files."""
    for folder in ("caller", "server", "tests"):
        yield from (ROOT / folder).rglob("*.py")
    for ending in ("js", "css"):
        yield from (path for path in (ROOT / "web").rglob(f"*.{ending}") if "node_modules" not in path.parts)


def functions(path: Path) -> Iterator[tuple[int, str]]:
    """(lines, where) of each function in a Python file."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            first = node.body[0]
            told = ast.get_docstring(node) is not None and first.end_lineno is not None
            docstring = (first.end_lineno or 0) - first.lineno + 1 if told else 0
            yield (
                (node.end_lineno or node.lineno) - node.lineno + 1 - docstring,
                f"{name(path)}:{node.lineno} {node.name}",
            )


def name(path: Path) -> str:
    """A file's place in the tree."""
    return path.relative_to(ROOT).as_posix()


def main() -> None:
    """Print both lists, largest first."""
    sources = sorted(files())
    lines = [(len(path.read_text("utf-8").splitlines()), name(path)) for path in sources]
    lengths = [found for path in sources if path.suffix == ".py" for found in functions(path)]
    for title, counted in (("files", lines), ("functions", lengths)):
        print(f"largest {title}, in lines, of {len(counted)}")
        for count, where in sorted(counted, key=lambda row: (-row[0], row[1]))[:MOST]:
            print(f"  {count:5}  {where}")


if __name__ == "__main__":
    main()

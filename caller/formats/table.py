"""A table of distance and height, typed, pasted or saved by a spreadsheet, to a course. Must not know of markup.

One row a line. Columns are parted by semicolon, tab, comma or blanks. A heading may name them, in any order and in
six languages: distance, height and, if wanted, a landmark. Without a heading the first column is distance, the second
height. Metres, unless the heading of the distance says km. Blank lines, and lines that begin with #, don't count. A
decimal comma is read where it cannot be a mark of thousands. An empty height is one not known.
"""

import csv
import math
import re
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from caller.course import HEIGHTS_M, LENGTHS_M, Course, Landmark, course_from_profile, plain_text
from caller.errors import FileRefused

__all__ = ["MOST_ROWS", "table_course"]

MOST_ROWS = 300_000
_LONGEST_LINE = 2_000

_DELIMITERS = (";", "\t", ",")
_DISTANCE = ("dist", "strecke", "entfernung", "afstand", "km", "kilomet", "chainage")
_HEIGHT = ("height", "ele", "alt", "hohe", "hoehe", "hoogte", "hauteur", "quota")
_LANDMARK = ("landmark", "mark", "place", "name", "ort", "lieu", "lugar", "luogo", "plaats")
"""How headings begin, or what they hold, without accents: English, Spanish, French, German, Italian and Dutch."""

_FOREIGN_UNITS = {"mi": "miles", "mile": "miles", "miles": "miles", "ft": "feet", "feet": "feet", "yd": "yards"}
_THOUSANDS = re.compile(r"[+-]?\d{1,3},\d{3}")
_DECIMAL_COMMA = re.compile(r"[+-]?\d*,\d+")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Columns:
    """Which column is what, and the unit of distance. ``landmark`` is None where there is none."""

    distance: int
    height: int
    landmark: int | None
    metres: float
    count: int | None


@dataclass(frozen=True, slots=True)
class _Row:
    line: int
    cells: tuple[str, ...]


def table_course(text: str, what: str, name: str) -> Course:
    """The course a table describes.

    Args:
        text: the whole table.
        what: the file's or course's name, for the sentence.
        name: the course's.
    Raises: FileRefused: the table cannot be read, or a figure is out of range; the sentence names the line.
    """
    rows = list(_rows(text, what))
    if not rows:
        raise FileRefused(what, "", "no rows", "expected distance and height, one pair a line")
    columns = _columns(rows[0], what)
    body = rows if columns.count is None else rows[1:]
    if len(body) < 2:
        found = f"{len(body)} row{'' if len(body) == 1 else 's'} of figures"
        raise FileRefused(what, "", found, "expected at least 2, the first at the start, the last at the finish")
    for row in body:
        _check_width(row, columns, what)
    distances_m = _distances(body, columns, what)
    heights_m = [_height(row, cell, what) for row, cell in _cells(body, columns.height, "height", what)]
    landmarks = [
        Landmark(name=label, at_m=at_m)
        for row, at_m in zip(body, distances_m, strict=True)
        if columns.landmark is not None and (label := plain_text(row.cells[columns.landmark], 40))
    ]
    return course_from_profile(name=name, distance_m=distances_m, height_m=heights_m, landmarks=landmarks, what=what)


def _rows(text: str, what: str) -> Iterator[_Row]:
    delimiter: str | None = None
    for line, raw in enumerate(text.splitlines(), 1):
        stripped = raw.strip(" \r\ufeff")
        if not stripped.strip() or stripped.startswith("#"):
            continue
        if "\0" in stripped:
            raise FileRefused(what, f"line {line}", "a zero byte", "expected text")
        if len(stripped) > _LONGEST_LINE:
            raise FileRefused(what, f"line {line}", f"{len(stripped)} characters", f"expected at most {_LONGEST_LINE}")
        if line > MOST_ROWS:
            raise FileRefused(what, f"line {line}", f"more than {MOST_ROWS:,} lines", "expected fewer")
        if delimiter is None:
            delimiter = next((mark for mark in _DELIMITERS if mark in stripped), " ")
        yield _Row(line, tuple(cell.strip() for cell in _split(stripped, delimiter)))


def _split(line: str, delimiter: str) -> list[str]:
    if delimiter == " ":
        return line.split()
    return next(csv.reader([line], delimiter=delimiter))


def _columns(row: _Row, what: str) -> _Columns:
    if any(_is_figure(cell) for cell in row.cells):
        return _Columns(distance=0, height=1, landmark=None, metres=1.0, count=None)
    heads = [_plain(cell) for cell in row.cells]
    distance = _column(heads, _DISTANCE, ())
    height = _column(heads, _HEIGHT, (distance,))
    if distance is None or height is None:
        missing = "distance" if distance is None else "height"
        found = f"no column of {missing} in {plain_text(' | '.join(row.cells), 60)!r}"
        raise FileRefused(
            what, f"line {row.line}", found, "expected a heading such as 'distance_km; height_m', or figures"
        )
    for column in (distance, height):
        for word in re.findall(r"[a-z]+", heads[column]):
            if word in _FOREIGN_UNITS:
                raise FileRefused(what, f"line {row.line}", _FOREIGN_UNITS[word], "expected metres or kilometres")
    in_km = re.search(r"(^|[^a-z])(km|kilomet[a-z]*)([^a-z]|$)", heads[distance])
    return _Columns(
        distance=distance,
        height=height,
        landmark=_column(heads, _LANDMARK, (distance, height)),
        metres=1000.0 if in_km else 1.0,
        count=len(heads),
    )


def _column(heads: Sequence[str], words: Sequence[str], taken: Sequence[int | None]) -> int | None:
    free = [index for index in range(len(heads)) if index not in taken]
    bare = [index for index in free if words is _HEIGHT and heads[index] == "m"]
    starts = [index for index in free if heads[index].startswith(tuple(words))]
    holds = [index for index in free if any(word in heads[index] for word in words)]
    return next(iter(starts + bare + holds), None)


def _check_width(row: _Row, columns: _Columns, what: str) -> None:
    found = f"{len(row.cells)} column{'' if len(row.cells) == 1 else 's'}"
    if columns.count is None:
        if len(row.cells) < 2 or any(row.cells[2:]):
            allowed = "expected 2, distance and height (where commas are decimal, part the columns by semicolons)"
            raise FileRefused(what, f"line {row.line}", found, allowed)
        return
    needed = max(columns.distance, columns.height, columns.landmark or 0) + 1
    if not needed <= len(row.cells) <= columns.count:
        raise FileRefused(what, f"line {row.line}", found, f"expected {columns.count} as in the heading")


def _cells(body: Sequence[_Row], column: int, name: str, what: str) -> Iterator[tuple[_Row, str]]:
    """A column's cells, with a decimal point for each decimal comma."""
    commas = [(row, row.cells[column]) for row in body if "," in row.cells[column]]
    if commas and all(_THOUSANDS.fullmatch(cell) for _, cell in commas):
        row, cell = commas[0]
        allowed = f"write {cell.replace(',', '')} or {cell.replace(',', '.')}"
        raise FileRefused(what, f"line {row.line}", f"{name} {cell!r}, which may be read two ways", allowed)
    for row in body:
        cell = row.cells[column]
        yield row, cell.replace(",", ".") if _DECIMAL_COMMA.fullmatch(cell) else cell


def _distances(body: Sequence[_Row], columns: _Columns, what: str) -> list[float]:
    if columns.metres == 1.0:
        cells = list(_cells(body, columns.distance, "distance", what))
    else:  # in kilometres a mark of thousands would be beyond the longest course
        cells = [(row, row.cells[columns.distance].replace(",", ".", 1)) for row in body]
    distances_m: list[float] = []
    for row, cell in cells:
        at_m = round(_figure(row, cell, "distance", what) * columns.metres, 6)
        where = f"line {row.line}"
        if not distances_m and at_m != 0:
            raise FileRefused(what, where, f"distance {at_m:.9g} m", "expected 0: the first row is the start")
        if distances_m and at_m <= distances_m[-1]:
            found = f"distance {at_m:.9g} m after {distances_m[-1]:.9g} m"
            raise FileRefused(what, where, found, "expected distances that grow from row to row")
        if at_m > LENGTHS_M[1]:
            found = f"distance {at_m:.9g} m"
            raise FileRefused(what, where, found, f"expected at most {LENGTHS_M[1] / 1000:g} km")
        distances_m.append(at_m)
    return distances_m


def _height(row: _Row, cell: str, what: str) -> float | None:
    if not cell:
        return None
    height_m = _figure(row, cell, "height", what)
    low, high = HEIGHTS_M
    if not low <= height_m <= high:
        found = f"height {height_m:.9g} m"
        raise FileRefused(
            what, f"line {row.line}", found, f"expected {low:g} to {high:g} m, or nothing where it isn't known"
        )
    return height_m


def _figure(row: _Row, cell: str, name: str, what: str) -> float:
    if not _is_figure(cell):
        raise FileRefused(what, f"line {row.line}", f"{name} {plain_text(cell, 24)!r}", "expected a number")
    return float(cell)


def _is_figure(cell: str) -> bool:
    try:
        return "_" not in cell and math.isfinite(float(cell.replace(",", ".", 1)))
    except ValueError:
        return False


def _plain(head: str) -> str:
    decomposed = unicodedata.normalize("NFKD", head.casefold())
    return "".join(letter for letter in decomposed if not unicodedata.combining(letter)).strip()

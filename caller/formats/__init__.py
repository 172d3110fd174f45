"""Bytes and text people bring, to courses, or one sentence that says why not. Must not know of riders or races."""

from caller.course import Course
from caller.errors import FileRefused
from caller.formats.content import MOST_BYTES, Content, content_of, short_name
from caller.formats.path import course_from_tracks
from caller.formats.table import table_course
from caller.formats.tracks import read_tracks

__all__ = ["MOST_BYTES", "read_course", "read_table"]


def read_course(data: bytes, file_name: str) -> Course:
    """The course a file holds.

    Taken are GPX 1.0 and 1.1 (tracks, else routes), TCX (courses, or the track points of activities), and tables of
    distance and height (columns parted by comma, semicolon, tab or blanks; see caller.formats.table). What a file is
    follows from its content, never from its name.

    Args:
        data: the whole file, at most MOST_BYTES.
        file_name: as its owner knows it; named in refusals, and the course's name if the file holds none.
    Returns: the course; what was filled in, bridged or chosen stands in its notes.
    Raises: FileRefused: the file isn't one of these, is damaged, or a figure in it is out of range.
    """
    what = short_name(file_name)
    if len(data) > MOST_BYTES:
        found = f"{len(data) / 1e6:.1f} MB"
        raise FileRefused(what, "", found, f"expected at most {MOST_BYTES / 1e6:g} MB; one course a file")
    content, text = content_of(data, what)
    if content is Content.TABLE:
        return table_course(text, what, _without_ending(what))
    return course_from_tracks(read_tracks(text, what), what, _without_ending(what))


def read_table(text: str, name: str) -> Course:
    """The course that a typed or pasted table of distance and height describes.

    Args:
        text: one row a line, as in caller.formats.table.
        name: of the course; also named in refusals.
    Raises: FileRefused: a row cannot be read, or a figure in it is out of range; the sentence names the line.
    """
    what = short_name(name) or "table"
    if len(text) > MOST_BYTES:
        found = f"{len(text) / 1e6:.1f} million characters"
        raise FileRefused(what, "", found, f"expected at most {MOST_BYTES / 1e6:g} million")
    return table_course(text, what, what)


def _without_ending(file_name: str) -> str:
    stem, dot, ending = file_name.rpartition(".")
    return stem if dot and stem and len(ending) <= 4 else file_name

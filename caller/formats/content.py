"""What bytes are, by their content, and the text in them. Must not know what the text means."""

import codecs
import re
from enum import Enum

from caller.course import plain_text
from caller.errors import FileRefused

__all__ = ["MOST_BYTES", "Content", "content_of", "short_name"]

MOST_BYTES = 25_000_000
"""Largest file taken. A day's ride at one point a second with heart rate and power is about 20 MB."""

_WANTED = "expected a GPX or TCX course, or a table of distance and height"


class Content(Enum):
    """What a file's text is, as far as its first characters show."""

    MARKUP = "XML"
    TABLE = "table"


_SIGNATURES: tuple[tuple[int, bytes, str], ...] = (
    (0, b"PK\x03\x04", "a ZIP archive (spreadsheets are packed so too)"),
    (0, b"\x1f\x8b", "a packed file (gzip)"),
    (0, b"\x89PNG", "a picture (PNG)"),
    (0, b"\xff\xd8\xff", "a picture (JPEG)"),
    (0, b"GIF8", "a picture (GIF)"),
    (0, b"%PDF", "a PDF document"),
    (8, b".FIT", "a FIT file"),
)
"""(offset, bytes, what it is) of the files that people upload by mistake. The numbers are each format's own."""

_BYTE_ORDER_MARKS: tuple[tuple[bytes, str], ...] = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),  # before UTF-16, whose mark it begins with
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_BARE_STARTS: tuple[tuple[bytes, str], ...] = ((b"<\x00", "utf-16-le"), (b"\x00<", "utf-16-be"))

_CODECS = ("ascii", "utf-8", "iso8859", "cp", "koi8", "mac", "gb", "big5", "euc", "shift", "tis", "johab", "iso2022")
"""How the names of acceptable codecs begin. Python knows others that unpack, or take their time: none of those."""

_DECLARED = re.compile(rb"""^\s*<\?xml[^>]{0,80}?encoding\s*=\s*["']([A-Za-z][A-Za-z0-9._-]{0,39})["']""")
_DECLARATION = re.compile(r"^\s*<\?xml[^>]{0,200}\?>")
"""Left out of the decoded text, which has no encoding any more. Its line breaks stay: lines keep their numbers."""

_WEB_PAGE = re.compile(r"(<\?[^>]*>\s*)?<(!doctype\s+html|html|head|body)\b", re.IGNORECASE)
_CONTROLS = re.compile(r"[\x00-\x08\x0e-\x1a\x1c-\x1f]")


def content_of(data: bytes, what: str) -> tuple[Content, str]:
    """Tell markup from a table, and decode it.

    Args:
        data: the whole file.
        what: its name, for the sentence.
    Raises: FileRefused: it is empty, something else altogether, or not in the encoding it declares.
    """
    if not data.strip(b"\x00 \t\r\n"):
        raise FileRefused(what, "", "nothing in it", _WANTED)
    for offset, signature, kind in _SIGNATURES:
        if data.startswith(signature, offset):
            raise FileRefused(what, "", kind, _WANTED)
    text = _decoded(data, what).lstrip("\ufeff")
    start = text[:2000].lstrip()
    if start.startswith("<"):
        if _WEB_PAGE.match(start):
            found = "a web page; the link leads to a page about the course, not to its file"
            raise FileRefused(what, "", found, _WANTED)
        return Content.MARKUP, _DECLARATION.sub(lambda match: "\n" * match[0].count("\n"), text, count=1)
    if _CONTROLS.search(text[:100_000]):
        raise FileRefused(what, "", "bytes that are no text", _WANTED)
    if start.startswith(("{", "[")):
        raise FileRefused(what, "", "JSON", _WANTED)
    return Content.TABLE, text


def short_name(file_name: str) -> str:
    """A file's name without its folders, fit to be shown."""
    return plain_text(re.split(r"[/\\]", file_name.rstrip("/\\"))[-1])


def _decoded(data: bytes, what: str) -> str:
    mark, marked = next((pair for pair in _BYTE_ORDER_MARKS if data.startswith(pair[0])), (b"", ""))
    bare = next((name for start, name in _BARE_STARTS if data.startswith(start)), "")
    declared = _DECLARED.search(data[:400])
    name = marked or bare or (declared[1].decode("ascii") if declared else "")
    try:
        codec = codecs.lookup(name or "utf-8").name
    except LookupError:
        codec = ""
    if not marked and not bare and codec.startswith(("utf-16", "utf-32")):
        codec = "utf-8"  # the declaration was legible as single bytes, so it is wrong
    if not codec.startswith((*_CODECS, "utf-16", "utf-32")):
        raise FileRefused(what, "line 1", f"encoding {name!r}", "expected one we can read; save the file as UTF-8")
    body = data[len(mark) :]
    try:
        return body.decode(codec)
    except UnicodeDecodeError as error:
        if not name and not body.lstrip().startswith(b"<"):
            return body.decode("cp1252", errors="replace")  # a table saved by an old spreadsheet: its figures are ASCII
        line = body.count(b"\n", 0, error.start) + 1
        found = f"bytes that are not {codec.upper()}"
        raise FileRefused(
            what, f"line {line}", found, "save the file as UTF-8, or declare the right encoding"
        ) from None

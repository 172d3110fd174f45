"""Which edition of the pages this server has: what they are made of, and a name that follows from their content.

A page kept for the day without a network must not outlive an upgrade, nor be patched together from two.
"""

import hashlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

__all__ = ["PAGE_TYPES", "Edition", "edition_of"]

PAGE_TYPES = {
    ".css": "text/css",
    ".html": "text/html",
    ".ico": "image/vnd.microsoft.icon",
    ".js": "text/javascript",
    ".json": "application/json",
    ".png": "image/png",
    ".svg": "image/svg+xml",
    ".wav": "audio/wav",
    ".webmanifest": "application/manifest+json",
    ".woff2": "font/woff2",
}
"""What pages are made of, by a file's ending. What a machine believes of one is anybody's guess; a browser runs no
module of another type."""

_NOT_OF_PAGES = frozenset({"node_modules", "eslint.config.js", "package.json", "package-lock.json", "jsconfig.json"})


class Edition(NamedTuple):
    """The pages as they are now.

    Attributes:
        name: 16 hexadecimal digits that follow from every file's path and content.
        files: their paths beneath the folder, with ``/`` between.
    """

    name: str
    files: tuple[str, ...]


_known: dict[Path, tuple[tuple[tuple[str, int, int], ...], Edition]] = {}


def edition_of(web_dir: Path) -> Edition:
    """The edition in a folder. Read anew only if a file's size or time has changed. Raises: OSError."""
    marks = tuple(sorted(_marks(web_dir)))
    known = _known.get(web_dir)
    if known is not None and known[0] == marks:
        return known[1]
    digest = hashlib.sha256()
    for name, _, _ in marks:
        content = (web_dir / name).read_bytes()
        digest.update(f"{name} {len(content)}\n".encode())
        digest.update(content)
    # Another worker is another edition too, but no page is made of it.
    files = tuple(name for name, _, _ in marks if name != "sw.js")
    edition = Edition(name=digest.hexdigest()[:16], files=files)
    _known[web_dir] = marks, edition
    return edition


def _marks(web_dir: Path) -> Iterator[tuple[str, int, int]]:
    """Path, size and time of each file that pages are made of."""
    for folder, folders, names in os.walk(web_dir):
        folders[:] = [name for name in folders if name not in _NOT_OF_PAGES]
        for name in names:
            path = Path(folder, name)
            if path.suffix in PAGE_TYPES and name not in _NOT_OF_PAGES:
                stat = path.stat()
                yield path.relative_to(web_dir).as_posix(), stat.st_size, stat.st_mtime_ns

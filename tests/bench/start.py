"""How soon after the start command the first page is there, and what each page weighs.

Starts the real server on a data directory of its own, three times, and reads pages as a browser would: the page, what
it links, what those import. Weights are bytes as sent, without compression; nothing is cached between pages.
"""

import re
import statistics
import tempfile
import time
import urllib.request
from pathlib import Path
from urllib.parse import urljoin

from tests.conftest import LiveServer

STARTS = 3
PAGES = {
    "home": "/",
    "set-up": "/race/ABCDEF",
    "lobby": "/lobby/ABCDEF",
    "desk": "/desk/ABCDEF",
    "bar screen": "/bars/ABCDEF",
    "join": "/join",
}
NEEDS = re.compile(
    rb"""<script[^>]+src="([^"]+)|<link[^>]+href="([^"]+)|(?:from|import)\s*\(?['"]([^'"]+\.js)['"]|url\(["']?([^"')]+)"""
)
"""Where a page, a module or a style sheet names what it needs."""


def weigh(server: LiveServer, path: str) -> tuple[int, int]:
    """(files, bytes) of a page with all it needs."""
    sizes: dict[str, int] = {}
    wanted = [server.url + path]
    while wanted:
        url = wanted.pop()
        if url in sizes or not url.startswith(server.url):
            continue
        with urllib.request.urlopen(url) as answer:
            body = answer.read()
        sizes[url] = len(body)
        if not url.endswith((".svg", ".png", ".woff2", ".wav")):
            wanted += [urljoin(url, next(filter(None, found)).decode()) for found in NEEDS.findall(body)]
    return len(sizes), sum(sizes.values())


def main() -> None:
    """Start, time, weigh, print."""
    times = []
    with tempfile.TemporaryDirectory() as folder:
        for number in range(STARTS):
            server = LiveServer(Path(folder) / f"data{number}")
            began = time.perf_counter()
            server.start()
            with urllib.request.urlopen(server.url + "/") as answer:
                answer.read()
            times.append(time.perf_counter() - began)
            if number == STARTS - 1:
                print(f"start to first page: {statistics.median(times):.2f} s (median of {STARTS})")
                for name, path in PAGES.items():
                    count, size = weigh(server, path)
                    print(f"{name:12} {size / 1024:7.1f} KiB in {count} files")
            server.stop()


if __name__ == "__main__":
    main()

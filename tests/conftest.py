"""What tests share: a server of one's own on a free port, and a real Chromium where one is installed.

    async def test_a_page_says_hello(live_server, browser): ...

A test that asks for ``browser`` is marked ``browser`` by itself. Without a Chromium it is skipped and says why; under
``CI=true`` a skipped browser test is a failure.
"""

import contextlib
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import AsyncIterator, Generator, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

ROOT = Path(__file__).resolve().parent.parent
IN_CI = os.environ.get("CI", "").lower() in {"1", "true", "yes"}

# At a desk laws are tried on new cases each time; in CI on the same ones, so that a change fails for its own faults.
settings.register_profile("ci", derandomize=True)
settings.load_profile("ci" if IN_CI else "default")

CHROMIUM_COMMANDS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "msedge")
CHROMIUM_PLACES = (
    "/usr/bin/chromium",
    "/Applications/Chromium.app/Contents/MacOS/Chromium",
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "/Applications/Microsoft Edge.app/Contents/MacOS/Microsoft Edge",
    "C:/Program Files/Google/Chrome/Application/chrome.exe",
    "C:/Program Files (x86)/Google/Chrome/Application/chrome.exe",
    "C:/Program Files (x86)/Microsoft/Edge/Application/msedge.exe",
)
CHROMIUM_FLAGS = (
    "--autoplay-policy=no-user-gesture-required",  # the sound check's tap is tested by itself; elsewhere sound is on
    "--disable-background-networking",  # on a closed network a browser that phones home only waits
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
)
START_WITHIN_S = 30.0


# A server of one's own


class LiveServer:
    """The real server as a process of its own, on a port and a data directory of its own.

    ``kill`` ends it as a power cut would; ``start`` brings it back on the same port with the same data.
    """

    def __init__(self, data: Path, *, port: int | None = None) -> None:
        self.data = data
        self.port = port or free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.socket_url = f"ws://127.0.0.1:{self.port}"
        self._log = data.parent / f"{data.name}-server.log"
        self._process: subprocess.Popen[bytes] | None = None

    def start(self, *words: str) -> None:
        """Start it and wait until it answers. Raises AssertionError with its output if it doesn't.

        Args:
            words: what stands after ``swingoff``, such as ``"rehearse", "demo"``; none serves.
        """
        assert self._process is None, "the server runs already"
        told = ["--port", str(self.port), "--data", str(self.data), "--no-browser"]
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "server", *words, *told],
                cwd=ROOT,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
            )
        self._wait_until_it_answers()

    def _wait_until_it_answers(self) -> None:
        assert self._process is not None
        end = time.monotonic() + START_WITHIN_S
        while time.monotonic() < end:
            if self._process.poll() is not None:
                raise AssertionError(f"the server stopped with code {self._process.returncode}:\n{self.output()}")
            with contextlib.suppress(OSError), urllib.request.urlopen(f"{self.url}/api/health", timeout=2) as answer:
                if answer.status == 200:
                    return
            time.sleep(0.05)
        raise AssertionError(f"the server did not answer within {START_WITHIN_S:.0f} s:\n{self.output()}")

    @property
    def pid(self) -> int:
        """The process's number, for what only the system tells (memory, open files)."""
        assert self._process is not None, "the server does not run"
        return self._process.pid

    def kill(self) -> None:
        """End it with no chance to tidy up, as ``kill -9`` does."""
        assert self._process is not None, "the server does not run"
        self._process.kill()
        self._process.wait()
        self._process = None

    def pause(self) -> None:
        """Let it answer nothing more, as a network does that swallows everything; ``go_on`` ends that. POSIX only."""
        os.kill(self.pid, signal.SIGSTOP)

    def go_on(self) -> None:
        """It answers again."""
        os.kill(self.pid, signal.SIGCONT)

    def stop(self) -> None:
        """Ask it to end; insist after ten seconds. Does nothing if it doesn't run."""
        if self._process is None:
            return
        if self._process.poll() is None:
            self._process.send_signal(signal.SIGTERM if os.name == "posix" else signal.SIGBREAK)  # type: ignore[attr-defined,unused-ignore]
            try:
                self._process.wait(timeout=10)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
        self._process = None

    def wait_until_it_says(self, words: str) -> None:
        """Wait until it has printed these words. Raises AssertionError with its output if it doesn't."""
        end = time.monotonic() + START_WITHIN_S
        while words not in self.output():
            if time.monotonic() > end:
                raise AssertionError(
                    f"the server did not say {words!r} within {START_WITHIN_S:.0f} s:\n{self.output()}"
                )
            time.sleep(0.05)

    def output(self) -> str:
        """Everything it has printed so far."""
        return self._log.read_text("utf-8", "replace") if self._log.exists() else ""

    def call(self, method: str, path: str, body: Any = None, ticket: str | None = None) -> Any:
        """One JSON request; the answer's JSON. Raises urllib.error.HTTPError on 4xx and 5xx."""
        request = urllib.request.Request(self.url + path, method=method)
        if ticket is not None:
            request.add_header("Authorization", f"Bearer {ticket}")
        if body is not None:
            request.add_header("Content-Type", "application/json")
            request.data = json.dumps(body).encode()
        with urllib.request.urlopen(request, timeout=30) as answer:
            return json.loads(answer.read() or b"null")


def free_port() -> int:
    """A port that nobody listened on a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@pytest.fixture
def live_server(tmp_path: Path) -> Iterator[LiveServer]:
    """A running server; what it printed is shown if the test fails."""
    server = LiveServer(tmp_path / "data")
    try:
        server.start()
        yield server
    finally:
        server.stop()
        print(server.output())


# A real Chromium


def find_chromium() -> str | None:
    """The path of a Chromium to drive, or None. ``CHROMIUM`` in the environment wins."""
    told = os.environ.get("CHROMIUM")
    if told:
        return told if Path(told).is_file() else None
    for place in CHROMIUM_PLACES:
        if Path(place).is_file():
            return place
    for command in CHROMIUM_COMMANDS:
        found = shutil.which(command)
        if found:
            return found
    return _playwrights_own()


def _playwrights_own() -> str | None:
    folder = os.environ.get("PLAYWRIGHT_BROWSERS_PATH")
    candidates = [Path(folder)] if folder else []
    candidates += [
        Path.home() / ".cache/ms-playwright",
        Path.home() / "Library/Caches/ms-playwright",
        Path.home() / "AppData/Local/ms-playwright",
    ]
    names = ("chrome-linux*/chrome", "chrome-mac*/*.app/Contents/MacOS/*", "chrome-win*/chrome.exe")
    for candidate in candidates:
        for name in names:
            for path in sorted(candidate.glob(f"chromium-*/{name}"), reverse=True):
                return str(path)
    return None


@pytest.fixture(scope="session")
def chromium_path() -> str:
    """The path of a Chromium; skips, saying how to get one, where there is none."""
    path = find_chromium()
    if path is None:
        pytest.skip("no Chromium found: install one (Debian: apt install chromium) or set CHROMIUM to its path")
    return path


@pytest.fixture(scope="session")
def playwright_driver() -> None:
    """Playwright's own Node starts; skips, saying what it wants, where it doesn't (bare systems lack libatomic)."""
    driver = pytest.importorskip("playwright._impl._driver", reason="playwright is not installed: install .[dev]")
    started = subprocess.run([driver.compute_driver_executable()[0], "--version"], capture_output=True, check=False)
    if started.returncode:
        pytest.skip(f"Playwright's driver does not start: {started.stderr.decode('utf-8', 'replace').strip()}")


@pytest.fixture
async def browser(chromium_path: str, playwright_driver: None) -> AsyncIterator[Any]:
    """A Playwright ``Browser`` (its asynchronous kind: the synchronous one keeps a loop that other tests trip over)."""
    from playwright.async_api import async_playwright

    as_root = hasattr(os, "geteuid") and os.geteuid() == 0
    flags = [*CHROMIUM_FLAGS, *(["--no-sandbox"] if as_root else [])]  # its sandbox refuses to start for root
    async with async_playwright() as playwright:
        chromium = await playwright.chromium.launch(executable_path=chromium_path, args=flags)
        try:
            yield chromium
        finally:
            await chromium.close()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark each test that drives a browser."""
    for item in items:
        if {"browser", "chromium_path"} & set(getattr(item, "fixturenames", ())):
            item.add_marker(pytest.mark.browser)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """In CI the browser is there by the script's own doing: a browser test that skips there has a fault behind it."""
    report = yield
    if IN_CI and report.skipped and not hasattr(report, "wasxfail") and item.get_closest_marker("browser"):
        report.outcome = "failed"
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
        report.longrepr = f"skipped, which in CI is a failure: {reason}"
    return report

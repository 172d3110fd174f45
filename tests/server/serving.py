"""For tests: the real application under the real uvicorn on a free port, in the test's own loop, so that a test can
look inside; and pages that are real socket clients.
"""

import asyncio
import contextlib
import functools
import json
import logging
import socket
from collections.abc import AsyncIterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import httpx
import uvicorn
import websockets
from websockets.asyncio.client import ClientConnection

from caller.formats import read_table
from caller.plan import RaceRules
from server.app import make_app, server_config
from server.planning import best_plan
from server.routes.asking import Parts
from server.runner.draft import Draft, riders_from_forms, roster_of
from server.settings import Limits, Settings
from server.wire.http import RiderForm

ROOT = Path(__file__).resolve().parents[2]

RIDERS = [
    {
        "name": name,
        "mass_kg": 66 + 3 * place,
        "critical_power_w": 310 - 10 * place,
        "w_prime_j": 20_000,
        "height_cm": 178,
    }
    for place, name in enumerate(("Maya", "Otto", "Ana", "Jo"))
]
ROWS = [[0, 20], [3_000, 22], [5_000, 110], [7_000, 25], [9_000, 20]]


def settings_for(data: Path, **limits: Any) -> Settings:
    """Settings for a test: its own directory, no voice."""
    return Settings(
        port=0,
        data_dir=data,
        web_dir=ROOT / "web",
        scenario_dir=ROOT / "scenarios",
        limits=replace(Limits(), **limits),
        voice=False,
    )


@functools.cache
def ready_draft() -> Draft:
    """Four riders on nine kilometres, and a plan for them."""
    course = read_table("\n".join(f"{distance_m} {height_m}" for distance_m, height_m in ROWS), "Nine")
    draft = Draft(
        name="Evening race",
        course=course,
        riders=riders_from_forms([RiderForm.model_validate(rider) for rider in RIDERS]),
        rules=RaceRules(counted=3),
    )
    return replace(draft, plan=best_plan(course, roster_of(draft), draft.rules, "steady"))


class Page:
    """One page's end of the socket."""

    def __init__(self, connection: ClientConnection) -> None:
        self.connection = connection
        self._taps = 0

    async def send(self, **message: Any) -> None:
        """One frame."""
        await self.connection.send(json.dumps(message))

    async def tap(self, act: str, *, tap: str | None = None, seen_ms: int | None = None, **words: Any) -> str:
        """An act; answers the tap's key."""
        self._taps += 1
        key = tap or f"tap-{id(self)}-{self._taps}"
        await self.send(kind="tap", tap=key, seen_ms=seen_ms, act={"act": act, **words})
        return key

    async def next(self, *kinds: str, within_s: float = 5.0) -> dict[str, Any]:
        """The next message of one of these kinds; those of others are let go by."""
        async with asyncio.timeout(within_s):
            while True:
                message: dict[str, Any] = json.loads(await self.connection.recv())
                if not kinds or message["kind"] in kinds:
                    return message

    async def settled(self, tap: str) -> dict[str, Any]:
        """What became of a tap: ack or error."""
        while True:
            message = await self.next("ack", "error")
            if message["tap"] == tap:
                return message

    async def close(self) -> None:
        """Goes away."""
        await self.connection.close()


@dataclass(slots=True)
class Made:
    """A race that was made over HTTP."""

    code: str
    ticket: str
    links: dict[str, Any] = field(default_factory=dict)

    def ticket_of(self, rider: str) -> str:
        """A rider's own ticket."""
        url: str = next(link["url"] for link in self.links["riders"] if link["rider"] == rider)
        return url.partition("#")[2]


class Arena:
    """A running server and those who talk to it."""

    def __init__(self, parts: Parts, port: int, http: httpx.AsyncClient) -> None:
        self.parts = parts
        self.port = port
        self.http = http
        self._pages: list[Page] = []

    @property
    def url(self) -> str:
        """Where it listens."""
        return f"http://127.0.0.1:{self.port}"

    def socket_url(self, code: str) -> str:
        """Of a race's socket."""
        return f"ws://127.0.0.1:{self.port}/api/races/{code}/live"

    async def call(self, method: str, path: str, body: Any = None, ticket: str | None = None) -> httpx.Response:
        """One JSON request."""
        headers = {} if ticket is None else {"Authorization": f"Bearer {ticket}"}
        return await self.http.request(method, path, json=body, headers=headers)

    async def opened(self, name: str = "Evening race") -> Made:
        """A race with four riders on nine kilometres, planned and open."""
        made = await self.set_up(name)
        race = await self.parts.house.race(made.code)
        await self.parts.house._save(race, replace(race.draft, plan=ready_draft().plan))
        links = await self.call("POST", f"/api/races/{made.code}/open", ticket=made.ticket)
        assert links.status_code == 200, links.text
        made.links = links.json()
        return made

    async def set_up(self, name: str = "Evening race") -> Made:
        """The same, not yet planned. Put in at the back door: starting the workers each time would take a second."""
        answer = await self.call("POST", "/api/races", {"name": name})
        made = Made(**answer.json())
        race = await self.parts.house.race(made.code)
        await self.parts.house._save(race, replace(ready_draft(), name=name, plan=None))
        return made

    async def connect(self, code: str, **options: Any) -> ClientConnection:
        """A bare socket."""
        connection = await websockets.connect(self.socket_url(code), max_size=None, **options)
        self._pages.append(Page(connection))
        return connection

    async def page(self, code: str, ticket: str, **options: Any) -> Page:
        """A page that has said hello and been welcomed."""
        page = Page(await self.connect(code, **options))
        await page.send(kind="hello", ticket=ticket)
        await page.next("welcome")
        return page

    async def close(self) -> None:
        """Every page goes away."""
        await asyncio.gather(*(page.close() for page in self._pages), return_exceptions=True)


@contextlib.asynccontextmanager
async def arena(data: Path, **limits: Any) -> AsyncIterator[Arena]:
    """A server of one's own, gone afterwards. What it holds on disk stays."""
    async with serving(settings_for(data, **limits)) as running:
        yield running


@contextlib.asynccontextmanager
async def serving(settings: Settings, *, port: int = 0) -> AsyncIterator[Arena]:
    """The same with settings of one's own; on a port that is known if it matters, else on any."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP) as listening:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(("127.0.0.1", port))
        port = listening.getsockname()[1]
        application = make_app(replace(settings, port=port))
        server = uvicorn.Server(server_config(application, settings))
        task = asyncio.create_task(server.serve(sockets=[listening]))
        while not server.started:
            assert not task.done(), task.exception()
            await asyncio.sleep(0.005)
        async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{port}", timeout=60, trust_env=False) as http:
            running = Arena(application.state.parts, port, http)
            try:
                yield running
            finally:
                await running.close()
                server.should_exit = True
                await task


class Faults(logging.Handler):
    """Everything that was logged as an error while it is in place."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.records: list[logging.LogRecord] = []

    def emit(self, record: logging.LogRecord) -> None:
        """Keeps it."""
        self.records.append(record)

    @property
    def told(self) -> list[str]:
        """Their texts."""
        return [record.getMessage() for record in self.records]


@contextlib.contextmanager
def faults() -> Any:
    """Collects what is logged as an error, by anybody."""
    handler = Faults()
    logging.getLogger().addHandler(handler)
    try:
        yield handler
    finally:
        logging.getLogger().removeHandler(handler)

"""The composition root: every part is chosen and joined here, and nowhere else."""

import asyncio
import contextlib
import gc
import logging
import socket
from collections.abc import AsyncIterator
from typing import Any

import uvicorn
from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse
from starlette.types import ASGIApp
from uvicorn.protocols.websockets.websockets_sansio_impl import WebSocketsSansIOProtocol

from caller.errors import CallerError
from server.auth import Allowances, Tickets, read_secret
from server.clock import Clock
from server.planning import Planning
from server.routes.asking import Parts
from server.routes.gate import Gate
from server.routes.live import live
from server.routes.pages import WebFiles, files, pages
from server.routes.plans import plans
from server.routes.races import races
from server.routes.voices import voices
from server.runner.house import House
from server.settings import Settings, version
from server.store import Store, StoreFailed
from server.voice import Voice, VoiceRefused
from server.wire.errors import NotUnderstood, ServerRefused, problem_of, sentence_of

__all__ = ["CannotStart", "make_app", "server_config"]

log = logging.getLogger("swingoff")

_GC_THRESHOLD = 50_000
"""Messages are made by the thousand and hold no cycles; looking for some at each 700 costs more than it finds."""

_LET_GO_S = 5.0

_ON_THE_WAY_BYTES = 32 * 1024
"""About two states of a race."""


class CannotStart(Exception):
    """The data directory can't be used; the message is the sentence that says why."""


def make_app(settings: Settings) -> FastAPI:
    """The application, its disk open, its other parts not yet started.

    Args:
        settings: as read; the port is the one really listened on.
    Raises: CannotStart.
    """
    try:
        settings.data_dir.mkdir(parents=True, exist_ok=True, mode=0o700)
        tickets = Tickets(read_secret(settings.data_dir / "secret"))
        store = Store(settings.data_dir / "races.sqlite")
    except StoreFailed as failed:
        raise CannotStart(str(failed)) from failed
    except OSError as error:
        raise CannotStart(f"data directory {settings.data_dir}: {error}; choose another with --data") from error
    clock = Clock()
    planner = Planning(
        planning_s=settings.limits.planning_s,
        reading_s=settings.limits.reading_s,
        most_waiting=settings.limits.plans_waiting,
    )
    voice = Voice(settings.data_dir / "clips", clock=clock)
    house = House(
        settings=settings,
        clock=clock,
        store=store,
        tickets=tickets,
        planner=planner,
        voice=voice,
    )
    voice.on_ready = house.clip_came

    @contextlib.asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        # In the background: pages are served while the voice clears its throat.
        speaking = asyncio.create_task(voice.start()) if settings.voice else None
        house.start()
        gc.collect()
        gc.freeze()  # what was made for good needn't be looked through again and again
        gc.set_threshold(_GC_THRESHOLD, 20, 20)
        try:
            yield
        finally:
            if speaking is not None:
                speaking.cancel()
                await asyncio.gather(speaking, return_exceptions=True)
            await house.close()
            await planner.close()
            await voice.close()
            store.close()

    app = FastAPI(title="swingoff", version=version(), lifespan=lifespan, openapi_url=None)
    app.state.parts = Parts(
        settings=settings,
        clock=clock,
        house=house,
        voice=voice,
        url=settings.url(),
        joins=Allowances(per_min=settings.limits.joins_per_min, burst=settings.limits.joins_per_min),
        makes=Allowances(per_min=settings.limits.races_per_min, burst=settings.limits.races_per_min),
        hears=Allowances(per_min=settings.limits.hears_per_min, burst=settings.limits.hears_per_min),
    )
    app.add_middleware(Gate, settings=settings)
    for refused in (CallerError, ServerRefused, RequestValidationError, HTTPException, VoiceRefused):
        app.add_exception_handler(refused, _answer_refusal)
    app.add_exception_handler(Exception, _answer_refusal)
    for router in (files, races, plans, voices, live):
        app.include_router(router)
    app.mount("/web", WebFiles(directory=settings.web_dir, check_dir=False))
    app.include_router(pages)  # last: it takes whatever no other did
    return app


async def _answer_refusal(request: Request, error: Exception) -> JSONResponse:
    if isinstance(error, HTTPException) and isinstance(error.__cause__, ServerRefused):
        error = error.__cause__  # the framework's wrapping of what stopped a body on its way in
    if isinstance(error, RequestValidationError):
        error = NotUnderstood(sentence_of(error.errors()))
    elif isinstance(error, HTTPException):
        sentence = f"{request.method} {request.url.path[:80]}: {str(error.detail)[:1].lower()}{str(error.detail)[1:]}"
        return JSONResponse({"code": "not_understood", "sentence": sentence}, error.status_code)
    problem = problem_of(error)
    status = 422 if isinstance(error, NotUnderstood) else problem.status
    return JSONResponse({"code": problem.code, "sentence": problem.sentence}, status)


# How it is served


class _Protocol(WebSocketsSansIOProtocol):
    """The library's own, which keeps little on the way and lets a connection go for good.

    A system takes megabytes for a page that doesn't read, and all of it would be stale when it is read: the newest
    state waits in the hub instead, where a newer one takes its place. And the library closes a transport by waiting
    until everything is sent; a page that reads no more would be waited for as long as its network lives.
    """

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """As the library has it, with short queues."""
        super().connection_made(transport)
        self.transport.set_write_buffer_limits(high=_ON_THE_WAY_BYTES)
        connection = transport.get_extra_info("socket")
        with contextlib.suppress(OSError, AttributeError):
            if hasattr(socket, "TCP_NOTSENT_LOWAT"):
                connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NOTSENT_LOWAT, _ON_THE_WAY_BYTES)
            else:
                connection.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4 * _ON_THE_WAY_BYTES)

    async def run_asgi(self) -> None:
        """As the library has it, then no longer than a moment."""
        await super().run_asgi()
        self.loop.call_later(_LET_GO_S, self.transport.abort)


class _NoFault(logging.Filter):
    """What the library logs as a fault of ours, and is none: a page that sends no UTF-8 is sent off with 1007."""

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether the record is written."""
        return "Invalid UTF-8" not in record.getMessage()


def server_config(app: ASGIApp, settings: Settings) -> uvicorn.Config:
    """How uvicorn is to serve the application."""
    logging.getLogger("uvicorn.error").addFilter(_NoFault())
    options: dict[str, Any] = {
        "http": "h11",  # the same everywhere, whatever else is installed
        "ws": _Protocol,
        "ws_max_size": settings.limits.frame_bytes,
        "ws_per_message_deflate": False,  # measured: it costs 40 to 75 % of all messages
        "ws_ping_interval": 15.0,
        "ws_ping_timeout": 15.0,
        "access_log": False,
        "log_config": None,
        "server_header": False,
        "timeout_keep_alive": 15,
        "timeout_graceful_shutdown": 3,
        "lifespan": "on",
    }
    return uvicorn.Config(app, host=settings.host, port=settings.port, **options)

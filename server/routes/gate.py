"""What is checked before any route is reached: the name we are asked under, the page that asks, how much comes and
how fast. And what every answer carries. Must not know what is asked.

A page of another site must not drive a server on this machine through its owner's browser: hence the names (against
DNS rebinding) and the origins (a browser sends a page's origin along with every socket and every change).
"""

import asyncio
import ipaddress
import json
import re
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from server.settings import Settings
from server.wire.errors import NotThese, ServerRefused, TooLarge, TooLate, problem_of

__all__ = ["Gate"]

_SAFE_METHODS = ("GET", "HEAD", "OPTIONS")

_HOST = re.compile(r"[A-Za-z0-9._%:\[\]-]{1,255}")

_MOST_LET_BY_BYTES = 256 * 1024 * 1024
_LET_BY_S = 5.0


class Gate:
    """The outermost layer of the application."""

    def __init__(self, app: ASGIApp, settings: Settings) -> None:
        self._app = app
        self._limits = settings.limits
        self._names = frozenset({"localhost", *settings.host_names})
        self._own_origin = None if settings.public_url is None else _origin(settings.public_url)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """As ASGI has it."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        try:
            self._check(scope, headers)
        except ServerRefused as refused:
            await _refuse(scope, receive, send, refused)
            return
        if scope["type"] == "websocket":
            await self._app(scope, receive, send)
            return

        answered = False
        bounded = _Bounded(receive, self._most_bytes(scope), self._limits.body_s)

        async def send_with_headers(message: Message) -> None:
            nonlocal answered
            if message["type"] == "http.response.start":
                answered = True
                _secure(MutableHeaders(scope=message), headers.get("host", ""))
                if scope["method"] not in _SAFE_METHODS and not await bounded.spent():
                    MutableHeaders(scope=message)["connection"] = "close"
            await send(message)

        try:
            await self._app(scope, bounded, send_with_headers)
        except ServerRefused as refused:
            if answered:
                raise
            await _refuse(scope, receive, send_with_headers, refused)

    def _most_bytes(self, scope: Scope) -> int:
        is_file = scope["path"].endswith("/course")
        return self._limits.upload_bytes if is_file else self._limits.body_bytes

    def _check(self, scope: Scope, headers: Headers) -> None:
        host = headers.get("host", "")
        if not self._knows(host):
            raise NotThese(
                f"this server is not asked for as {host[:80]!r}; use its address, or tell it its name with --public-url"
            )
        origin = headers.get("origin")
        if origin is None or (scope["type"] == "http" and scope["method"] in _SAFE_METHODS):
            return
        if origin != self._own_origin and _netloc(origin) != host.lower():
            raise NotThese(f"the page that asks is of another site ({origin[:80]!r}); open this server's own page")

    def _knows(self, host: str) -> bool:
        """Whether a Host header names us. Any address does: to be rebound, an attacker needs a name."""
        if not _HOST.fullmatch(host):
            return False
        try:
            name = (urlsplit(f"//{host}").hostname or "").rstrip(".")
            ipaddress.ip_address(name.partition("%")[0])
        except ValueError:
            return host.partition(":")[0].lower().rstrip(".") in self._names
        return True


def _netloc(origin: str) -> str:
    """Host and port of an Origin header; empty if it names none, as for ``null`` or a broken one."""
    try:
        return urlsplit(origin).netloc.lower()
    except ValueError:
        return ""


def _origin(url: str) -> str:
    parts = urlsplit(url)
    return f"{parts.scheme}://{parts.netloc}".lower()


class _Bounded:
    """Receives a body no larger and no slower than it may be. Raises, when called: TooLarge, TooLate."""

    def __init__(self, receive: Receive, most_bytes: int, within_s: float) -> None:
        self._receive = receive
        self._most_bytes = most_bytes
        self._within_s = within_s
        self._bytes = 0
        self._deadline: float | None = None
        self._whole = False

    async def __call__(self) -> Message:
        if self._whole:  # what follows the body is the client going away: no hurry
            return await self._receive()
        loop = asyncio.get_running_loop()
        if self._deadline is None:
            self._deadline = loop.time() + self._within_s
        try:
            async with asyncio.timeout_at(self._deadline):
                message = await self._receive()
        except TimeoutError:
            raise TooLate(f"the request took longer than {self._within_s:g} s to arrive; try again") from None
        if message["type"] == "http.request":
            self._bytes += len(message.get("body", b""))
            self._whole = not message.get("more_body", False)
            if self._bytes > self._most_bytes:
                raise TooLarge(f"more than {self._most_bytes / 1e6:.3g} MB came; expected at most that")
        return message

    async def spent(self) -> bool:
        """Lets the rest of the body go by, so that a browser still sending it hears the answer.

        Closing on one that is sending makes its network drop the answer unread. Answers whether all of it has come.
        """
        left = _MOST_LET_BY_BYTES
        now_s = asyncio.get_running_loop().time()
        until_s = now_s + _LET_BY_S if self._deadline is None else max(now_s, self._deadline)
        try:
            async with asyncio.timeout_at(until_s):
                while not self._whole and left > 0:
                    message = await self._receive()
                    self._whole = message["type"] != "http.request" or not message.get("more_body", False)
                    left -= len(message.get("body", b""))
        except TimeoutError:
            return False
        return self._whole


def _secure(headers: MutableHeaders, host: str) -> None:
    headers.setdefault("cache-control", "no-store")
    headers["x-content-type-options"] = "nosniff"
    headers["referrer-policy"] = "no-referrer"
    headers["cross-origin-opener-policy"] = "same-origin"
    headers["cross-origin-resource-policy"] = "same-origin"
    if "content-security-policy" not in headers:
        # Sockets are named besides 'self': not every browser takes 'self' to mean them.
        headers["content-security-policy"] = (
            "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self'; "
            f"media-src 'self' blob:; connect-src 'self' ws://{host} wss://{host}; worker-src 'self'; "
            "manifest-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
        )


async def _refuse(scope: Scope, receive: Receive, send: Send, refused: ServerRefused) -> None:
    problem = problem_of(refused)
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": problem.close, "reason": problem.code})
        return
    body = json.dumps({"code": problem.code, "sentence": problem.sentence}, ensure_ascii=False).encode()
    await send(
        {
            "type": "http.response.start",
            "status": problem.status,
            "headers": [
                (b"content-type", b"application/json"),
                (b"content-length", str(len(body)).encode()),
                (b"connection", b"close"),
            ],
        }
    )
    await send({"type": "http.response.body", "body": body})

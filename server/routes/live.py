"""The socket of a page on a race: who is this, then what it says to the race and what the race tells it.

Whatever comes in, the answer is a message or a close; never an exception, never silence.
"""

import asyncio
import contextlib
import logging
from typing import Any, assert_never

from fastapi import APIRouter
from pydantic import ValidationError
from starlette.websockets import WebSocket

from server.auth import Allowance, Seat, why_not
from server.hub import Listener
from server.routes.asking import Parts, parts_of
from server.runner.house import Race
from server.runner.live import LiveRace, Outcome, Said
from server.wire.errors import (
    NotAllowed,
    NotUnderstood,
    NotYet,
    Problem,
    ServerRefused,
    TooLate,
    TooOften,
    problem_of,
)
from server.wire.inbound import RIDER_ACTS, Hello, Inbound, Ping, Ready, Sound, Tap, inbound_adapter, to_fact
from server.wire.outbound import Ack, ErrorMessage

__all__ = ["live"]

live = APIRouter()

log = logging.getLogger("swingoff.socket")

_GOODBYE_S = 2.0
_LONGEST_REASON = 120
"""Bytes: a close frame holds no more (RFC 6455, 5.5)."""

_TOO_SLOW = Problem(
    status=503,
    close=1013,
    code="too_slow",
    sentence="this page was let go; it comes back by itself and gets the newest state",
)


class _Gone(Exception):
    """The page went away."""


@live.websocket("/api/races/{code}/live")
async def socket(socket: WebSocket, code: str) -> None:
    """One page's connection, from hello to close."""
    parts = parts_of(socket)
    await socket.accept()
    allowance = Allowance(
        per_s=parts.settings.limits.frames_per_s,
        burst=parts.settings.limits.frames_burst,
        now_ms=parts.clock.wall_ms(),
    )
    try:
        race, seat = await _hello(socket, parts, code)
        await _Page(socket, parts, race, seat, allowance).stay()
    except _Gone:
        return
    except (ServerRefused, ValidationError) as refused:
        await _send_off(socket, problem_of(refused))
    except Exception as fault:
        log.exception("a socket failed; the others go on")
        await _send_off(socket, problem_of(fault))


async def _hello(socket: WebSocket, parts: Parts, code: str) -> tuple[Race, Seat]:
    """Who this is. Raises: NotAllowed, NotKnown, NotYet, NotUnderstood, TooLate, ValidationError, _Gone."""
    try:
        async with asyncio.timeout(parts.settings.limits.hello_s):
            message = _parsed(await _text(socket))
    except TimeoutError:
        raise TooLate("nothing was said; the first frame says who it is: {kind: hello, ticket}") from None
    if not isinstance(message, Hello):
        raise NotUnderstood(f"first frame: found {message.kind}; expected hello with a ticket")
    race = await parts.house.race(code)
    seat = parts.house.seat(race, message.ticket)
    if seat is None:
        raise NotAllowed("this ticket does not open this race; ask the director for a new link")
    if race.live is None:
        raise NotYet("the lobby of this race is not open yet; this page comes back by itself")
    await parts.house.note_claimed(race, seat)
    if parts.house.seat(race, message.ticket) != seat:
        raise NotAllowed("this ticket was renewed just now; ask the director for the new link")
    return race, seat


class _Page:
    """A page that has said hello."""

    def __init__(self, socket: WebSocket, parts: Parts, race: Race, seat: Seat, allowance: Allowance) -> None:
        assert race.live is not None
        self._socket = socket
        self._parts = parts
        self._live: LiveRace = race.live
        self._seat = seat
        self._allowance = allowance
        self._listener = Listener(seat=seat.key, most_waiting=parts.settings.limits.waiting)

    async def stay(self) -> None:
        """Reads and writes until one end has enough. Raises: what sends the page off."""
        self._live.join(self._listener, self._seat)
        writing = asyncio.create_task(self._write())
        reading = asyncio.create_task(self._read())
        self._listener.on_drop = writing.cancel
        try:
            await asyncio.wait((writing, reading), return_when=asyncio.FIRST_COMPLETED)
        finally:
            self._live.leave(self._listener)
            for task in (writing, reading):
                task.cancel()
            outcomes = await asyncio.gather(writing, reading, return_exceptions=True)
        if self._listener.dropped:
            await _close(self._socket, _TOO_SLOW)
            return
        for outcome in outcomes:
            if isinstance(outcome, Exception):
                raise outcome

    async def _write(self) -> None:
        """What the race tells, as fast as the page takes it."""
        listener, clock = self._listener, self._parts.clock
        while (text := await listener.next()) is not None:
            listener.sending_since_ms = clock.wall_ms()
            try:
                await self._socket.send_text(text)
            except Exception as error:  # whatever a broken line makes of it
                raise _Gone from error
            listener.sending_since_ms = None

    async def _read(self) -> None:
        """What the page says."""
        while True:
            frame = await _frame(self._socket)
            if not self._allowance.take(self._parts.clock.wall_ms()):
                raise TooOften("too many frames a second from this page; it is let go and may come back slower")
            try:
                self._heed(_parsed(_text_of(frame)))
            except (ServerRefused, ValidationError) as refused:
                self._answer(refused, None)

    def _heed(self, message: Inbound) -> None:
        match message:
            case Ping(sent=sent):
                self._listener.answer(self._live.pong(sent))
            case Tap():
                self._tap(message)
            case Ready(ready=ready):
                self._live.set_ready(self._seat.key, ready)
            case Sound(heard=heard):
                self._live.set_sound(self._seat.key, heard)
            case Hello():
                raise NotUnderstood("hello was said on this socket before; a new page opens a new socket")
            case _:
                assert_never(message)

    def _tap(self, message: Tap) -> None:
        refusal = why_not(self._seat, message.act.act, getattr(message.act, "rider", None), RIDER_ACTS)
        if refusal is not None:
            self._answer(NotAllowed(refusal), message.tap)
            return
        try:
            self._live.say(
                Said(
                    by=self._listener.who,
                    fact=to_fact(message.act),
                    # One seat's keys can't shadow another's.
                    tap=f"{self._seat.key} {message.tap}",
                    seen_ms=message.seen_ms,
                    settled=lambda outcome: self._answer(outcome, message.tap),
                )
            )
        except ServerRefused as refused:
            self._answer(refused, message.tap)

    def _answer(self, outcome: Outcome, tap: str | None) -> None:
        """To this page alone."""
        if isinstance(outcome, int):
            assert tap is not None
            self._listener.answer(Ack(tap=tap, seq=outcome).model_dump_json())
            return
        problem = problem_of(outcome)
        self._listener.answer(ErrorMessage(tap=tap, code=problem.code, sentence=problem.sentence).model_dump_json())


async def _frame(socket: WebSocket) -> dict[str, Any]:
    frame = dict(await socket.receive())
    if frame["type"] == "websocket.disconnect":
        raise _Gone
    return frame


def _text_of(frame: dict[str, Any]) -> str:
    text = frame.get("text")
    if not isinstance(text, str):
        raise NotUnderstood("frame: found bytes; expected a text frame with one JSON object")
    return text


async def _text(socket: WebSocket) -> str:
    return _text_of(await _frame(socket))


def _parsed(text: str) -> Inbound:
    return inbound_adapter.validate_json(text)


async def _send_off(socket: WebSocket, problem: Problem) -> None:
    """A last message that says why, then the close."""
    with contextlib.suppress(Exception):
        async with asyncio.timeout(_GOODBYE_S):
            await socket.send_text(
                ErrorMessage(tap=None, code=problem.code, sentence=problem.sentence).model_dump_json()
            )
    await _close(socket, problem)


async def _close(socket: WebSocket, problem: Problem) -> None:
    reason = problem.sentence.encode()[:_LONGEST_REASON].decode(errors="ignore")
    with contextlib.suppress(Exception):  # a line that is gone or stuck is closed by being let go
        async with asyncio.timeout(_GOODBYE_S):
            await socket.close(problem.close, reason)

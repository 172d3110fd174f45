"""The worker process as the event loop sees it: two pipes, an answer an order, and the ways in which it can fail.

Must not know what is rendered, nor what to do when the worker is down.
"""

import asyncio
import contextlib
import json
import os
from collections.abc import AsyncIterator, Coroutine, Sequence
from typing import Any, NamedTuple

__all__ = ["VoiceName", "Worker", "WorkerDown", "started"]

_HELLO_S = 15.0
"""A cold disk and a busy machine; the usual is 0.1 s."""

_LINGERS_S = 1.0
"""How long a worker that has closed its pipes may take to end by itself."""


class VoiceName(NamedTuple):
    """A voice of the engine.

    Attributes:
        name: what settings call it, such as ``en-us``.
        title: what people call it, such as ``English (America)``.
        language: what it speaks, ISO 639-1 where there is such a code.
    """

    name: str
    title: str
    language: str


class WorkerDown(Exception):
    """The worker is gone, hangs or never came up."""

    def __init__(self, why: str, *, no_engine: bool = False) -> None:
        super().__init__(why)
        self.no_engine = no_engine


@contextlib.asynccontextmanager
async def started(command: Sequence[str]) -> AsyncIterator["Worker"]:
    """A worker that has said hello; it is ended with the block, and no pipe stays open.

    Raises: WorkerDown: it can't be started, or has no engine.
    """
    pipe = asyncio.subprocess.PIPE
    try:
        process = await asyncio.create_subprocess_exec(
            *command, stdin=pipe, stdout=pipe, stderr=pipe, env={**os.environ, "PYTHONUTF8": "1"}
        )
    except OSError as error:
        raise WorkerDown(f"{command[0]} can't be started: {error.strerror}", no_engine=True) from error
    worker = Worker(process)
    try:
        await worker.hello()
        yield worker
    finally:
        await worker.end()


class Worker:
    """The process at the other end of two pipes."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        assert process.stdin is not None
        assert process.stdout is not None
        assert process.stderr is not None
        self._process = process
        self.pid = process.pid
        self._orders, self._answers, self._moans = process.stdin, process.stdout, process.stderr
        self._last_moan = ""
        self.voices: tuple[VoiceName, ...] = ()
        self._listening = asyncio.create_task(self._listen())
        self._ended = asyncio.create_task(process.wait())

    async def hello(self) -> None:
        """Wait until it speaks, and learn the engine's voices. Raises: WorkerDown."""
        answer = await self._answer(_HELLO_S)
        if not answer.get("hello"):
            raise WorkerDown(str(answer.get("why", "it said nothing that makes sense")), no_engine=True)
        self.voices = tuple(VoiceName(*map(str, voice)) for voice in answer.get("voices", ()))

    async def ask(self, order: dict[str, Any], within_s: float) -> dict[str, Any]:
        """The answer to one order. Raises: WorkerDown: it ended, or took too long."""
        try:
            self._orders.write(json.dumps(order).encode() + b"\n")
            await self._orders.drain()
        except OSError:
            raise await self._gone() from None
        return await self._answer(within_s)

    async def or_its_end(self, something: Coroutine[Any, Any, Any]) -> None:
        """Wait for something. Raises: WorkerDown: the worker ended first."""
        waiting = asyncio.create_task(something)
        try:
            await asyncio.wait({waiting, self._ended}, return_when=asyncio.FIRST_COMPLETED)
            if not waiting.done():
                raise await self._gone()
        finally:
            waiting.cancel()

    async def end(self) -> None:
        """Kill it if it doesn't go by itself, and leave no pipe open."""
        self._orders.close()
        with contextlib.suppress(ProcessLookupError):
            self._process.kill()
        await self._ended
        await self._listening
        with contextlib.suppress(OSError):
            await self._orders.wait_closed()

    async def _answer(self, within_s: float) -> dict[str, Any]:
        try:
            async with asyncio.timeout(within_s):
                line = await self._answers.readline()
        except TimeoutError:
            raise WorkerDown(f"no answer within {within_s:g} s") from None
        except ValueError:  # longer than the reader's limit
            raise WorkerDown("its answer was no line") from None
        if not line.endswith(b"\n"):
            raise await self._gone()
        try:
            answer = json.loads(line)
        except ValueError:
            raise WorkerDown(f"its answer was not JSON: {line[:60]!r}") from None
        if not isinstance(answer, dict):
            raise WorkerDown(f"its answer was not an object: {line[:60]!r}")
        return answer

    async def _gone(self) -> WorkerDown:
        # Killing looks first whether it is over, and a code seen there is lost to the loop: so only if it lingers.
        await asyncio.wait({self._ended}, timeout=_LINGERS_S)
        if not self._ended.done():
            with contextlib.suppress(ProcessLookupError):
                self._process.kill()
        code = await self._ended
        await self._listening
        moan = f": {self._last_moan}" if self._last_moan else ""
        return WorkerDown(f"its process ended with code {code}{moan}")

    async def _listen(self) -> None:
        """Keep what it says last on its error output, and let none of it block."""
        while piece := await self._moans.read(4096):
            lines = piece.decode("utf-8", "replace").strip().splitlines()
            told = [line for line in lines if not line.startswith("Audio saved to")]
            self._last_moan = told[-1][:200] if told else self._last_moan

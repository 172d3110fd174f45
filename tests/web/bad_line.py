"""A bad line between pages and a server: a TCP proxy that delays, jitters, stands still, and goes dead.

    line = BadLine(delay_ms=100, jitter_ms=80, stall_ms=1000, stall_every_s=8)
    port = await line.to(server.port)     # pages go here instead
    line.go_dead(); ...; line.come_back()
    await line.close()

Each direction of each connection is a queue of its own, in order as TCP is. This process's own lateness adds to what is
asked for; it is never less.
"""

import asyncio
import contextlib
import random
from dataclasses import dataclass, field

__all__ = ["BadLine"]

_CHUNK_BYTES = 64 * 1024


@dataclass(eq=False, slots=True)
class _Pipe:
    """One direction of one connection."""

    reader: asyncio.StreamReader
    writer: asyncio.StreamWriter
    held: asyncio.Queue[tuple[float, bytes]] = field(default_factory=asyncio.Queue)


class BadLine:
    """A proxy in this event loop.

    Args:
        delay_ms: one way, on average.
        jitter_ms: how much more or less, evenly spread.
        stall_ms: how long a direction stands still when it does.
        stall_every_s: how often each direction does, on average; 0 for never.
        seed: of its dice.
    """

    def __init__(
        self,
        *,
        delay_ms: float = 100,
        jitter_ms: float = 80,
        stall_ms: float = 1_000,
        stall_every_s: float = 8,
        seed: int = 1,
    ) -> None:
        self._delay_ms = delay_ms
        self._jitter_ms = jitter_ms
        self._stall_ms = stall_ms
        self._stall_every_s = stall_every_s
        self._dice = random.Random(seed)
        self._servers: list[asyncio.Server] = []
        self._writers: set[asyncio.StreamWriter] = set()
        self._tasks: set[asyncio.Task[None]] = set()
        self._closed = False
        self._alive = asyncio.Event()
        self._alive.set()

    async def to(self, port: int) -> int:
        """A port of this machine from which this line leads to another one."""

        async def accept(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            self._writers.add(writer)
            await self._alive.wait()  # a dead line takes the knock and says nothing
            if self._closed:
                return
            try:
                there = await asyncio.open_connection("127.0.0.1", port)
            except OSError:
                writer.close()
                return
            self._writers.add(there[1])
            self._carry(_Pipe(reader, there[1]))
            self._carry(_Pipe(there[0], writer))

        server = await asyncio.start_server(accept, "127.0.0.1", 0)
        self._servers.append(server)
        listening: int = server.sockets[0].getsockname()[1]
        return listening

    def go_dead(self) -> None:
        """From now on nothing comes through, and nobody is told."""
        self._alive.clear()

    def come_back(self) -> None:
        """New connections come through again. The old ones are broken off, as by a router that forgot them."""
        self._alive.set()
        for writer in self._writers:
            writer.transport.abort()
        self._writers.clear()

    async def close(self) -> None:
        """Break all off and listen no more."""
        self._closed = True
        for server in self._servers:
            server.close()
        self.come_back()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def _carry(self, pipe: _Pipe) -> None:
        for work in (self._take(pipe), self._give(pipe)):
            task = asyncio.get_running_loop().create_task(work)
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)

    async def _take(self, pipe: _Pipe) -> None:
        loop = asyncio.get_running_loop()
        with contextlib.suppress(OSError):
            while data := await pipe.reader.read(_CHUNK_BYTES):
                lag_ms = self._delay_ms + self._dice.uniform(-self._jitter_ms, self._jitter_ms)
                pipe.held.put_nowait((loop.time() + lag_ms / 1000, data))
        pipe.held.put_nowait((loop.time(), b""))

    async def _give(self, pipe: _Pipe) -> None:
        loop = asyncio.get_running_loop()
        stalls_at = self._next_stall(loop.time())
        with contextlib.suppress(OSError):
            while True:
                due, data = await pipe.held.get()
                while stalls_at < due:
                    due = max(due, stalls_at + self._stall_ms / 1000)
                    stalls_at = self._next_stall(stalls_at + self._stall_ms / 1000)
                await asyncio.sleep(max(0.0, due - loop.time()))
                await self._alive.wait()
                if not data:
                    break
                pipe.writer.write(data)
                await pipe.writer.drain()
        pipe.writer.close()

    def _next_stall(self, now: float) -> float:
        if not self._stall_every_s:
            return float("inf")
        return now + self._dice.expovariate(1 / self._stall_every_s)

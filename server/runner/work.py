"""A long question about one race: how far it is, who still waits for it, how it ended. Must not know which it is."""

import asyncio
import contextlib
from collections.abc import Awaitable, Callable
from typing import Literal

from server.wire.errors import Problem, problem_of

__all__ = ["UNSEEN_S", "Doing", "Work"]

Doing = Literal["plan", "what_if", "effects", "proof"]

UNSEEN_S = 20.0
"""A question is broken off when nobody has asked after it for so long: a page that is reloaded is back sooner."""


class Work:
    """One question on its way.

    Attributes:
        doing: which.
        step: what is being done; ``waiting`` until a worker has begun.
        share: of the whole that is behind.
        seen_ms: when somebody last waited for it, by the wall clock that was told.
        trouble: why it came to nothing; None while it may still come to something.
        revision: rises with every change.
    """

    def __init__(self, doing: Doing, now_ms: float) -> None:
        self.doing = doing
        self.step = "waiting"
        self.share = 0.0
        self.seen_ms = now_ms
        self.trouble: Problem | None = None
        self.revision = 0
        self._changed = asyncio.Event()
        self._task: asyncio.Task[object] | None = None

    def start(self, run: Callable[["Work"], Awaitable[object]]) -> None:
        """Begins. To be called once."""
        self._task = asyncio.get_running_loop().create_task(self._run(run))
        self._task.add_done_callback(self._note)

    async def _run(self, run: Callable[["Work"], Awaitable[object]]) -> object:
        return await run(self)

    def _note(self, task: asyncio.Task[object]) -> None:
        # The exception is asked for here, so that nobody complains that nobody asked.
        error = None if task.cancelled() else task.exception()
        if error is not None:
            self.trouble = problem_of(error)
        self._bump()

    def _bump(self) -> None:
        self.revision += 1
        self._changed.set()
        self._changed = asyncio.Event()

    def tell(self, step: str, share: float) -> None:
        """How far it is."""
        self.step, self.share = step, min(max(share, 0.0), 1.0)
        self._bump()

    async def changed(self, after: int, within_s: float) -> None:
        """Waits until the revision is another than this one, so long at most."""
        if self.revision == after and not self.over:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(within_s):
                    await self._changed.wait()

    def seen(self, now_ms: float) -> None:
        """Somebody waits for it."""
        self.seen_ms = now_ms

    @property
    def over(self) -> bool:
        """Whether it has ended, one way or another."""
        return self._task is not None and self._task.done()

    @property
    def broken_off(self) -> bool:
        """Whether it was cancelled."""
        return self._task is not None and self._task.cancelled()

    def cancel(self) -> None:
        """Breaks it off; its worker process ends with it."""
        if self._task is not None:
            self._task.cancel()

    async def ended(self, within_s: float | None = None) -> bool:
        """Waits for its end, so long at most, without breaking it off. Answers whether it has ended."""
        assert self._task is not None
        await asyncio.wait({self._task}, timeout=within_s)
        return self._task.done()

    def result(self) -> object:
        """What it came to. Raises: what it raised."""
        assert self._task is not None
        return self._task.result()

"""Who listens to a race; one bounded queue a listener. A slow listener is dropped, never waited for.

Of a message that is complete in itself (the state, who is here) only the newest waits: a slow phone gets what is true
now, not a film of what was. Must not know what a message says.
"""

import asyncio
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

__all__ = ["Hub", "Listener"]


@dataclass(eq=False, slots=True, kw_only=True)
class Listener:
    """One page's end of the hub.

    Attributes:
        seat: whose page: ``director`` or ``rider:maya``.
        who: the same, but that several directors are told apart: ``director``, ``director 2``.
        most_waiting: answers that may wait before the listener is dropped.
        on_drop: called once the listener is given up, to break off what it is busy with.
        sending_since_ms: when the frame now leaving was handed over; None between frames.
    """

    seat: str
    most_waiting: int
    on_drop: Callable[[], object] = lambda: None
    sending_since_ms: float | None = None
    who: str = ""
    _answers: deque[str | Callable[[], str]] = field(default_factory=deque)
    _newest: dict[str, str] = field(default_factory=dict)
    _something: asyncio.Event = field(default_factory=asyncio.Event)
    _dropped: bool = False

    @property
    def dropped(self) -> bool:
        """Whether it was given up."""
        return self._dropped

    def answer(self, text: str | Callable[[], str]) -> None:
        """Something for this listener alone; each is delivered, in order. A callable is asked when it is its turn."""
        if len(self._answers) >= self.most_waiting:
            self.drop()
            return
        self._answers.append(text)
        self._something.set()

    def newest(self, topic: str, text: str) -> None:
        """Something complete in itself: what waits under the same topic goes. The oldest news leaves first."""
        self._newest.pop(topic, None)
        self._newest[topic] = text
        self._something.set()

    def drop(self) -> None:
        """Give the listener up."""
        self._dropped = True
        self._something.set()
        self.on_drop()

    async def next(self) -> str | None:
        """The next text to send; None once the listener is dropped."""
        while True:
            if self._dropped:
                return None
            if self._answers:
                text = self._answers.popleft()
                return text if isinstance(text, str) else text()
            for topic in self._newest:
                return self._newest.pop(topic)
            self._something.clear()
            await self._something.wait()


class Hub:
    """The listeners of one race."""

    def __init__(self) -> None:
        self._listeners: dict[Listener, None] = {}

    def __iter__(self) -> Iterator[Listener]:
        return iter(tuple(self._listeners))

    def __len__(self) -> int:
        return len(self._listeners)

    def add(self, listener: Listener) -> None:
        """Listen."""
        self._listeners[listener] = None

    def remove(self, listener: Listener) -> None:
        """Listen no more."""
        self._listeners.pop(listener, None)

    def of(self, seat: str) -> tuple[Listener, ...]:
        """The pages on one seat."""
        return tuple(listener for listener in self._listeners if listener.seat == seat)

    def publish(self, topic: str, text: str) -> None:
        """To everybody; encoded once, by whoever made the text."""
        for listener in self._listeners:
            listener.newest(topic, text)

    def drop_slow(self, now_ms: float, send_ms: float) -> None:
        """Give up whoever has taken longer than ``send_ms`` over one frame."""
        for listener in self._listeners:
            since = listener.sending_since_ms
            if since is not None and now_ms - since > send_ms:
                listener.drop()

"""Hands each encoded snapshot to every client, at the pace of each."""

import asyncio
from collections import deque
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from itertools import count

__all__ = ["Hub", "Listener"]

QUEUE = 32
"""Snapshots that may wait for one client; the oldest is dropped for the newest."""


class Listener:
    """One client's queue."""

    def __init__(self, number: int, size: int) -> None:
        self.number = number
        self.sent = 0
        self.dropped = 0
        self._waiting: deque[str] = deque(maxlen=size)
        self._something = asyncio.Event()
        self.closed = asyncio.Event()

    def put(self, text: str) -> None:
        """Add a snapshot; the oldest goes if the client is slow."""
        if len(self._waiting) == self._waiting.maxlen:
            self.dropped += 1
        self._waiting.append(text)
        self._something.set()

    def close(self) -> None:
        """End the client's iteration once it has what waits."""
        self.closed.set()
        self._something.set()

    @property
    def waiting(self) -> int:
        """How many snapshots wait."""
        return len(self._waiting)

    async def __aiter__(self) -> AsyncIterator[str]:
        while True:
            while self._waiting:
                yield self._waiting.popleft()
                self.sent += 1
            if self.closed.is_set():
                return
            self._something.clear()
            await self._something.wait()


class Hub:
    """The latest snapshot, and whoever listens for the next ones."""

    def __init__(self, *, queue: int = QUEUE) -> None:
        self.latest: bytes | None = None
        """The latest snapshot, encoded."""
        self.published = 0
        self._queue = queue
        self._numbers = count(1)
        self._listeners: dict[int, Listener] = {}
        self._closed = False

    def publish(self, encoded: bytes) -> None:
        """Make this the latest snapshot and queue it for every client; never waits."""
        self.latest = encoded
        self.published += 1
        if self._listeners:
            text = encoded.decode()
            for listener in self._listeners.values():
                listener.put(text)

    @contextmanager
    def listener(self) -> Iterator[Listener]:
        """Listen, beginning with the latest snapshot."""
        listener = Listener(next(self._numbers), self._queue)
        if self.latest is not None:
            listener.put(self.latest.decode())
        if self._closed:
            listener.close()
        self._listeners[listener.number] = listener
        try:
            yield listener
        finally:
            del self._listeners[listener.number]

    def close(self) -> None:
        """End every client's iteration."""
        self._closed = True
        for listener in self._listeners.values():
            listener.close()

    def counters(self) -> list[dict[str, int]]:
        """Return what each client got, what waits for it and what was dropped because it was slow."""
        return [
            {"client": x.number, "sent": x.sent, "waiting": x.waiting, "dropped": x.dropped}
            for x in self._listeners.values()
        ]

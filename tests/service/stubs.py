"""Drivers whose every step a test decides."""

import asyncio
from collections.abc import AsyncIterator
from typing import ClassVar

from livealign.stream.contracts import Clock, Frame, LinkEvent, Options


class TestDriver:
    """Yields what the test puts into it, until closed."""

    __test__ = False
    options_model: ClassVar[type[Options]] = Options

    def __init__(self, link: str, _options: Options, clock: Clock) -> None:
        self.link = link
        self.clock = clock
        self.closed = False
        self._queue: asyncio.Queue[Frame | LinkEvent | Exception | None] = asyncio.Queue()

    def open(self) -> None:
        self._queue.put_nowait(LinkEvent(self.link, "open", self.clock()))

    def send(self, payload: bytes) -> None:
        self._queue.put_nowait(Frame(self.link, payload, self.clock()))

    def fail(self, error: Exception) -> None:
        self._queue.put_nowait(error)

    async def __aiter__(self) -> AsyncIterator[Frame | LinkEvent]:
        while (item := await self._queue.get()) is not None:
            if isinstance(item, Exception):
                raise item
            yield item

    async def close(self) -> None:
        self.closed = True
        self._queue.put_nowait(None)

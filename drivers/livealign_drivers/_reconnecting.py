"""What the drivers of links that come and go have in common: reconnecting, and saying so once."""

import asyncio
from abc import ABC, abstractmethod
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from livealign.stream.contracts import Clock, Frame, LinkEvent, LinkState, Options
from livealign_drivers._backoff import Backoff
from livealign_drivers._queue import LinkQueue
from livealign_drivers._request import Asking, Request

__all__ = ["LinkError", "ReconnectSeconds", "ReconnectingDriver"]

ReconnectSeconds = Annotated[float, Field(gt=0, le=3600, allow_inf_nan=False)]


_CLEANING_S = 15.0
"""Longer than any driver cleans up."""


class LinkError(Exception):
    """Why a link cannot be opened or has gone, with advice; `state` is what the link is now."""

    def __init__(self, state: Literal["lost", "refused"], detail: str) -> None:
        super().__init__(detail)
        self.state: Literal["lost", "refused"] = state


class ReconnectingDriver(ABC):
    """A driver that opens its link again and again, until it is closed.

    It says "connecting" once at its start, then every change between "open", "lost" and "refused"; attempts
    that end as the one before them are not told.
    """

    options_model: ClassVar[type[Options]]
    most_frames: ClassVar[int] = 1024
    """Frames kept for a reader that is slow; then the oldest are dropped."""

    def __init__(
        self, link: str, clock: Clock, reconnect_max_s: float, request: Request | None = None
    ) -> None:
        self.link = link
        self._clock = clock
        self._pauses = Backoff(reconnect_max_s)
        self._queue: LinkQueue | None = None
        self._keeper: asyncio.Task[None] | None = None
        self._closed = False
        self._state: LinkState | None = None
        self._request = request
        self._asking: Asking | None = None
        self._whole_lines = False
        """Does each frame consist of whole lines?"""

    async def __aiter__(self) -> AsyncIterator[Frame | LinkEvent]:
        """Open the link and yield what comes, until `close` is called."""
        if self._keeper is not None:
            raise RuntimeError(f"link {self.link!r} is being read already")
        if self._closed:
            return
        self._queue = queue = LinkQueue(self.most_frames)
        self._keeper = keeper = asyncio.create_task(self._keep_open(), name=f"link {self.link}")
        keeper.add_done_callback(lambda _: queue.close())
        gap = False
        try:
            while (item := await queue.get()) is not None:
                if isinstance(item, LinkEvent):
                    gap = gap or item.dropped > 0 or item.state in {"lost", "refused"}
                elif gap:
                    gap = False
                    if self._whole_lines:
                        # Formats leave out the first line after a gap, for it may have been cut; here it was not.
                        item = replace(item, payload=b"\n" + item.payload)
                yield item
            if keeper.done() and not keeper.cancelled():
                keeper.result()  # it ends by itself only if something is wrong with the driver
        finally:
            await self._stop()

    async def close(self) -> None:
        """End the iteration and release everything; may be called more than once."""
        self._closed = True
        if self._queue is not None:
            self._queue.close()
        await self._stop()

    @abstractmethod
    async def _hold_open(self) -> None:
        """Open the link, call `_opened` once and `_deliver` for what comes.

        Raises:
            LinkError: when it cannot be opened or has gone.
        """

    def _opened(self) -> None:
        self._say("open")

    def _deliver(self, payload: bytes) -> None:
        time_ns = self._clock()
        self._pauses.reset()
        if self._queue is not None:
            self._queue.put(Frame(self.link, payload, time_ns))
        if self._asking is not None:
            self._asking.heard()

    @asynccontextmanager
    async def _asked(self, send: Callable[[bytes], Awaitable[None]]) -> AsyncIterator[None]:
        """Send the request, if there is one, by its schedule, while inside; `send` may leave out what cannot be sent."""
        if self._request is None:
            yield
            return
        self._asking = asking = Asking(self._request, self._complain)
        task = asyncio.create_task(asking.run(send), name=f"requests {self.link}")
        try:
            yield
        finally:
            self._asking = None
            task.cancel()
            await asyncio.wait({task})
        if not task.cancelled():
            task.result()  # it ends by itself only if something is wrong with the driver

    def _complain(self, detail: str) -> None:
        """Say of a link that stays open what is the matter with it; nothing: all is well again."""
        if self._queue is not None and self._state == "open":
            self._queue.put(LinkEvent(self.link, "open", self._clock(), detail))

    async def _keep_open(self) -> None:
        self._state = None
        self._say("connecting")
        while True:
            try:
                await self._hold_open()
            except LinkError as trouble:
                # A library may answer a cancellation with an error of its own.
                if self._keeper is not None and self._keeper.cancelling():
                    return
                self._say(trouble.state, str(trouble))
            refused = self._state == "refused"
            await asyncio.sleep(self._pauses.longest_s() if refused else self._pauses.next_s())

    def _say(self, state: LinkState, detail: str = "") -> None:
        if state != self._state and self._queue is not None:
            self._state = state
            self._queue.put(LinkEvent(self.link, state, self._clock(), detail))

    async def _stop(self) -> None:
        keeper = self._keeper
        if keeper is None:
            return
        if not keeper.cancelling():  # a second cancellation would cut its cleaning up short
            keeper.cancel()
        await asyncio.wait({keeper}, timeout=_CLEANING_S)
        while not keeper.done():
            # Waiting in a library may swallow a cancellation that comes at the wrong moment.
            keeper.cancel()
            await asyncio.wait({keeper}, timeout=_CLEANING_S)
        if self._keeper is keeper:
            self._keeper = None

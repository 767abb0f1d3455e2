"""Who listens to a driver under test."""

import asyncio
import time
from collections.abc import Callable
from typing import Any

from livealign.stream.contracts import Clock, Driver, Frame, LinkEvent

__all__ = ["LINK", "PATIENCE_S", "Listener", "session_clock", "until"]

LINK = "head S"
"""The name of the link under test."""
PATIENCE_S = 20.0
"""How long anything may take, in seconds: generous, for slow machines."""


async def until(true: Callable[[], Any]) -> None:
    """Wait for something to come true.

    Raises:
        TimeoutError: if it does not within `PATIENCE_S`.
    """
    async with asyncio.timeout(PATIENCE_S):
        while not true():  # noqa: ASYNC110 - what is waited for is told by no event
            await asyncio.sleep(0.005)


def session_clock() -> Clock:
    """Return a clock of a session that begins now."""
    start = time.monotonic_ns()
    return lambda: time.monotonic_ns() - start


class Listener:
    """A task that iterates a driver and keeps all it says."""

    def __init__(self, driver: Driver) -> None:
        self.items: list[Frame | LinkEvent] = []
        self.driver = driver
        self.task = asyncio.create_task(self._listen(), name="listener")

    async def _listen(self) -> None:
        async for item in self.driver:
            self.items.append(item)

    @property
    def events(self) -> list[LinkEvent]:
        """What was said about the link."""
        return [i for i in self.items if isinstance(i, LinkEvent)]

    @property
    def states(self) -> list[str]:
        """The states of the link, in order."""
        return [e.state for e in self.events]

    @property
    def received(self) -> bytes:
        """All bytes so far."""
        return b"".join(i.payload for i in self.items if isinstance(i, Frame))

    async def end(self) -> None:
        """Close the driver and wait until the iteration has ended.

        Raises:
            TimeoutError: if it does not end.
        """
        async with asyncio.timeout(PATIENCE_S):
            await self.driver.close()
            await asyncio.gather(self.task, return_exceptions=True)

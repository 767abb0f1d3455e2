"""A dashboard for tests, and a stand-in for the service it watches."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from types import TracebackType
from typing import Any, Self

import pytest
from textual.pilot import Pilot
from textual.widgets import ContentSwitcher

from livealign.errors import PersonError
from livealign.snapshot import Snapshot, encode
from livealign_tui.app import Arrived, Dashboard
from livealign_tui.feed import Connect
from livealign_tui.main_screen import Ask, MainScreen

__all__ = ["NOON", "Service", "Stage"]

NOON = datetime(2026, 1, 1, 12, 4, tzinfo=UTC)


class Service:
    """Stands in for a client of the service: tests push snapshots, and read what was asked for."""

    def __init__(self) -> None:
        self.asked: list[tuple[str, dict[str, Any]]] = []
        self.refusal: PersonError | None = None
        self.entered = 0
        self.away: PersonError | None = None
        self._texts: asyncio.Queue[str | None] = asyncio.Queue()

    async def __aenter__(self) -> Self:
        if self.away is not None:
            raise self.away
        self.entered += 1
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Leave."""

    def send(self, *snapshots: Snapshot) -> None:
        for snapshot in snapshots:
            self._texts.put_nowait(encode(snapshot).decode())

    def send_text(self, text: str) -> None:
        self._texts.put_nowait(text)

    def go(self) -> None:
        """End the stream, as a service does that is stopped."""
        self._texts.put_nowait(None)

    async def stream_raw(self) -> AsyncIterator[str]:
        while (text := await self._texts.get()) is not None:
            yield text

    async def command(self, name: str, **args: Any) -> None:
        self.asked.append((name, args))
        if self.refusal is not None:
            raise self.refusal


class Stage:
    """A dashboard in a terminal of its own, fed by posts or by a stand-in service."""

    def __init__(self) -> None:
        self.service = Service()
        self._pilot: Pilot[None] | None = None

    @asynccontextmanager
    async def open(
        self,
        size: tuple[int, int] = (80, 24),
        connect: Connect | None = None,
        screen: Callable[[Ask, Callable[[], datetime]], MainScreen] = MainScreen,
    ) -> AsyncIterator[Pilot[None]]:
        """Run a dashboard; with `connect` it reads from there."""
        app = Dashboard(connect, now=lambda: NOON, screen=screen)
        async with app.run_test(size=size, notifications=True) as self._pilot:
            yield self._pilot

    @asynccontextmanager
    async def served(self, *snapshots: Snapshot) -> AsyncIterator[Pilot[None]]:
        """Run a dashboard at the stand-in service until the last of the snapshots is on its screen."""
        async with self.open(connect=lambda: self.service) as pilot:
            await self.until(lambda: self.service.entered == 1)
            await self.show(*snapshots)
            yield pilot

    @property
    def pilot(self) -> Pilot[None]:
        assert self._pilot is not None
        return self._pilot

    async def show(self, *snapshots: Snapshot) -> None:
        """Post snapshots past any service, and wait until they are shown."""
        for snapshot in snapshots:
            self.pilot.app.post_message(Arrived(snapshot))
            # Once it has been taken; idle is waited for only once.
            await self.pilot.pause(0)
        await self.pilot.pause()

    def text(self) -> str:
        """Return the screen as plain text, line for line."""
        strips = self.pilot.app.screen._compositor.render_strips()
        return "\n".join(strip.text.rstrip() for strip in strips)

    def page(self) -> str | None:
        """Return which page is in front."""
        return self.pilot.app.screen_stack[1].query_one(ContentSwitcher).current

    async def until(self, true: Callable[[], bool]) -> None:
        """Wait for something to come true, generously."""
        for _ in range(1000):
            if true():
                return
            await self.pilot.pause(0.02)
        pytest.fail(f"did not come true; on the screen:\n{self.text()}")

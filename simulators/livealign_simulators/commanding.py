"""Gives a service the commands that were given when a session was recorded."""

import asyncio
import contextlib
import time
from collections.abc import Callable, Collection, Mapping
from pathlib import Path
from typing import Any

from livealign.client import Client
from livealign.errors import PersonError
from livealign.paths import read_note

__all__ = ["Commander"]

_POLL_S = 0.05
_MOST_WAITING = 10_000


class Commander:
    """Waits for a service that reads this replay, and gives it commands in their order.

    Only a service that was started after the replay is spoken to: no other can have read its rig file, and none that
    measures a real machine is to be disturbed.
    """

    def __init__(
        self, note: Path, links: Collection[str], say: Callable[[str, dict[str, Any]], None]
    ) -> None:
        """Take where the service will say where it is, and the links it will read."""
        self._note = note
        self._links = set(links)
        self._say = say
        self._since = time.time() - 1.0  # file systems keep coarse times
        self._waiting: asyncio.Queue[Mapping[str, Any]] = asyncio.Queue(_MOST_WAITING)
        self._client: Client | None = None
        self._giving: asyncio.Task[None] | None = None

    async def ready(self, patience_s: float) -> None:
        """Wait until the service is there and all links are open to it.

        Raises:
            PersonError: if that takes too long.
        """
        trouble = "it was not started"
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(patience_s):
                while True:
                    trouble = await self._attempt()
                    if not trouble:
                        self._giving = asyncio.create_task(self._give(), name="commands")
                        return
                    await asyncio.sleep(_POLL_S)
        raise PersonError(
            f"no service reads this replay: {trouble}",
            where=str(self._note),
            advice="Start one with the files named in the first line: livealign run --job JOB --rig RIG --note NOTE",
        )

    def ask(self, command: Mapping[str, Any]) -> None:
        """Give a command as soon as those before it have been answered."""
        self._waiting.put_nowait(command)

    async def finish(self) -> None:
        """Wait until every command has been answered."""
        await self._waiting.join()

    async def close(self) -> None:
        """End at once."""
        if self._giving is not None:
            self._giving.cancel()
            await asyncio.gather(self._giving, return_exceptions=True)
        await self._let_go()

    async def _attempt(self) -> str:
        """Look for the service; return what is still missing."""
        try:
            if self._note.stat().st_mtime < self._since:
                return "the service of that note is older than this replay"
            if self._client is None:
                self._client = await Client.of(read_note(self._note)).__aenter__()
            snapshot = await self._client.snapshot()
        except OSError:
            return "there is no such note"
        except PersonError as e:
            await self._let_go()
            return e.what
        if {link.name for link in snapshot.links} != self._links:
            await self._let_go()
            return "the service of that note reads another rig"
        closed = [link.name for link in snapshot.links if link.state not in {"open", "silent"}]
        return f"its link {closed[0]} is not open" if closed else ""

    async def _let_go(self) -> None:
        if self._client is not None:
            await self._client.__aexit__(None, None, None)
            self._client = None

    async def _give(self) -> None:
        while True:
            command = await self._waiting.get()
            try:
                if self._client is not None:
                    await self._client.command(**command)
                self._say(f"{command['name']}: given", {"did": "command", "command": dict(command)})
            except PersonError as e:
                self._say(
                    f"{command['name']}: refused: {e.what}", {"error": e.what, "command": dict(command)}
                )
            finally:
                self._waiting.task_done()

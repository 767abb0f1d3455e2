"""Gives a service the commands that were given when a session was recorded."""

import asyncio
from collections.abc import Callable, Collection, Mapping
from pathlib import Path
from typing import Any

from livealign.client import Client
from livealign.errors import PersonError
from livealign_simulators.attaching import Attachment

__all__ = ["Commander"]

_MOST_WAITING = 10_000


class Commander:
    """Waits for a service that reads this replay, and gives it commands in their order."""

    def __init__(
        self, note: Path, links: Collection[str], say: Callable[[str, dict[str, Any]], None]
    ) -> None:
        """Take where the service will say where it is, and the links it will read."""
        self._attachment = Attachment(note, links, "replay")
        self._say = say
        self._waiting: asyncio.Queue[Mapping[str, Any]] = asyncio.Queue(_MOST_WAITING)
        self._giving: asyncio.Task[None] | None = None

    async def ready(self, patience_s: float) -> None:
        """Wait until the service is there and all links are open to it.

        Raises:
            PersonError: if that takes too long.
        """
        client = await self._attachment.ready(patience_s)
        self._giving = asyncio.create_task(self._give(client), name="commands")

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
        await self._attachment.close()

    async def _give(self, client: Client) -> None:
        while True:
            command = await self._waiting.get()
            try:
                await client.command(**command)
                self._say(f"{command['name']}: given", {"did": "command", "command": dict(command)})
            except PersonError as e:
                self._say(
                    f"{command['name']}: refused: {e.what}", {"error": e.what, "command": dict(command)}
                )
            finally:
                self._waiting.task_done()

"""Finds the service that reads a simulated rig: by its note, and by the links it reads."""

import asyncio
import contextlib
import time
from collections.abc import Collection
from pathlib import Path

from livealign.client import Client
from livealign.errors import PersonError
from livealign.paths import read_note

__all__ = ["Attachment"]

_POLL_S = 0.05


class Attachment:
    """A client of the service, once there is one.

    Only a service that was started after this is spoken to: no other can have read its rig file, and none that
    measures a real machine is to be disturbed.
    """

    def __init__(self, note: Path, links: Collection[str], name: str) -> None:
        """Take where the service will say where it is, the links it will read, and what this is called in words."""
        self.client: Client | None = None
        """None until `ready` has returned."""
        self._note = note
        self._links = set(links)
        self._name = name
        self._since = time.time() - 1.0  # file systems keep coarse times

    async def ready(self, patience_s: float | None) -> Client:
        """Wait until the service is there and all links are open to it; None waits for ever.

        Raises:
            PersonError: if that takes too long.
        """
        trouble = "it was not started"
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(patience_s):
                while True:
                    trouble = await self._attempt()
                    if not trouble and self.client is not None:
                        return self.client
                    await asyncio.sleep(_POLL_S)
        raise PersonError(
            f"no service reads this {self._name}: {trouble}",
            where=str(self._note),
            advice="Start one with the files named in the first line: livealign run --job JOB --rig RIG --note NOTE",
        )

    async def close(self) -> None:
        """Let go of the service."""
        if self.client is not None:
            await self.client.__aexit__(None, None, None)
            self.client = None

    async def _attempt(self) -> str:
        """Look for the service; return what is still missing."""
        try:
            if self._note.stat().st_mtime < self._since:
                return f"the service of that note is older than this {self._name}"
            if self.client is None:
                self.client = await Client.of(read_note(self._note)).__aenter__()
            snapshot = await self.client.snapshot()
        except OSError:
            return "there is no such note"
        except PersonError as e:
            await self.close()
            return e.what
        if {link.name for link in snapshot.links} != self._links:
            await self.close()
            return "the service of that note reads another rig"
        closed = [link.name for link in snapshot.links if link.state not in {"open", "silent"}]
        return f"its link {closed[0]} is not open" if closed else ""

"""The contact with the service: keeps the newest snapshot only, and comes back by itself."""

import asyncio
import time
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager
from typing import Any, Protocol

from livealign.errors import PersonError
from livealign.snapshot import Snapshot, decode

__all__ = ["Connect", "Contact", "Feed"]

_RETRY_S = 1.0
_QUIET_S = 3.0


class Contact(Protocol):
    """What the dashboard needs of a client of the service."""

    def stream_raw(self) -> AsyncIterator[str]:
        """Yield encoded snapshots as they come."""
        ...

    async def command(self, name: str, **args: Any) -> object:
        """Ask for something; raises PersonError where it is refused."""
        ...


Connect = Callable[[], AbstractAsyncContextManager[Contact]]
"""Makes a new contact; called again after each loss, so that it may look again where the service is."""


class Feed:
    """Reads the service for as long as it runs. Stale snapshots are replaced before they are decoded."""

    def __init__(self, connect: Connect, *, retry_s: float = _RETRY_S, quiet_s: float = _QUIET_S) -> None:
        self._connect = connect
        self._retry_s = retry_s
        self._quiet_s = quiet_s
        self._contact: Contact | None = None
        self._raw: str | None = None
        self._heard: float | None = None
        self._reason = ""

    @property
    def trouble(self) -> str:
        """Why nothing comes, in words; empty while all is well."""
        if self._heard is None:
            said = "no contact with the service, trying again"
            return f"{said}: {self._reason}" if self._reason else said
        quiet = time.monotonic() - self._heard
        return f"no news from the service for {quiet:.0f} s" if quiet > self._quiet_s else ""

    async def run(self) -> None:
        """Keep contact until cancelled."""
        while True:
            try:
                async with self._connect() as contact:
                    self._contact = contact
                    async for raw in contact.stream_raw():
                        self._raw = raw
                        self._heard = time.monotonic()
                self._reason = ""
            except PersonError as e:
                self._reason = e.what
            except OSError as e:
                self._reason = e.strerror or ""
            finally:
                self._contact, self._heard = None, None
            await asyncio.sleep(self._retry_s)

    def take(self) -> Snapshot | None:
        """Return the newest snapshot that has not been taken yet.

        Raises:
            PersonError: if the service speaks another version.
        """
        raw, self._raw = self._raw, None
        if raw is None:
            return None
        try:
            return decode(raw)
        except ValueError as e:
            raise PersonError(
                "the service speaks another version than this dashboard",
                advice="Start the service and the dashboard from the same installation.",
            ) from e

    async def command(self, name: str, **args: Any) -> None:
        """Pass on what the person asked for.

        Raises:
            PersonError: if it was refused, or there is no contact.
        """
        if self._contact is None:
            raise PersonError("no contact with the service", advice="Try again when values are coming.")
        try:
            await self._contact.command(name, **args)
        except OSError as e:
            raise PersonError("the service did not answer", advice="Try again when values are coming.") from e

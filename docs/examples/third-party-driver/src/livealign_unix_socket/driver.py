"""Bytes from a Unix domain socket, over which another program on this computer hands on what it reads."""

import asyncio
from contextlib import suppress
from typing import Annotated, ClassVar

from pydantic import Field

from livealign.stream.contracts import Clock, Options
from livealign_drivers.toolbox import LinkError, ReconnectingDriver, ReconnectSeconds

__all__ = ["UnixSocketDriver", "UnixSocketOptions"]

READ_BYTES = 16384


class UnixSocketOptions(Options):
    """Which socket: these are the keys of `driver = { kind = "unix-socket", ... }` in a rig file."""

    path: Annotated[str, Field(min_length=1, max_length=100)]
    """Where the other program listens, such as /run/heads.sock."""
    reconnect_max_s: ReconnectSeconds = 5.0
    """Longest pause between two attempts to connect."""


class UnixSocketDriver(ReconnectingDriver):
    """Reads from such a socket; writes nothing."""

    options_model: ClassVar[type[Options]] = UnixSocketOptions

    def __init__(self, link: str, options: UnixSocketOptions, clock: Clock) -> None:
        super().__init__(link, clock, options.reconnect_max_s)
        self._path = options.path

    async def _hold_open(self) -> None:
        reader, writer = await self._connect()
        try:
            self._opened()
            while payload := await reader.read(READ_BYTES):
                self._deliver(payload)
        except OSError as e:
            raise LinkError("lost", f"the connection to {self._path} broke ({e})") from e
        finally:
            writer.close()
            with suppress(OSError):
                await writer.wait_closed()
        raise LinkError(
            "lost", f"the program behind {self._path} closed the connection: is it still running?"
        )

    async def _connect(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        try:
            return await asyncio.open_unix_connection(self._path)
        except PermissionError as e:
            why = f"you may not use {self._path}: join the group that it belongs to"
            raise LinkError("refused", why) from e
        except OSError as e:
            why = (
                f"nothing listens at {self._path} ({e.strerror or e}): start the program that reads the heads"
            )
            raise LinkError("lost", why) from e

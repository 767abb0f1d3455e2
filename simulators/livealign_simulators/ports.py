"""Where virtual devices speak: a pseudo-terminal in place of a serial port, or a TCP server on this machine.

Writing never waits. What nobody reads is dropped whole and counted; it never leaves half a record behind.
"""

import asyncio
import contextlib
import math
import os
import sys
from pathlib import Path
from typing import Any, Protocol

from livealign.errors import PersonError

__all__ = ["Announcer", "Port", "PtyPort", "TcpPort", "have_ptys"]

_TCP_BACKLOG_BYTES = 65536
_ANNOUNCE_S = 1.0


def have_ptys() -> bool:
    """Tell whether this platform has pseudo-terminals."""
    return sys.platform != "win32"


class Port(Protocol):
    """One end of a link; unplugged until `plug` is called."""

    messages: bool
    """True: what is written at once arrives as one; false: it is a stream."""
    dropped: int
    """Chunks that nobody read in time."""

    @property
    def address(self) -> dict[str, Any]:
        """The driver options with which a reader finds this port, `kind` included."""
        ...

    async def plug(self) -> None:
        """Make the port appear; the address stays the same each time."""
        ...

    async def unplug(self) -> None:
        """Make the port vanish under its readers; harmless when it is not there."""
        ...

    async def close(self) -> None:
        """Unplug for good, and let go of what the port is made of."""
        ...

    def write(self, data: bytes) -> None:
        """Send, or drop when unplugged or not read."""
        ...


class Announcer:
    """What a device sends first, again and again where it cannot know when somebody begins to read."""

    def __init__(self, preamble: bytes) -> None:
        """Keep what is to be said."""
        self._preamble = preamble
        self._said_s = -math.inf

    def due(self) -> bytes:
        """Return it if it is time to say it, else nothing."""
        now_s = asyncio.get_running_loop().time()
        if not self._preamble or now_s - self._said_s < _ANNOUNCE_S:
            return b""
        self._said_s = now_s
        return self._preamble


class PtyPort:
    """A serial port made of a pseudo-terminal, under a name that survives unplugging."""

    messages = False

    def __init__(self, path: Path, preamble: bytes = b"") -> None:
        """Keep the name to appear under and what the device sends first."""
        self.dropped = 0
        self._path = path
        self._preamble = preamble
        self._master = -1
        self._slave = -1
        self._rest = b""

    @property
    def address(self) -> dict[str, Any]:
        """Kind and port."""
        return {"kind": "serial", "port": str(self._path)}

    async def plug(self) -> None:
        """Open a new pseudo-terminal and point the name at it."""
        if self._master >= 0:
            return
        if not have_ptys():
            raise PersonError("this platform has no pseudo-terminals", advice="Use --as tcp.")
        import tty  # noqa: PLC0415 - not there on every platform

        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        # Our own descriptor of the far end keeps the terminal alive between readers.
        fresh = self._path.with_name(self._path.name + ".new")
        fresh.unlink(missing_ok=True)
        fresh.symlink_to(os.ttyname(self._slave))
        fresh.replace(self._path)
        self.write(self._preamble)

    async def unplug(self) -> None:
        """Close both ends; a reader sees an input error."""
        self._path.unlink(missing_ok=True)
        for descriptor in (self._master, self._slave):
            if descriptor >= 0:
                os.close(descriptor)
        self._master = self._slave = -1
        self._rest = b""

    async def close(self) -> None:
        """Unplug."""
        await self.unplug()

    def write(self, data: bytes) -> None:
        """Send what the terminal takes; a torn chunk is finished first, whole ones are dropped meanwhile."""
        if self._master < 0 or not data:
            return
        if self._rest:
            self._rest = self._rest[self._put(self._rest) :]
        if self._rest:
            self.dropped += 1
            return
        taken = self._put(data)
        if taken:
            self._rest = data[taken:]
        else:
            self.dropped += 1

    def _put(self, data: bytes) -> int:
        try:
            return os.write(self._master, data)
        except OSError:  # full, or the terminal is going away: either way nothing was sent
            return 0


class TcpPort:
    """A TCP server on the loopback address that sends the same bytes to every client."""

    messages = False

    def __init__(self, preamble: bytes = b"") -> None:
        """Keep what the device sends first to each client."""
        self.dropped = 0
        self._preamble = preamble
        self._number = 0
        self._server: asyncio.Server | None = None
        self._clients: dict[asyncio.StreamWriter, asyncio.Task[None] | None] = {}

    @property
    def address(self) -> dict[str, Any]:
        """Kind, host and port."""
        return {"kind": "tcp", "host": "127.0.0.1", "port": self._number}

    async def plug(self) -> None:
        """Listen; on the same port as before when it has been plugged in before."""
        if self._server is None:
            self._server = await asyncio.start_server(self._serve, "127.0.0.1", self._number)
            self._number = self._server.sockets[0].getsockname()[1]

    async def unplug(self) -> None:
        """Stop listening and reset every connection."""
        if self._server is None:
            return
        self._server.close()
        tasks = [t for t in self._clients.values() if t is not None]
        for writer in self._clients:
            writer.transport.abort()
        await asyncio.gather(*tasks, return_exceptions=True)
        await self._server.wait_closed()
        self._server = None

    async def close(self) -> None:
        """Unplug."""
        await self.unplug()

    def write(self, data: bytes) -> None:
        """Send to every client that keeps up."""
        if not data:
            return
        for writer in self._clients:
            if writer.transport.get_write_buffer_size() > _TCP_BACKLOG_BYTES:
                self.dropped += 1
            elif not writer.transport.is_closing():
                writer.write(data)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._clients[writer] = asyncio.current_task()
        try:
            writer.write(self._preamble)
            while await reader.read(1024):
                pass  # the devices take no orders
        except OSError:
            pass
        finally:
            del self._clients[writer]
            writer.close()
            with contextlib.suppress(OSError):
                await writer.wait_closed()

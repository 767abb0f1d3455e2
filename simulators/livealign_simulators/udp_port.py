"""A head that sends datagrams."""

import socket
from typing import Any

from livealign_simulators.ports import Announcer

__all__ = ["UdpPort"]

_LARGEST = 8192
"""Longer chunks go as several datagrams."""


class UdpPort:
    """Sends each chunk as a datagram to a port of this machine, whether anybody listens there or not.

    Nobody is told of a datagram's sender coming or going: unplugged, it is silent.
    """

    messages = True

    def __init__(self, preamble: bytes = b"") -> None:
        """Choose a port that is free now, and keep what the device sends first."""
        self.dropped = 0
        self._announcer = Announcer(preamble)
        self._sock: socket.socket | None = None
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
            free.bind(("127.0.0.1", 0))
            self._number: int = free.getsockname()[1]

    @property
    def address(self) -> dict[str, Any]:
        """Kind, and where a reader has to listen."""
        return {"kind": "udp", "host": "127.0.0.1", "port": self._number, "add_line_end": False}

    async def plug(self) -> None:
        """Begin to send."""
        if self._sock is None:
            self._sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
            self._sock.settimeout(0)

    async def unplug(self) -> None:
        """Fall silent."""
        if self._sock is not None:
            self._sock.close()
            self._sock = None

    async def close(self) -> None:
        """Unplug."""
        await self.unplug()

    def write(self, data: bytes) -> None:
        """Send as one datagram."""
        if self._sock is None:
            return
        data = self._announcer.due() + data
        try:
            for at in range(0, len(data), _LARGEST):
                self._sock.sendto(data[at : at + _LARGEST], ("127.0.0.1", self._number))
        except OSError:  # the system's buffer is full, or nobody listens and it says so
            self.dropped += 1

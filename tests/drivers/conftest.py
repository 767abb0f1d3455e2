"""Real parts at the other end of a driver: a pseudo terminal as serial port, a TCP server, a broker, a file."""

import asyncio
import os
import shutil
import socket
from collections.abc import AsyncIterator, Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from drivers.broker import PROGRAM, MqttPart
from livealign.contract import Leftovers, Listener, session_clock, until
from livealign_drivers.file import FileDriver, FileOptions
from livealign_drivers.serial import SerialDriver, SerialOptions
from livealign_drivers.tcp import TcpDriver, TcpOptions
from livealign_drivers.udp import UdpDriver, UdpOptions


class SerialPart:
    """A port whose name is a link to a pseudo terminal; plugging in again makes a new terminal."""

    def __init__(self, folder: Path) -> None:
        self.name = folder / "port"
        self._ends: tuple[int, ...] = ()

    async def appear(self) -> None:
        import tty

        self._ends = os.openpty()
        tty.setraw(self._ends[1])
        self.name.symlink_to(os.ttyname(self._ends[1]))

    async def vanish(self) -> None:
        self.name.unlink(missing_ok=True)
        for end in self._ends:
            os.close(end)
        self._ends = ()

    async def send(self, data: bytes) -> None:
        assert os.write(self._ends[0], data) == len(data)

    def driver(self, clock, *, reconnect_max_s: float = 0.05) -> SerialDriver:
        options = SerialOptions(port=str(self.name), reconnect_max_s=reconnect_max_s)
        return SerialDriver("head S", options, clock)


class TcpPart:
    """A server that keeps its port number when it comes back."""

    def __init__(self) -> None:
        self.port = 0
        self._server: asyncio.Server | None = None
        self._clients: set[asyncio.StreamWriter] = set()

    async def appear(self) -> None:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def vanish(self) -> None:
        if self._server is not None:
            self._server.close()
            for client in self._clients:
                client.close()
            await until(lambda: not self._clients)
            await self._server.wait_closed()
            self._server = None

    async def send(self, data: bytes) -> None:
        await until(lambda: self._clients)
        for client in self._clients:
            client.write(data)
            await client.drain()

    def driver(self, clock, *, reconnect_max_s: float = 0.05) -> TcpDriver:
        options = TcpOptions(host="127.0.0.1", port=self.port, reconnect_max_s=reconnect_max_s)
        return TcpDriver("head S", options, clock)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._clients.add(writer)
        with suppress(OSError):
            await reader.read()
        writer.close()
        with suppress(OSError):
            await writer.wait_closed()
        self._clients.discard(writer)


class UdpPart:
    """Whoever sends datagrams to the port the driver listens on; nothing comes or goes."""

    def __init__(self) -> None:
        self._sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]

    async def appear(self) -> None:
        pass

    async def vanish(self) -> None:
        self._sock.close()

    async def send(self, data: bytes) -> None:
        assert self._sock.sendto(data, ("127.0.0.1", self.port)) == len(data)

    def driver(self, clock, **options) -> UdpDriver:
        chosen = UdpOptions(**({"host": "127.0.0.1", "port": self.port, "add_line_end": False} | options))
        return UdpDriver("head S", chosen, clock)


class FilePart:
    """A file with a given content."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "heads.txt"

    async def appear(self) -> None:
        self.path.touch()

    async def vanish(self) -> None:
        self.path.unlink(missing_ok=True)

    async def send(self, data: bytes) -> None:
        with self.path.open("ab") as f:
            f.write(data)

    def driver(self, clock, *, chunk_bytes: int = 65536) -> FileDriver:
        return FileDriver("head S", FileOptions(path=self.path, chunk_bytes=chunk_bytes), clock)


@pytest.fixture
def clock() -> Callable[[], int]:
    return session_clock()


@pytest.fixture
def wait_until():
    return until


@pytest.fixture
async def serial_part(tmp_path, missing) -> AsyncIterator[SerialPart]:
    if not hasattr(os, "openpty"):
        missing("this platform has no pseudo terminals")
    part = SerialPart(tmp_path)
    await part.appear()
    yield part
    await part.vanish()


@pytest.fixture
async def tcp_part() -> AsyncIterator[TcpPart]:
    part = TcpPart()
    await part.appear()
    yield part
    await part.vanish()


@pytest.fixture
async def mqtt_part(tmp_path, missing) -> AsyncIterator[MqttPart]:
    if PROGRAM is None or shutil.which("mosquitto_passwd") is None:
        missing("MQTT is tested with a real broker: install the package mosquitto")
    part = MqttPart(tmp_path)
    await part.appear()
    yield part
    await part.vanish()


@pytest.fixture
async def udp_part() -> AsyncIterator[UdpPart]:
    part = UdpPart()
    yield part
    await part.vanish()


@pytest.fixture
async def file_part(tmp_path) -> FilePart:
    part = FilePart(tmp_path)
    await part.appear()
    return part


@pytest.fixture
async def leftovers() -> Leftovers:
    return Leftovers()


@pytest.fixture
async def listen() -> AsyncIterator[Callable[[Any], Listener]]:
    """Listen to a driver; whatever the test did, the driver is closed after it."""
    listeners: list[Listener] = []

    def start(driver) -> Listener:
        listeners.append(Listener(driver))
        return listeners[-1]

    yield start
    for listener in listeners:
        await listener.end()

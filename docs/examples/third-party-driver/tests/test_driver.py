"""The driver, with a real socket at its other end."""

import asyncio
from contextlib import suppress
from pathlib import Path

import pytest
from livealign_unix_socket.driver import UnixSocketDriver, UnixSocketOptions

from livealign.contract import LINK, ReconnectingDriverContract, until


class Program:
    """The program that listens at the socket and hands on what it reads."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._server: asyncio.Server | None = None
        self._clients: set[asyncio.StreamWriter] = set()

    async def appear(self) -> None:
        self._server = await asyncio.start_unix_server(self._serve, self._path)

    async def vanish(self) -> None:
        if self._server is not None:
            self._server.close()
            for client in self._clients:
                client.close()
            await until(lambda: not self._clients)
            self._path.unlink(missing_ok=True)
            self._server = None

    async def send(self, data: bytes) -> None:
        await until(lambda: self._clients)
        for client in self._clients:
            client.write(data)
            await client.drain()

    def driver(self, clock) -> UnixSocketDriver:
        options = UnixSocketOptions(path=str(self._path), reconnect_max_s=0.05)
        return UnixSocketDriver(LINK, options, clock)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._clients.add(writer)
        with suppress(OSError):
            await reader.read()
        writer.close()
        with suppress(OSError):
            await writer.wait_closed()
        self._clients.discard(writer)


class TestUnixSocket(ReconnectingDriverContract):
    @pytest.fixture
    def part(self, tmp_path):
        return Program(tmp_path / "heads.sock")

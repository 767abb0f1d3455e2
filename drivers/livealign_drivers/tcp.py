"""Bytes from a TCP server, such as a serial device server or a sensor head on the network."""

import asyncio
import socket
from contextlib import suppress
from typing import Annotated, ClassVar

from pydantic import Field

from livealign.stream.contracts import Clock, Options
from livealign_drivers._reconnecting import LinkError, ReconnectingDriver, ReconnectSeconds
from livealign_drivers._request import Request

__all__ = ["TcpDriver", "TcpOptions"]

READ_BYTES = 16384


class TcpOptions(Options):
    """Whom to connect to."""

    host: Annotated[str, Field(min_length=1)]
    port: Annotated[int, Field(ge=1, le=65535)]
    connect_timeout_s: Annotated[float, Field(gt=0, le=300, allow_inf_nan=False)] = 5.0
    reconnect_max_s: ReconnectSeconds = 5.0
    """Longest pause between two attempts to connect."""
    request: Request | None = None
    """What a head that only answers is to be sent, and when."""


class TcpDriver(ReconnectingDriver):
    """Reads from a TCP server; writes nothing but the request."""

    options_model: ClassVar[type[Options]] = TcpOptions

    def __init__(self, link: str, options: TcpOptions, clock: Clock) -> None:
        super().__init__(link, clock, options.reconnect_max_s, options.request)
        self._options = options

    async def _hold_open(self) -> None:
        reader, writer = await self._connect()

        async def ask(request: bytes) -> None:
            # A peer that takes nothing must not be sent a heap of old requests later.
            if writer.transport.get_write_buffer_size() == 0:
                writer.write(request)

        try:
            _notice_a_dead_peer(writer)
            self._opened()
            async with self._asked(ask):
                while payload := await reader.read(READ_BYTES):
                    self._deliver(payload)
        except OSError as e:
            raise LinkError(
                "lost", f"the connection to {self._peer} broke ({e}): check its power and the network"
            ) from e
        finally:
            writer.close()
            with suppress(OSError):
                await writer.wait_closed()
        raise LinkError(
            "lost",
            f"{self._peer} closed the connection: was it switched off, or has it another client?",
        )

    async def _connect(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        options = self._options
        try:
            async with asyncio.timeout(options.connect_timeout_s):
                return await asyncio.open_connection(options.host, options.port)
        except TimeoutError as e:
            why = (
                f"{self._peer} did not answer in {options.connect_timeout_s:g} s: check its power and address"
            )
            raise LinkError("lost", why) from e
        except ConnectionRefusedError as e:
            why = f"nothing listens at {self._peer}: start the device, or correct `port` in the rig file"
            raise LinkError("lost", why) from e
        except socket.gaierror as e:
            why = f"the name {options.host!r} is not known: correct `host` in the rig file"
            raise LinkError("lost", why) from e
        except (OSError, UnicodeError) as e:
            raise LinkError(
                "lost", f"{self._peer} cannot be reached ({e}): check the address and the network"
            ) from e

    @property
    def _peer(self) -> str:
        return f"{self._options.host}:{self._options.port}"


def _notice_a_dead_peer(writer: asyncio.StreamWriter) -> None:
    """Probe a quiet connection, else a head that lost its power would look connected for ever."""
    sock: socket.socket = writer.get_extra_info("socket")
    with suppress(OSError):
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        for option, value in (("TCP_KEEPIDLE", 5), ("TCP_KEEPINTVL", 2), ("TCP_KEEPCNT", 3)):
            if hasattr(socket, option):
                sock.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)

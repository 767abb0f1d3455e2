"""Datagrams, from one sender or from a multicast group."""

import asyncio
import errno
import socket
import sys
from collections.abc import Callable
from contextlib import suppress
from ipaddress import IPv4Address, ip_address
from typing import Annotated, Any, ClassVar, Self

from pydantic import Field, IPvAnyAddress, field_validator, model_validator

from livealign.stream.contracts import Clock, Options
from livealign_drivers._messages import as_line
from livealign_drivers._reconnecting import LinkError, ReconnectingDriver, ReconnectSeconds
from livealign_drivers._request import Request

__all__ = ["UdpDriver", "UdpOptions"]

LARGEST = 65536
MOST_TOGETHER = 15
"""Further datagrams taken before the other tasks of the loop get a turn: fewer than a reader is given in its turn."""


class UdpOptions(Options):
    """Where to listen, and to whom."""

    port: Annotated[int, Field(ge=1, le=65535)]
    host: IPvAnyAddress | None = None
    """Address of this computer to listen at; left out: all it has."""
    group: IPv4Address | None = None
    """Multicast group to join."""
    from_host: Annotated[str, Field(min_length=1)] | None = None
    """Name or address of the only sender to listen to."""
    add_line_end: bool = True
    """Put a newline behind each datagram that ends in none; false, as binary formats need: leave them as they are."""
    reconnect_max_s: ReconnectSeconds = 5.0
    """Longest pause between two attempts to listen."""
    request: Request | None = None
    """What a head that only answers is to be sent, from the port that is listened on, and when."""
    request_host: Annotated[str, Field(min_length=1)] | None = None
    """Name or address to send it to; left out: `from_host`."""
    request_port: Annotated[int, Field(ge=1, le=65535)] | None = None
    """Port to send it to; left out: `port`."""

    @field_validator("group")
    @classmethod
    def _is_a_group(cls, group: IPv4Address | None) -> IPv4Address | None:
        if group is not None and not group.is_multicast:
            raise ValueError("is no multicast group: they are 224.0.0.0 to 239.255.255.255")
        return group

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.request is not None and self.request_host is None and self.from_host is None:
            raise ValueError("a `request` needs a `request_host` to send it to")
        if self.request is None and (self.request_host is not None or self.request_port is not None):
            raise ValueError("`request_host` and `request_port` say where to send a `request`: give that too")
        return self


class UdpDriver(ReconnectingDriver):
    """Listens on a port; sends nothing but the request. Each datagram is a frame."""

    options_model: ClassVar[type[Options]] = UdpOptions

    def __init__(self, link: str, options: UdpOptions, clock: Clock) -> None:
        super().__init__(link, clock, options.reconnect_max_s, options.request)
        self._options = options
        self._whole_lines = options.add_line_end

    async def _hold_open(self) -> None:
        options = self._options
        senders = await self._senders()
        asked = await self._asked_address()
        sock = _listening(options)

        def take(payload: bytes, sender: str) -> None:
            if payload and (senders is None or _plain(sender) in senders):
                self._deliver(as_line(payload) if options.add_line_end else payload)

        async def ask(request: bytes) -> None:
            transport.sendto(request, asked)

        transport, receiver = await asyncio.get_running_loop().create_datagram_endpoint(
            lambda: _Receiver(take, sock), sock=sock
        )
        try:
            self._opened()
            async with self._asked(ask):
                await receiver.gone.wait()
        finally:
            transport.close()
            await receiver.gone.wait()
        why = f"port {options.port} no longer receives ({receiver.why}): check the network"
        raise LinkError("lost", why)

    async def _senders(self) -> set[str] | None:
        name = self._options.from_host
        if name is None:
            return None
        return {_plain(str(where[0])) for where in await _found(name, "from_host")}

    async def _asked_address(self) -> Any:
        options = self._options
        if options.request is None:
            return None
        key = "request_host" if options.request_host is not None else "from_host"
        name, port = getattr(options, key), options.request_port or options.port
        return (await _found(name, key, port, _family(options)))[0]


async def _found(
    name: str, key: str, port: int | None = None, family: int = socket.AF_UNSPEC
) -> list[tuple[Any, ...]]:
    """Return the addresses of a name that stands at a key of the rig file."""
    try:
        found = await asyncio.get_running_loop().getaddrinfo(
            name, port, family=family, type=socket.SOCK_DGRAM
        )
    except (OSError, UnicodeError) as e:
        why = f"the name {name!r} is not known: correct `{key}` in the rig file"
        raise LinkError("lost", why) from e
    return [where for *_, where in found]


class _Receiver(asyncio.DatagramProtocol):
    def __init__(self, take: Callable[[bytes, str], None], sock: socket.socket) -> None:
        self._take = take
        # Another event loop may have a read of its own under way, whose datagram comes before those waiting.
        drains = isinstance(asyncio.get_running_loop(), asyncio.SelectorEventLoop)
        self._sock = sock if drains else None
        self.gone = asyncio.Event()
        self.why: Exception | None = None

    def datagram_received(self, data: bytes, addr: tuple[Any, ...]) -> None:
        self._take(data, str(addr[0]))
        if self._sock is None:
            return
        # What waits already is taken along: the loop alone takes one a round, and a burst overruns the system's buffer.
        with suppress(OSError):  # nothing waits, or what is wrong the loop will meet
            for _ in range(MOST_TOGETHER):
                data, addr = self._sock.recvfrom(LARGEST)
                self._take(data, str(addr[0]))

    def connection_lost(self, exc: Exception | None) -> None:
        self.why = exc
        self.gone.set()


def _plain(address: str) -> str:
    """Return an address in the one way to compare it by; an IPv4 sender may look like an IPv6 one."""
    parsed = ip_address(address)
    mapped = getattr(parsed, "ipv4_mapped", None)
    return str(mapped or parsed)


def _family(options: UdpOptions) -> socket.AddressFamily:
    return socket.AF_INET6 if options.host is not None and options.host.version == 6 else socket.AF_INET


def _listening(options: UdpOptions) -> socket.socket:
    host, group = options.host, options.group
    if group is not None and host is not None and host.version != 4:
        raise LinkError("refused", "`group` and `host` are of different kinds: give both as IPv4 addresses")
    sock = socket.socket(_family(options), socket.SOCK_DGRAM)
    at = str(host or "")
    try:
        if group is not None:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)  # other programs may listen to it too
            membership = group.packed + (host.packed if host is not None else bytes(4))
            sock.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, membership)
            # Bound to the group, it hears nothing else on that port; Windows cannot.
            at = "" if sys.platform == "win32" else str(group)
        sock.bind((at, options.port))
    except OSError as e:
        sock.close()
        raise _why_not(options, e) from e
    return sock


def _why_not(options: UdpOptions, error: OSError) -> LinkError:
    port, here = options.port, options.host or "this computer"
    if error.errno == errno.EADDRINUSE:
        why = f"UDP port {port} is in use by another program: close that program, or use another `port`"
        return LinkError("refused", why)
    if error.errno in (errno.EACCES, errno.EPERM):
        why = f"UDP port {port} may not be opened: use a `port` above 1023, and check the firewall"
        return LinkError("refused", why)
    if error.errno == errno.EADDRNOTAVAIL:
        why = f"this computer has no address {here} now: connect it to that network, or correct `host`"
        return LinkError("lost", why)
    if options.group is not None:
        why = (
            f"the multicast group {options.group} cannot be joined ({error.strerror or error}): give this "
            "computer's address in the heads' network as `host`"
        )
        return LinkError("lost", why)
    return LinkError("lost", f"UDP port {port} cannot be opened ({error}): check `host` and the network")

"""A sensor head in a process of its own, at the far end of a transport: numbered lines, in a flood or at their times.

Run as `python tests/bench/talker.py KIND PLACE`; it prints where it is reached as JSON, then takes one order a line
and answers each. A line says its number and when it was written (us of the machine's monotonic clock).
"""

import asyncio
import json
import os
import select
import socket
import struct
import sys
import threading
import time
import tty
from collections.abc import Callable
from contextlib import suppress
from functools import reduce
from operator import xor
from pathlib import Path
from typing import Any, Protocol

TOGETHER = 64
TOPIC = "heads/S"


class End(Protocol):
    """The far end of a link."""

    together: int
    """Lines of a flood that are sent at once."""
    longest: int
    """Bytes of a line that one message, or one write, carries well."""

    def place(self) -> Any:
        """Return where it is reached."""

    def send(self, data: bytes) -> None:
        """Send it, or lose it if nobody is there."""

    def go(self) -> None:
        """Vanish."""

    def come(self) -> None:
        """Be there again."""


class SerialEnd:
    """A pseudo-terminal behind a link, unplugged by closing it."""

    together, longest = TOGETHER, 4096

    def __init__(self, path: str) -> None:
        self._path = Path(path)
        self._ends: tuple[int, ...] = ()
        self.come()

    def place(self) -> str:
        return str(self._path)

    def send(self, data: bytes) -> None:
        while data and self._ends:
            # Nobody may read: then a cable loses what is sent.
            if not select.select([], self._ends[:1], [], 0.2)[1]:
                return
            data = data[os.write(self._ends[0], data) :]

    def go(self) -> None:
        self._path.unlink()
        ends, self._ends = self._ends, ()
        for end in ends:
            os.close(end)

    def come(self) -> None:
        ends = os.openpty()
        tty.setraw(ends[1])
        os.set_blocking(ends[0], False)
        self._path.symlink_to(os.ttyname(ends[1]))
        self._ends = ends


class TcpEnd:
    """A server; whoever connected last is its client."""

    together, longest = TOGETHER, 4096

    def __init__(self) -> None:
        self._port = 0
        self._client: socket.socket | None = None
        self.come()

    def place(self) -> int:
        return self._port

    def send(self, data: bytes) -> None:
        while select.select([self._server], [], [], 0)[0]:
            if self._client is not None:
                self._client.close()
            self._client = self._server.accept()[0]
        if self._client is not None:
            try:
                self._client.sendall(data)
            except OSError:
                self._client.close()
                self._client = None

    def go(self) -> None:
        self._server.close()
        if self._client is not None:
            self._client.close()
            self._client = None
        self._server = socket.socket()  # listens to nobody

    def come(self) -> None:
        self._server = socket.create_server(("127.0.0.1", self._port), backlog=16)
        self._port = self._server.getsockname()[1]


class UdpEnd:
    """A sender of datagrams."""

    together, longest = 1, 1400

    def __init__(self) -> None:
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
            free.bind(("127.0.0.1", 0))
            self._port = free.getsockname()[1]

    def place(self) -> int:
        return self._port

    def send(self, data: bytes) -> None:
        with suppress(OSError):  # nobody listens
            self._socket.sendto(data, ("127.0.0.1", self._port))

    def go(self) -> None:
        """Does not apply: nobody is connected."""

    come = go


class MqttEnd:
    """A publisher that does no more than MQTT 3.1.1 asks, so that it is not the limit; a line a message."""

    together, longest = 16, 4096

    def __init__(self, port: str, qos: str) -> None:
        self._port, self._qos, self._packet = int(port), int(qos), 0
        self._socket: socket.socket | None = None
        self._lock = threading.Lock()

    def place(self) -> int:
        return self._port

    def send(self, data: bytes) -> None:
        with suppress(OSError), self._lock:
            if self._socket is None:
                self._connect()
            assert self._socket is not None
            try:
                self._socket.sendall(b"".join(map(self._published, data.splitlines(keepends=True))))
                while select.select([self._socket], [], [], 0)[0]:  # acknowledgements
                    if not self._socket.recv(65536):
                        raise ConnectionError
            except OSError:
                self._socket.close()
                self._socket = None

    def go(self) -> None:
        """Does not apply: the broker goes."""

    come = go

    def _connect(self) -> None:
        sock = socket.create_connection(("127.0.0.1", self._port), timeout=30)
        variable = b"\x00\x04MQTT\x04\x02" + struct.pack(">H", 0) + _text(f"talker-{os.getpid()}")
        sock.sendall(b"\x10" + _length(len(variable)) + variable)
        if sock.recv(4)[:1] != b"\x20":
            raise ConnectionError
        self._socket = sock

    def _published(self, data: bytes) -> bytes:
        body = _text(TOPIC)
        if self._qos:
            self._packet = self._packet % 65535 + 1
            body += struct.pack(">H", self._packet)
        return bytes([0x30 | self._qos << 1]) + _length(len(body) + len(data)) + body + data


def _text(text: str) -> bytes:
    return struct.pack(">H", len(text)) + text.encode()


def _length(size: int) -> bytes:
    out = bytearray()
    while True:
        size, low = divmod(size, 128)
        out.append(low | (128 if size else 0))
        if not size:
            return bytes(out)


class BleEnd:
    """A head near the adapter of a fake org.bluez on a bus of our own; its loop runs in a thread."""

    together, longest = 1, 240
    burst = 32
    """Notifications between two looks whether the bus keeps up."""

    def __init__(self, address: str) -> None:
        from drivers.ble.fake_bluez import PLAIN, FakeBluez, FakeDevice

        self._address = address
        self._head = FakeDevice("C0:FF:EE:00:00:01", "head-S", PLAIN)
        self._loop = asyncio.new_event_loop()
        threading.Thread(target=self._loop.run_forever, daemon=True).start()
        self._bluez = FakeBluez()
        self._sent = 0
        self._do(self._start)
        self._do(lambda: self._bluez.come(self._head))

    def place(self) -> str:
        return self._head.name

    def send(self, data: bytes) -> None:
        self._loop.call_soon_threadsafe(self._bluez.notify, self._head, data)
        self._sent += 1
        if self._sent % self.burst == 0:
            self._do(self._until_taken)

    def lose(self) -> None:
        """Break the connection; the head stays near."""
        self._do(lambda: self._bluez.lose(self._head))

    def go(self) -> None:
        self._do(lambda: self._bluez.go(self._head))

    def come(self) -> None:
        self._do(lambda: self._bluez.come(self._head))

    def stop(self) -> None:
        """Let the system's Bluetooth service die."""
        self._do(self._bluez.stop)

    def start(self) -> None:
        """Start the system's Bluetooth service again."""
        self._do(self._start)

    async def _until_taken(self) -> None:
        """Ask the bus something, which it answers after all that was sent before."""
        from dbus_fast import Message

        bus = self._bluez._bus
        if bus is not None:
            whom = "org.freedesktop.DBus"
            await bus.call(Message(destination=whom, path="/", interface=whom, member="GetId"))

    async def _start(self) -> None:
        await self._bluez.start(self._address)

    def _do(self, what: Callable[[], Any]) -> None:
        async def in_loop() -> None:
            if asyncio.iscoroutine(result := what()):
                await result

        asyncio.run_coroutine_threadsafe(in_loop(), self._loop).result(20)


class Talker:
    """Does what it is told to."""

    def __init__(self, end: End) -> None:
        self._end = end
        self._flood: tuple[int, list[bytes]] = (0, [])
        self._pacing: threading.Thread | None = None
        self._number = 0

    def flood(self, messages: int) -> int:
        """Send as fast as possible; the same each time."""
        if self._flood[0] != messages:
            lines = [_line(k, 1000 * k) for k in range(messages)]
            step = self._end.together
            self._flood = messages, [b"".join(lines[k : k + step]) for k in range(0, messages, step)]
        for data in self._flood[1]:
            self._end.send(data)
        return messages

    def pour(self, million_bytes: int) -> int:
        """Send long lines as fast as possible."""
        line = b"9" * (self._end.longest - 1) + b"\n"
        count = million_bytes * 10**6 // len(line)
        for _ in range(count):
            self._end.send(line)
        return count

    def pace(self, messages: int, hz: float) -> int:
        """Begin to send one after the other, each at its time."""
        return self._begin(messages, hz, lambda number, us: [_line(number, us)])

    def pace_badly(self, messages: int, hz: float) -> int:
        """The same with a checksum; some numbers are left out, some lines come twice."""
        return self._begin(messages, hz, _bad_lines)

    def wait(self) -> int:
        """Wait until all have been sent; return how many."""
        if self._pacing is not None:
            self._pacing.join()
        return self._number

    def do(self, name: str) -> int:
        """Let something happen to the far end; return when it was done (ns)."""
        getattr(self._end, name)()
        return time.perf_counter_ns()

    def _begin(self, messages: int, hz: float, lines: Callable[[int, int], list[bytes]]) -> int:
        self._pacing = threading.Thread(target=self._pace, args=(messages, hz, lines))
        self._pacing.start()
        return time.perf_counter_ns()

    def _pace(self, messages: int, hz: float, lines: Callable[[int, int], list[bytes]]) -> None:
        begin = time.perf_counter()
        for number in range(messages):
            time.sleep(max(0.0, begin + number / hz - time.perf_counter()))
            for line in lines(number, time.perf_counter_ns() // 1000):
                with suppress(OSError):  # unplugged this moment
                    self._end.send(line)
            self._number = number + 1


def _line(number: int, us: int) -> bytes:
    return b"%d,%d,%.2f,%.1f,%d\n" % (number, us, number % 3600 / 10, 200 + number % 97 / 10, 900)


def _bad_lines(number: int, us: int) -> list[bytes]:
    if number % 50 == 49:
        return []
    body = _line(number, us).removesuffix(b"\n")
    line = b"%b*%02X\n" % (body, reduce(xor, body))
    return [line, line] if number % 70 == 69 else [line]


def main() -> None:
    kinds: dict[str, Callable[..., End]] = {
        "serial": SerialEnd, "tcp": TcpEnd, "udp": UdpEnd, "mqtt": MqttEnd, "ble": BleEnd,
    }  # fmt: skip
    kind, *given = sys.argv[1:]
    end = kinds[kind](*given)
    talker = Talker(end)
    print(json.dumps(end.place()), flush=True)  # noqa: T201 - it is a program
    for order in sys.stdin:
        name, *args = json.loads(order)
        print(json.dumps(getattr(talker, name)(*args)), flush=True)  # noqa: T201


if __name__ == "__main__":
    main()

"""The transports that are measured: how each is read by our driver and by a bare loop over the same library."""

import asyncio
import json
import os
import shutil
import signal
import socket
import sys
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import aiomqtt
import serial
from bleak import BleakClient, BleakScanner
from parts import HERE, started
from talker import TOPIC

from livealign.stream.contracts import Clock, Driver
from livealign_drivers.ble import SERIAL_TX, BleDriver, BleOptions
from livealign_drivers.mqtt import MqttDriver, MqttOptions
from livealign_drivers.serial import SerialDriver, SerialOptions
from livealign_drivers.tcp import TcpDriver, TcpOptions
from livealign_drivers.udp import UdpDriver, UdpOptions

__all__ = ["TRANSPORTS", "Broker", "Transport", "a_bus", "talking"]

Take = Callable[[bytes], None]
ROOT = HERE.parents[1]
PATIENCE_S = 60.0


class Orders:
    """What a talker is told."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self._process = process

    async def __call__(self, *order: Any) -> Any:
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps(order).encode() + b"\n")
        return await self.answer()

    async def answer(self) -> Any:
        assert self._process.stdout is not None
        async with asyncio.timeout(PATIENCE_S):
            line = await self._process.stdout.readline()
        if not line:
            raise RuntimeError("the talker has ended early")
        return json.loads(line)


@asynccontextmanager
async def talking(*arguments: str) -> AsyncIterator[tuple[Orders, Any]]:
    """Run a talker; give what takes its orders, and where it is reached."""
    paths = os.pathsep.join(str(ROOT / p) for p in ("tests", "drivers", "."))
    pipe = asyncio.subprocess.PIPE
    async with started(
        sys.executable, str(HERE / "talker.py"), *arguments,
        stdin=pipe, stdout=pipe, env=os.environ | {"PYTHONPATH": paths},
    ) as process:  # fmt: skip
        orders = Orders(process)
        yield orders, await orders.answer()


# ---- the programs between


class Broker:
    """A Mosquitto of our own, without limits to what waits in it."""

    def __init__(self, folder: Path) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self._conf = folder / "mosquitto.conf"
        self._conf.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\nlog_type none\n"
        )
        self._process: asyncio.subprocess.Process | None = None

    @staticmethod
    def program() -> str | None:
        return shutil.which("mosquitto", path=os.pathsep.join([os.environ.get("PATH", ""), "/usr/sbin"]))

    async def start(self) -> None:
        self._process = await asyncio.create_subprocess_exec(
            str(self.program()), "-c", str(self._conf), stderr=asyncio.subprocess.DEVNULL
        )
        async with asyncio.timeout(PATIENCE_S):
            while not await self._listens():  # noqa: ASYNC110 - told by no event
                await asyncio.sleep(0.005)

    async def end(self, how: signal.Signals = signal.SIGTERM) -> None:
        if self._process is not None:
            self.signal(how)
            await self._process.wait()
            self._process = None

    def signal(self, which: signal.Signals) -> None:
        assert self._process is not None
        self._process.send_signal(which)

    async def _listens(self) -> bool:
        try:
            _, writer = await asyncio.open_connection("127.0.0.1", self.port)
        except OSError:
            return False
        writer.close()
        return True


BUS = """<busconfig><type>custom</type><listen>unix:path={socket}</listen><auth>EXTERNAL</auth>
<policy context="default"><allow send_destination="*"/><allow receive_sender="*"/><allow own="*"/></policy></busconfig>
"""


@asynccontextmanager
async def a_bus(folder: Path) -> AsyncIterator[str]:
    """Run a D-Bus of our own that this process takes for the system's; give its address."""
    from bleak.backends.bluezdbus.version import BlueZFeatures

    (folder / "bus.conf").write_text(BUS.format(socket=folder / "bus"))
    command = ["dbus-daemon", f"--config-file={folder / 'bus.conf'}", "--nofork", "--nopidfile"]
    async with started(*command, "--print-address=1", stdout=asyncio.subprocess.PIPE) as process:
        assert process.stdout is not None
        await process.stdout.readline()  # it listens now
        os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = address = f"unix:path={folder / 'bus'}"
        BlueZFeatures.checked_bluez_version = True
        try:
            yield address
        finally:
            del os.environ["DBUS_SYSTEM_BUS_ADDRESS"]


# ---- bare loops


@asynccontextmanager
async def _bare_serial(port: str, take: Take) -> AsyncIterator[None]:
    stopping = threading.Event()
    loop = asyncio.get_running_loop()

    def read() -> None:
        with serial.Serial(port, 115200, timeout=0.2) as opened:
            ready.set()
            while not stopping.is_set():
                if data := opened.read(max(1, opened.in_waiting)):
                    loop.call_soon_threadsafe(take, data)

    ready = threading.Event()
    thread = threading.Thread(target=read, daemon=True)
    thread.start()
    await asyncio.to_thread(ready.wait)
    try:
        yield
    finally:
        stopping.set()
        await asyncio.to_thread(thread.join)


@asynccontextmanager
async def _bare_tcp(port: int, take: Take) -> AsyncIterator[None]:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)

    async def read() -> None:
        while data := await reader.read(65536):
            take(data)

    async with _meanwhile(read()):
        yield
    writer.close()


@asynccontextmanager
async def _bare_udp(port: int, take: Take) -> AsyncIterator[None]:
    class Receiver(asyncio.DatagramProtocol):
        def datagram_received(self, data: bytes, addr: Any) -> None:
            take(data)

    loop = asyncio.get_running_loop()
    transport, _ = await loop.create_datagram_endpoint(Receiver, ("127.0.0.1", port))
    yield
    transport.close()
    await asyncio.sleep(0)


def _bare_mqtt(qos: int) -> Callable[[int, Take], Any]:
    @asynccontextmanager
    async def bare(port: int, take: Take) -> AsyncIterator[None]:
        async with aiomqtt.Client("127.0.0.1", port) as client:
            await client.subscribe(TOPIC, qos)

            async def read() -> None:
                async for message in client.messages:
                    take(bytes(message.payload))

            async with _meanwhile(read()):
                yield

    return bare


@asynccontextmanager
async def _bare_ble(name: str, take: Take) -> AsyncIterator[None]:
    device = await BleakScanner.find_device_by_name(name, 20.0)
    if device is None:
        raise RuntimeError("the head is not found")
    async with BleakClient(device) as client:
        await client.start_notify(SERIAL_TX, lambda _, data: take(bytes(data)))
        yield


@asynccontextmanager
async def _meanwhile(work: Any) -> AsyncIterator[None]:
    task = asyncio.create_task(work)
    try:
        yield
    finally:
        task.cancel()
        await asyncio.wait({task})


# ---- all of them


@dataclass(frozen=True)
class Transport:
    """One kind of link."""

    name: str
    messages: int
    """In one flood that is timed."""
    million_bytes: int
    """In the flood that nobody reads."""
    bare: Callable[[Any, Take], Any]
    driver: Callable[[Any, Clock], Driver]

    @asynccontextmanager
    async def far_end(self, folder: Path) -> AsyncIterator[tuple[Orders, Any]]:
        """Run all that is at the far end."""
        kind, *qos = self.name.split(" QoS ")
        async with AsyncExitStack() as stack:
            arguments = {"serial": [str(folder / "port")]}.get(kind, [])
            if kind == "mqtt":
                broker = Broker(folder)
                await broker.start()
                stack.push_async_callback(broker.end)
                arguments = [str(broker.port), *qos]
            elif kind == "ble":
                arguments = [await stack.enter_async_context(a_bus(folder))]
            yield await stack.enter_async_context(talking(kind, *arguments))


def _mqtt_driver(qos: int) -> Callable[[int, Clock], Driver]:
    def made(port: int, clock: Clock) -> Driver:
        options = MqttOptions.model_validate({"host": "127.0.0.1", "port": port, "topic": TOPIC, "qos": qos})
        return MqttDriver("S", options, clock)

    return made


TRANSPORTS = (
    Transport(
        "serial", 400_000, 200, _bare_serial,
        lambda port, clock: SerialDriver("S", SerialOptions(port=port), clock),
    ),
    Transport(
        "tcp", 600_000, 2000, _bare_tcp,
        lambda port, clock: TcpDriver("S", TcpOptions(host="127.0.0.1", port=port), clock),
    ),
    Transport(
        "udp", 60_000, 200, _bare_udp,
        lambda port, clock: UdpDriver("S", UdpOptions(host="127.0.0.1", port=port), clock),
    ),
    Transport("mqtt QoS 0", 15_000, 100, _bare_mqtt(0), _mqtt_driver(0)),
    Transport("mqtt QoS 1", 10_000, 60, _bare_mqtt(1), _mqtt_driver(1)),
    Transport(
        "ble", 3_000, 4, _bare_ble,
        lambda name, clock: BleDriver("S", BleOptions(name=name), clock),
    ),
)  # fmt: skip

"""A private D-Bus with an org.bluez of our own: bleak's real back end, without an adapter."""

import asyncio
import os
import shutil
import signal
import subprocess
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from drivers.ble.fake_bluez import PLAIN, FakeBluez, FakeDevice
from livealign_drivers.ble import BleDriver, BleOptions

BUS = """<busconfig><type>custom</type><listen>unix:path={socket}</listen><auth>EXTERNAL</auth>
<policy context="default"><allow send_destination="*"/><allow receive_sender="*"/><allow own="*"/></policy></busconfig>
"""


@pytest.fixture(scope="module")
def bus_daemon(tmp_path_factory) -> Iterator[str | None]:
    """The address of a bus of our own; None if this machine has no D-Bus."""
    program = shutil.which("dbus-daemon")
    if program is None or not hasattr(os, "fork"):
        yield None
        return
    folder: Path = tmp_path_factory.mktemp("bus")
    (folder / "conf").write_text(BUS.format(socket=folder / "socket"))
    command = [program, f"--config-file={folder / 'conf'}", "--nofork", "--nopidfile", "--print-address=1"]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        process.stdout.readline()  # it listens now
        yield f"unix:path={folder / 'socket'}"
        process.send_signal(signal.SIGTERM)


@pytest.fixture
async def bus(bus_daemon, missing, monkeypatch) -> AsyncIterator[str]:
    """The address of a bus that bleak takes for the system's; what bleak keeps for the loop goes with it."""
    if bus_daemon is None:
        missing("Bluetooth LE is tested on Linux with D-Bus: install the package dbus")
    from bleak.backends.bluezdbus import manager
    from bleak.backends.bluezdbus.version import BlueZFeatures

    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", bus_daemon)
    monkeypatch.setattr(BlueZFeatures, "checked_bluez_version", True)
    yield bus_daemon
    kept = manager._global_instances.pop(asyncio.get_running_loop(), None)
    if kept is not None and kept._bus is not None:
        kept._bus.disconnect()
        await asyncio.wait({kept._bus_watcher_task})


@pytest.fixture
async def bluez(bus) -> AsyncIterator[FakeBluez]:
    """An adapter that is on, with nobody near; bleak has met it already."""
    from bleak.backends.bluezdbus.manager import get_global_bluez_manager

    fake = FakeBluez()
    await fake.start(bus)
    await get_global_bluez_manager()
    yield fake
    await fake.stop()


@pytest.fixture
def head() -> FakeDevice:
    return FakeDevice("C0:FF:EE:00:00:01", "head-S", PLAIN)


@pytest.fixture
def driver(clock) -> Callable[..., BleDriver]:
    """Make a driver from options, impatient unless told otherwise."""

    def make(**options: Any) -> BleDriver:
        given = {"reconnect_max_s": 0.05, "scan_timeout_s": 5} | options
        return BleDriver("head S", BleOptions.model_validate(given), clock)

    return make


class BlePart:
    """A head that comes near, sends, and goes away."""

    def __init__(self, bluez: FakeBluez, head: FakeDevice) -> None:
        self.bluez = bluez
        self.head = head

    async def appear(self) -> None:
        self.bluez.come(self.head)

    async def vanish(self) -> None:
        self.bluez.go(self.head)

    async def send(self, data: bytes) -> None:
        async with asyncio.timeout(20):
            while not self.bluez.notify(self.head, data):  # noqa: ASYNC110 - nothing tells of subscribing
                await asyncio.sleep(0.005)

    def driver(self, clock, *, reconnect_max_s: float = 0.05) -> BleDriver:
        options = BleOptions(name=self.head.name, reconnect_max_s=reconnect_max_s, scan_timeout_s=0.1)
        return BleDriver("head S", options, clock)


@pytest.fixture
async def ble_part(bluez, head) -> BlePart:
    part = BlePart(bluez, head)
    await part.appear()
    return part

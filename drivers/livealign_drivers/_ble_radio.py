"""What all Bluetooth LE links of a process share: one scanner, and one connecting at a time.

An adapter scans once for all, and two connections made at the same moment disturb each other.
"""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any
from weakref import WeakKeyDictionary

from bleak import BleakAdapter, BleakScanner
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData

from livealign_drivers._ble_wanted import Nearby, Wanted
from livealign_drivers._reconnecting import LinkError

__all__ = ["LEAVE_S", "Radio", "heard", "radio"]

LEAVE_S = 3.0
"""How long a system that no longer answers may delay closing."""
GENERIC_ATTRIBUTE_SERVICE = "1801"
"""Every device has it."""


class _Seeker:
    def __init__(self, wanted: Wanted) -> None:
        self.wanted = wanted
        self.found: asyncio.Future[BLEDevice] = asyncio.get_running_loop().create_future()


class Radio:
    """Finds devices for links; scans only while a link is looking for one."""

    def __init__(self) -> None:
        self.connecting = asyncio.Lock()
        self._seekers: set[_Seeker] = set()
        self._taken: set[str] = set()
        self._nearby = Nearby()
        self._scan: asyncio.Task[None] | None = None
        self._enough = asyncio.Event()

    @asynccontextmanager
    async def device(self, wanted: Wanted, timeout_s: float) -> AsyncIterator[BLEDevice]:
        """Find a device; until this is left, no other link is given the same one.

        Raises:
            LinkError: if it is not found in time.
            Exception: what the system raises if it cannot scan.
        """
        seeker = _Seeker(wanted)
        try:
            yield await self._found(seeker, timeout_s)
        finally:
            if seeker.found.done():
                self._taken.discard(seeker.found.result().address)

    async def _found(self, seeker: _Seeker, timeout_s: float) -> BLEDevice:
        self._seekers.add(seeker)
        limit = asyncio.timeout(timeout_s)
        try:
            async with limit:
                await self._scan_until_found(seeker)
        except TimeoutError:
            if not limit.expired():
                raise
        finally:
            self._seekers.discard(seeker)
            if not self._seekers:
                await self._stop_scan()
        if not seeker.found.done():
            await self._look_among_connected(seeker)
        if not seeker.found.done():
            why = (
                f"no {seeker.wanted} was found in {timeout_s:g} s: is it on, near, and not connected to another "
                f"program or phone? {self._nearby.words()}"
            )
            raise LinkError("lost", why)
        return seeker.found.result()

    async def _scan_until_found(self, seeker: _Seeker) -> None:
        while not seeker.found.done():
            if self._scan is None or self._scan.done():
                self._enough = asyncio.Event()
                self._nearby = Nearby()
                self._scan = asyncio.create_task(self._keep_scanning(self._enough), name="Bluetooth scan")
                self._scan.add_done_callback(heard)
            scan = self._scan
            either: set[asyncio.Future[Any]] = {seeker.found, scan}
            await asyncio.wait(either, return_when=asyncio.FIRST_COMPLETED)
            # A scan that ends without an error was stopped for those before us: begin another.
            if not seeker.found.done() and not scan.cancelled() and (trouble := scan.exception()):
                raise trouble

    async def _keep_scanning(self, enough: asyncio.Event) -> None:
        async with BleakScanner(self._advertised):
            await enough.wait()

    def _advertised(self, device: BLEDevice, advertised: AdvertisementData) -> None:
        name = advertised.local_name or device.name
        self._nearby.saw(device.address, name, advertised.rssi)
        for seeker in self._seekers:
            if seeker.wanted.fits(device.address, name, advertised.service_uuids):
                self._give(seeker, device)

    def _give(self, seeker: _Seeker, device: BLEDevice) -> None:
        if not seeker.found.done() and device.address not in self._taken:
            self._taken.add(device.address)
            seeker.found.set_result(device)

    async def _look_among_connected(self, seeker: _Seeker) -> None:
        """A program that was killed leaves its device connected, and a connected device does not advertise."""
        wanted = seeker.wanted
        service = GENERIC_ATTRIBUTE_SERVICE
        if wanted.address is None and wanted.name is None and wanted.service is not None:
            service = wanted.service
        adapter = await BleakAdapter.get()
        for device in await adapter.get_connected_devices([service]):
            if wanted.fits(device.address, device.name, [service]):
                self._give(seeker, device)

    async def _stop_scan(self) -> None:
        if self._scan is None:
            return
        stopping = asyncio.create_task(self._end(self._scan, self._enough), name="Bluetooth scan ends")
        try:
            await asyncio.shield(stopping)
        except asyncio.CancelledError:
            await asyncio.wait({stopping})
            raise

    @staticmethod
    async def _end(scan: "asyncio.Task[None]", enough: asyncio.Event) -> None:
        # Let it end by itself: cut short, the system might go on scanning.
        enough.set()
        await asyncio.wait({scan}, timeout=LEAVE_S)
        if not scan.done():
            scan.cancel()
            await asyncio.wait({scan}, timeout=LEAVE_S)


def heard(task: asyncio.Task[None]) -> None:
    """Let a task fail without a complaint: who still waits for it hears of it, to nobody else it matters."""
    if not task.cancelled():
        task.exception()


_radios: WeakKeyDictionary[asyncio.AbstractEventLoop, Radio] = WeakKeyDictionary()


def radio() -> Radio:
    """Return the radio of the running loop."""
    return _radios.setdefault(asyncio.get_running_loop(), Radio())

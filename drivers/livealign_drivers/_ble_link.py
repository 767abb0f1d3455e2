"""One connection to a Bluetooth LE device, from finding it to letting it go."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.device import BLEDevice

from livealign_drivers._ble_radio import LEAVE_S, heard, radio
from livealign_drivers._ble_trouble import in_words
from livealign_drivers._ble_wanted import Wanted
from livealign_drivers._reconnecting import LinkError

__all__ = ["Subscription", "listening"]

CONNECT_S = 20.0
GRACE_S = 0.3
WRITE_S = 2.0
WRITABLE = {"write", "write-without-response"}


class Subscription:
    """A device whose notifications come: its name, and an event that is set once it is gone or cannot be asked."""

    def __init__(
        self, client: BleakClient, name: str, notifying: BleakGATTCharacteristic, gone: asyncio.Event
    ) -> None:
        self.name = name
        self.gone = gone
        self._client = client
        self._notifying = notifying
        self._asked: BleakGATTCharacteristic | None = None
        self._trouble: Exception | None = None

    def choose_request(self, characteristic: str | None) -> None:
        """Choose what `ask` writes to; None for the first in the service of what notifies.

        Raises:
            LinkError: if there is none that can be written.
        """
        offered = [
            c for s in self._client.services for c in s.characteristics if WRITABLE & set(c.properties)
        ]
        beside = [c for c in offered if c.service_handle == self._notifying.service_handle]
        wanted = beside if characteristic is None else [c for c in offered if c.uuid == characteristic]
        if not wanted:
            what = f"characteristic {characteristic}" if characteristic else "characteristic in that service"
            told = (
                f"those that can: {', '.join(c.uuid for c in offered[:8])}" if offered else "none at all can"
            )
            raise LinkError(
                "refused",
                f"{self.name} has no {what} that can be written ({told}): correct `request_characteristic` in the "
                "rig file",
            )
        self._asked = wanted[0]

    async def ask(self, request: bytes) -> None:
        """Write a request; if the device refuses it, `raise_trouble` will say so."""
        if self._asked is None:
            return
        try:
            async with asyncio.timeout(WRITE_S):
                await self._client.write_gatt_char(self._asked, request)
        except TimeoutError:
            return  # the silence after it tells
        except Exception as e:  # noqa: BLE001 - bleak lets through whatever its systems raise
            self._trouble = e
            self.gone.set()

    def raise_trouble(self) -> None:
        """Raise what a request was refused with, if one was."""
        if self._trouble is not None:
            raise self._trouble


@asynccontextmanager
async def listening(
    wanted: Wanted, scan_timeout_s: float, characteristic: str | None, receive: Callable[[bytes], None]
) -> AsyncIterator[Subscription]:
    """Find a device, connect, call `receive` with every notification; let the device go at the end.

    Args:
        wanted: the device.
        scan_timeout_s: how long to look for it.
        characteristic: UUID of what to subscribe to; None for the first of `wanted.service` that notifies.
        receive: called in the loop with the bytes of each notification.

    Raises:
        LinkError: if any of that fails.
    """
    with in_words("the Bluetooth adapter"):
        async with radio().device(wanted, scan_timeout_s) as device:
            name, gone = device.name or device.address, asyncio.Event()
            with in_words(name):
                async with _connected(device, gone) as client:
                    chosen = _choose(client, name, wanted.service, characteristic)
                    await client.start_notify(chosen, lambda _, data: receive(bytes(data)))
                    yield Subscription(client, name, chosen, gone)


@asynccontextmanager
async def _connected(device: BLEDevice, gone: asyncio.Event) -> AsyncIterator[BleakClient]:
    # A new client each time: one that has lost its device keeps what it knew of it.
    client = BleakClient(device, disconnected_callback=lambda _: gone.set(), timeout=CONNECT_S)
    try:
        async with radio().connecting:
            await _connect(client)
        yield client
    finally:
        # Also after a loss: else a D-Bus socket leaks, and the next subscription finds one "in progress".
        with suppress(Exception):
            async with asyncio.timeout(LEAVE_S):
                await client.disconnect()


async def _connect(client: BleakClient) -> None:
    connecting = asyncio.create_task(client.connect(), name="Bluetooth connect")
    connecting.add_done_callback(heard)
    try:
        # Bleak's own limit does not hold for all it does in there.
        await asyncio.wait({connecting}, timeout=CONNECT_S + LEAVE_S)
    except asyncio.CancelledError:
        # In its first moments bleak asks for the system's version; cut short there, it waits for ever after.
        await asyncio.wait({connecting}, timeout=GRACE_S)
        raise
    finally:
        if not connecting.done():
            connecting.cancel()
            await asyncio.wait({connecting}, timeout=LEAVE_S)
    if not connecting.done() or connecting.cancelled():
        raise TimeoutError
    connecting.result()


def _choose(
    client: BleakClient, name: str, service: str | None, characteristic: str | None
) -> BleakGATTCharacteristic:
    offered = [c for s in client.services for c in s.characteristics if service in {None, s.uuid}]
    notifying = [c for c in offered if {"notify", "indicate"} & set(c.properties)]
    for candidate in notifying:
        if characteristic in {None, candidate.uuid}:
            return candidate
    what = f"characteristic {characteristic}" if characteristic is not None else "characteristic"
    where = f" in its service {service}" if service is not None else ""
    others = [c.uuid for s in client.services for c in s.characteristics if "notify" in c.properties]
    told = f"those that do: {', '.join(others[:8])}" if others else "none at all does"
    why = (
        f"{name} has no {what}{where} that notifies ({told}): "
        "correct `service` or `characteristic` in the rig file"
    )
    raise LinkError("refused", why)

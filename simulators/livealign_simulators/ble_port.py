"""A head on the air: a Bluetooth LE peripheral that notifies."""

import asyncio
from collections import deque
from typing import TYPE_CHECKING, Any

from livealign.errors import PersonError
from livealign_simulators.ports import Announcer

if TYPE_CHECKING:
    from bumble.device import Device
    from bumble.gatt import Characteristic
    from bumble.transport.common import Transport

__all__ = ["BlePort"]

_SERVICE = "6e400001-b5a3-f393-e0a9-e50e24dcca9e"
_TX = "6e400003-b5a3-f393-e0a9-e50e24dcca9e"
"""The widely used serial service over GATT: this characteristic sends."""
_MOST_WAITING = 1000
_ATT_HEADER = 3
_INTERVAL_MS = 50


class BlePort:
    """Notifies each chunk, in as many notifications as the connection's MTU makes of it.

    A radio is one head: a controller that nobody else uses, under a name such as `usb:0` or `tcp-client:127.0.0.1:9001`.
    Unplugged, the head breaks its connections and advertises no more.
    """

    messages = True

    def __init__(self, radio: str, number: int, preamble: bytes = b"") -> None:
        """Take the radio, the head's number and what the device sends first."""
        self.dropped = 0
        self._radio = radio
        self._name = f"livealign-{number}"
        self._own = f"F0:{number % 256:02X}:4C:41:53:49"
        self._announcer = Announcer(preamble)
        self._waiting: deque[bytes] = deque()
        self._something = asyncio.Event()
        self._transport: Transport | None = None
        self._device: Device | None = None
        self._tx: Characteristic[Any] | None = None
        self._sender: asyncio.Task[None] | None = None
        self._plugged = False
        self._silent = False
        """Advertising has to begin."""
        self._subscribed_to = False

    @property
    def address(self) -> dict[str, Any]:
        """Kind and the name that is advertised."""
        return {"kind": "ble", "name": self._name}

    async def plug(self) -> None:
        """Be there: advertise, and notify whoever connects and subscribes.

        Raises:
            PersonError: if the radio cannot be used, or bumble is not installed.
        """
        if self._device is None:
            await self._power_on()
        if self._device is not None and not self._plugged:
            self._plugged = self._silent = True
            self._sender = asyncio.create_task(self._send(), name=f"notifying of {self._name}")

    async def unplug(self) -> None:
        """Break the connections and fall silent."""
        self._plugged = False
        if self._sender is not None:
            self._sender.cancel()
            await asyncio.gather(self._sender, return_exceptions=True)
            self._sender = None
        self._waiting.clear()
        self._subscribed_to = False
        if self._device is not None:
            await self._device.stop_advertising()
            for connection in list(self._device.connections.values()):
                await connection.disconnect()

    async def close(self) -> None:
        """Unplug and let the radio go."""
        try:
            await self.unplug()
        finally:
            self._device = None
            if self._transport is not None:
                await self._transport.close()
                self._transport = None

    def write(self, data: bytes) -> None:
        """Notify those who have subscribed; without any, it is lost as on the air."""
        if not data or not self._plugged or not self._subscribed_to:
            return
        if len(self._waiting) >= _MOST_WAITING:
            self.dropped += 1
            return
        self._waiting.append(self._announcer.due() + data)
        self._something.set()

    async def _power_on(self) -> None:
        try:
            from bumble.core import AdvertisingData  # noqa: PLC0415 - only who wants a radio needs it
            from bumble.device import Device  # noqa: PLC0415
            from bumble.gatt import Characteristic, Service  # noqa: PLC0415
            from bumble.hci import Address  # noqa: PLC0415
            from bumble.transport import open_transport  # noqa: PLC0415
        except ImportError as e:
            raise PersonError(
                "a head on the air needs the package bumble", advice="pip install 'livealign[radio]'"
            ) from e
        try:
            async with asyncio.timeout(10):
                self._transport = await open_transport(self._radio)
                device = Device.with_hci(
                    self._name, Address(self._own), self._transport.source, self._transport.sink
                )
                self._tx = Characteristic(
                    _TX, Characteristic.Properties.NOTIFY, Characteristic.Permissions.READABLE, b""
                )
                self._tx.on(Characteristic.EVENT_SUBSCRIPTION, self._subscribed)
                device.on("connection", lambda c: c.on("disconnection", lambda _reason: self._left()))
                device.add_services([Service(_SERVICE, [self._tx])])
                name = (AdvertisingData.COMPLETE_LOCAL_NAME, self._name.encode())
                device.advertising_data = bytes(AdvertisingData([(AdvertisingData.FLAGS, b"\x06"), name]))
                await device.power_on()
        except Exception as e:
            if self._transport is not None:
                await self._transport.close()
                self._transport = None
            raise PersonError(
                f"the radio cannot be used: {e or type(e).__name__}",
                where=self._radio,
                advice="--radio names a controller that nothing else uses, such as usb:0 or tcp-client:HOST:PORT.",
            ) from e
        self._device = device

    def _subscribed(self, _connection: Any, notify: bool, _indicate: bool) -> None:
        self._subscribed_to = notify

    def _left(self) -> None:
        self._subscribed_to = False
        self._waiting.clear()
        # A connection ends advertising; its end begins it again.
        self._silent = True
        self._something.set()

    async def _send(self) -> None:
        while True:
            if self._silent and self._device is not None:
                self._silent = False
                await self._device.stop_advertising()
                await self._device.start_advertising(
                    advertising_interval_min=_INTERVAL_MS, advertising_interval_max=_INTERVAL_MS
                )
            while self._waiting and self._device is not None and self._tx is not None:
                await self._notify(self._device, self._tx, self._waiting.popleft())
            self._something.clear()
            await self._something.wait()

    async def _notify(self, device: "Device", tx: "Characteristic[Any]", data: bytes) -> None:
        for connection in list(device.connections.values()):
            room = connection.att_mtu - _ATT_HEADER
            for at in range(0, len(data), room):
                await device.notify_subscriber(connection, tx, data[at : at + room])
            # Otherwise they would pile up inside when the air is slower than the head.
            if (queue := device.host.get_data_packet_queue(connection.handle)) is not None:
                await queue.drain(connection.handle)

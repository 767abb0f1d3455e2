"""A program: org.bluez whose radio is a controller on a simulated air, with a sensor head at its other end.

It takes orders as lines: `say TEXT` lets the head notify a line, `cut` breaks the connection. Given a TCP port as second
argument, the head is someone else's: whoever uses the controller that is reached there.
"""

import asyncio
import sys
from contextlib import suppress

from bumble.controller import Controller
from bumble.core import UUID, AdvertisingData
from bumble.device import Advertisement, Connection, Device, Peer
from bumble.gatt import Characteristic, Service
from bumble.hci import Address, HCI_ErrorCode
from bumble.link import LocalLink
from bumble.transport import open_transport
from dbus_fast import Message

from drivers.ble.fake_bluez import CHARACTERISTIC, DEVICE, PLAIN, SERIAL, TX, YES, FakeBluez, FakeDevice

HEAD = FakeDevice("C0:FF:EE:00:00:01", "head-S", PLAIN)


class RadioBluez(FakeBluez):
    """Advertisements, connections and subscriptions go over the simulated air."""

    def __init__(self, central: Device) -> None:
        super().__init__()
        self._central = central
        self._connection: Connection | None = None
        self._over_air: dict[str, Characteristic] = {}
        central.on("advertisement", self._heard)

    def _heard(self, advertisement: Advertisement) -> None:
        name = advertisement.data.get(AdvertisingData.COMPLETE_LOCAL_NAME)
        address = advertisement.address.to_string(with_type_qualifier=False)
        device = FakeDevice(address, str(name), PLAIN)
        if name is not None and not self.connected(device):
            self.near[device.path] = device
            self.advertise(device)

    async def _advertise_all(self) -> None:
        await self._central.start_scanning(filter_duplicates=False)
        try:
            await asyncio.Event().wait()
        finally:
            await self._central.stop_scanning()

    def _connect(self, message: Message) -> bool:
        self.run(self._connect_over_air(message))
        return True

    async def _connect_over_air(self, message: Message) -> None:
        device = self.near[message.path or ""]
        self._connection = connection = await self._central.connect(Address(device.address))
        connection.on("disconnection", lambda _: self.lose(device))
        self.set(device.path, DEVICE, Connected=YES)
        peer = Peer(connection)
        await peer.discover_services()
        service = peer.get_services_by_uuid(UUID(SERIAL))[0]
        (found,) = await service.discover_characteristics([UUID(TX)])
        await found.discover_descriptors()
        self._send(Message.new_method_return(message))
        await self.resolve(device)
        for path, interfaces in self.objects.items():
            if CHARACTERISTIC in interfaces and interfaces[CHARACTERISTIC]["UUID"].value == TX:
                self._over_air[path] = found

    def _start_notify(self, message: Message) -> bool:
        async def subscribe() -> None:
            path = message.path or ""
            (device,) = [d for d in self.near.values() if path.startswith(d.path)]
            await self._over_air[path].subscribe(lambda data: self.notify(device, bytes(data)))
            self._send(super(RadioBluez, self)._start_notify(message))

        self.run(subscribe())
        return True

    def _disconnect(self, message: Message) -> Message:
        if self._connection is not None:
            self.run(self._connection.disconnect())
        return Message.new_method_return(message)


async def main(address: str, radio_port: str | None) -> None:
    air = LocalLink()
    central_part = Controller("central", link=air)
    central = Device.with_hci("central", Address("F0:F1:F2:F3:F4:F5"), central_part, central_part)
    await central.power_on()
    bluez = RadioBluez(central)
    await bluez.start(address)
    orders = asyncio.StreamReader()
    loop = asyncio.get_running_loop()
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(orders), sys.stdin)
    await (_own_head(air, central_part, orders) if radio_port is None else _radio(air, radio_port, orders))
    await bluez.stop()


async def _radio(air: LocalLink, port: str, orders: asyncio.StreamReader) -> None:
    """Leave a controller to others until the orders end."""
    async with await open_transport(f"tcp-server:127.0.0.1:{port}") as transport:
        Controller("head", host_source=transport.source, host_sink=transport.sink, link=air)
        print("ready", flush=True)  # noqa: T201 - it is a program
        await orders.read()


async def _own_head(air: LocalLink, central_part: Controller, orders: asyncio.StreamReader) -> None:
    head_part = Controller("head", link=air)
    head = Device.with_hci("head", Address(HEAD.address), head_part, head_part)
    tx = Characteristic(TX, Characteristic.Properties.NOTIFY, Characteristic.Permissions.READABLE, b"")
    head.add_services([Service(SERIAL, [tx])])
    name = (AdvertisingData.COMPLETE_LOCAL_NAME, HEAD.name.encode())
    head.advertising_data = bytes(AdvertisingData([(AdvertisingData.FLAGS, b"\x06"), name]))
    await head.power_on()
    await head.start_advertising(auto_restart=True, advertising_interval_min=50, advertising_interval_max=50)
    print("ready", flush=True)  # noqa: T201 - it is a program
    while order := (await orders.readline()).decode().rstrip("\n"):
        if order.startswith("say "):
            await head.notify_subscribers(tx, order[4:].encode() + b"\n")
        elif order == "cut":
            for controller in (central_part, head_part):
                for connection in list(controller.le_connections.values()):
                    controller.on_le_disconnected(connection, HCI_ErrorCode.CONNECTION_TIMEOUT_ERROR)


if __name__ == "__main__":
    with suppress(KeyboardInterrupt):
        asyncio.run(main(sys.argv[1], sys.argv[2] if len(sys.argv) > 2 else None))

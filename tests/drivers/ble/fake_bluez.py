"""The part of org.bluez that finding, connecting and notifying needs, as a real service on a real bus.

What is behind it, the radio, is the test's: devices come near, fall silent, go away.
"""

import asyncio
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, field
from typing import Any

from dbus_fast import Message, MessageType, NameFlag, Variant
from dbus_fast.aio import MessageBus

ADAPTER = "org.bluez.Adapter1"
DEVICE = "org.bluez.Device1"
SERVICE = "org.bluez.GattService1"
CHARACTERISTIC = "org.bluez.GattCharacteristic1"
PROPERTIES = "org.freedesktop.DBus.Properties"
OBJECT_MANAGER = "org.freedesktop.DBus.ObjectManager"
HCI = "/org/bluez/hci0"

GENERIC_ATTRIBUTE = "00001801-0000-1000-8000-00805f9b34fb"
SERIAL = "6e400001-b5a3-f393-e0a9-e50e24dcca9e"
RX = "6e400002-b5a3-f393-e0a9-e50e24dcca9e"
TX = "6e400003-b5a3-f393-e0a9-e50e24dcca9e"
PLAIN = {SERIAL: {RX: ["write"], TX: ["notify"]}}
ADVERTISING_S = 0.02

YES, NO = (Variant("b", value) for value in (True, False))

Interfaces = dict[str, dict[str, Variant]]


@dataclass
class FakeDevice:
    """What a device advertises and offers: services with their characteristics and the flags of these."""

    address: str
    name: str
    services: dict[str, dict[str, list[str]]] = field(default_factory=dict)
    advertises: bool = True

    @property
    def path(self) -> str:
        return f"{HCI}/dev_{self.address.replace(':', '_')}"


class FakeBluez:
    """An adapter, and devices near it."""

    def __init__(self) -> None:
        self.near: dict[str, FakeDevice] = {}
        self.objects: dict[str, Interfaces] = {}
        self.calls: list[str] = []
        """Names of the methods called, in order."""
        self.errors: dict[str, tuple[str, str]] = {}
        """Methods that fail, with the name and the text of their error."""
        self.unanswered: set[str] = set()
        """Methods that are never answered."""
        self.subscribed: set[str] = set()
        self.written: Callable[[str, bytes], None] = lambda _uuid, _data: None
        """Called with what is written to a characteristic."""
        self._bus: MessageBus | None = None
        self._scans = 0
        self._tasks: set[asyncio.Task[None]] = set()
        self._advertising: asyncio.Task[None] | None = None

    # ---- the service

    async def start(self, address: str, *, adapter: bool = True, powered: bool = True) -> None:
        self._bus = await MessageBus(bus_address=address, negotiate_unix_fd=True).connect()
        self._bus.add_message_handler(self._called)
        self.objects = {"/org/bluez": {}}
        if adapter:
            self.objects[HCI] = {ADAPTER: _adapter(powered)}
        await self._bus.request_name("org.bluez", NameFlag.NONE)

    async def stop(self) -> None:
        """Die without a word, as a killed bluetoothd."""
        tasks = {*self._tasks, *([self._advertising] if self._advertising else [])}
        for task in tasks:
            task.cancel()
        if tasks:
            await asyncio.wait(tasks)
        self._advertising, self._scans = None, 0
        self.subscribed.clear()
        if self._bus is not None:
            self._bus.disconnect()
            await self._bus.wait_for_disconnect()
            self._bus = None

    # ---- the radio

    def come(self, device: FakeDevice) -> None:
        self.near[device.path] = device

    def lose(self, device: FakeDevice) -> None:
        """Break the connection, as after a supervision timeout."""
        self.subscribed = {p for p in self.subscribed if not p.startswith(device.path)}
        if device.path in self.objects:
            self.set(device.path, DEVICE, ServicesResolved=NO)
            self.set(device.path, DEVICE, Connected=NO)

    def go(self, device: FakeDevice) -> None:
        """Take a device away and let it be forgotten."""
        self.lose(device)
        self.near.pop(device.path, None)
        for path in sorted((p for p in self.objects if p.startswith(device.path)), reverse=True):
            self._signal("/", OBJECT_MANAGER, "InterfacesRemoved", "oas", [path, [*self.objects.pop(path)]])

    def notify(self, device: FakeDevice, data: bytes) -> bool:
        """Send a notification from each characteristic that is subscribed to; say whether there was one."""
        paths = [p for p in self.subscribed if p.startswith(device.path)]
        for path in paths:
            self.set(path, CHARACTERISTIC, Value=Variant("ay", data))
        return bool(paths)

    def characteristics(self, device: FakeDevice) -> list[str]:
        """Return the UUIDs of those subscribed to."""
        paths = sorted(p for p in self.subscribed if p.startswith(device.path))
        return [self.objects[p][CHARACTERISTIC]["UUID"].value for p in paths]

    def connected(self, device: FakeDevice) -> bool:
        known = self.objects.get(device.path)
        return known is not None and known[DEVICE]["Connected"].value

    def advertise(self, device: FakeDevice) -> None:
        if device.path in self.objects:
            self.set(device.path, DEVICE, RSSI=Variant("n", -51))
        else:
            self.add(device.path, {DEVICE: _device(device)})

    async def resolve(self, device: FakeDevice) -> None:
        """Connect a device and tell its services."""
        self.set(device.path, DEVICE, Connected=YES)
        await asyncio.sleep(0.01)
        if device.path not in self.objects:
            return
        handle = 10
        for uuid, characteristics in device.services.items():
            service = f"{device.path}/service{handle:04x}"
            self.add(service, {SERVICE: _service(uuid, device.path)})
            for char, flags in characteristics.items():
                handle += 2
                self.add(
                    f"{service}/char{handle:04x}", {CHARACTERISTIC: _characteristic(char, service, flags)}
                )
            handle += 2
        self.set(device.path, DEVICE, ServicesResolved=YES)

    # ---- objects and signals

    def set(self, path: str, interface: str, **changed: Variant) -> None:
        self.objects[path][interface].update(changed)
        self._signal(path, PROPERTIES, "PropertiesChanged", "sa{sv}as", [interface, changed, []])

    def add(self, path: str, interfaces: Interfaces) -> None:
        self.objects[path] = interfaces
        self._signal("/", OBJECT_MANAGER, "InterfacesAdded", "oa{sa{sv}}", [path, interfaces])

    def _signal(self, path: str, interface: str, member: str, signature: str, body: list[Any]) -> None:
        signal = Message(path=path, interface=interface, member=member, signature=signature, body=body)
        signal.message_type = MessageType.SIGNAL
        self._send(signal)

    def _send(self, message: Message) -> None:
        if self._bus is not None:
            self._bus.send(message)

    async def _advertise_all(self) -> None:
        while True:
            await asyncio.sleep(ADVERTISING_S)
            for device in list(self.near.values()):
                if device.advertises and not self.connected(device):
                    self.advertise(device)

    def run(self, work: Coroutine[Any, Any, None]) -> None:
        """Do something in a task of its own, which ends with the service."""
        task = asyncio.create_task(work, name="fake radio")
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    # ---- methods

    def _called(self, message: Message) -> Message | bool | None:
        if message.message_type != MessageType.METHOD_CALL or message.interface is None:
            return None
        methods: dict[tuple[str, str], Callable[[Message], Message | bool]] = {
            (OBJECT_MANAGER, "GetManagedObjects"): self._all_objects,
            (ADAPTER, "SetDiscoveryFilter"): Message.new_method_return,
            (ADAPTER, "StartDiscovery"): self._start_discovery,
            (ADAPTER, "StopDiscovery"): self._stop_discovery,
            (DEVICE, "Connect"): self._connect,
            (DEVICE, "Disconnect"): self._disconnect,
            (CHARACTERISTIC, "StartNotify"): self._start_notify,
            (CHARACTERISTIC, "StopNotify"): self._stop_notify,
            (CHARACTERISTIC, "WriteValue"): self._write_value,
        }
        method = methods.get((message.interface, message.member or ""))
        if method is None:
            return None
        name = message.member or ""
        self.calls.append(name)
        if name in self.unanswered:
            return True
        if name in self.errors:
            return Message.new_error(message, *self.errors[name])
        if message.path != "/" and message.path not in self.objects:
            return Message.new_error(message, "org.freedesktop.DBus.Error.UnknownObject", message.path or "")
        return method(message)

    def _all_objects(self, message: Message) -> Message:
        told = {path: interfaces for path, interfaces in self.objects.items() if interfaces}
        return Message.new_method_return(message, "a{oa{sa{sv}}}", [told])

    def _start_discovery(self, message: Message) -> Message:
        if self._scans:
            return Message.new_error(message, "org.bluez.Error.InProgress", "Operation already in progress")
        self._scans += 1
        self._advertising = asyncio.create_task(self._advertise_all(), name="fake radio")
        return Message.new_method_return(message)

    def _stop_discovery(self, message: Message) -> Message:
        self._scans = 0
        if self._advertising is not None:
            self._advertising.cancel()
        return Message.new_method_return(message)

    def _connect(self, message: Message) -> bool:
        async def connect() -> None:
            await asyncio.sleep(0.01)
            device = self.near.get(message.path or "")
            if device is None:
                text = "le-connection-abort-by-remote"
                self._send(Message.new_error(message, "org.bluez.Error.Failed", text))
                return
            # As bluetoothd: the property first; who calls and who watches sit at two ends of the bus.
            self.set(device.path, DEVICE, Connected=YES)
            await asyncio.sleep(0.01)
            self._send(Message.new_method_return(message))
            await self.resolve(device)

        self.run(connect())
        return True

    def _disconnect(self, message: Message) -> Message:
        if (device := self.near.get(message.path or "")) is not None:
            self.lose(device)
        else:
            self.set(message.path or "", DEVICE, Connected=NO)
        return Message.new_method_return(message)

    def _start_notify(self, message: Message) -> Message | bool:
        self.subscribed.add(message.path or "")
        return Message.new_method_return(message)

    def _write_value(self, message: Message) -> Message:
        uuid = self.objects[message.path or ""][CHARACTERISTIC]["UUID"].value
        self.written(uuid, bytes(message.body[0]))
        return Message.new_method_return(message)

    def _stop_notify(self, message: Message) -> Message:
        self.subscribed.discard(message.path or "")
        return Message.new_method_return(message)


def _adapter(powered: bool) -> dict[str, Variant]:
    return {
        "Address": Variant("s", "00:11:22:33:44:55"),
        "Name": Variant("s", "fake"),
        "Alias": Variant("s", "fake"),
        "Powered": YES if powered else NO,
        "Discovering": NO,
        "Roles": Variant("as", ["central", "peripheral"]),
        "UUIDs": Variant("as", []),
    }


def _device(device: FakeDevice) -> dict[str, Variant]:
    name = device.name or device.address.replace(":", "-")
    properties = {
        "Address": Variant("s", device.address),
        "AddressType": Variant("s", "random"),
        "Alias": Variant("s", name),
        "Adapter": Variant("o", HCI),
        "UUIDs": Variant("as", [GENERIC_ATTRIBUTE, *device.services]),
        "RSSI": Variant("n", -50),
    }
    if device.name:
        properties["Name"] = Variant("s", device.name)
    flags = ("Paired", "Bonded", "Trusted", "Blocked", "LegacyPairing", "Connected", "ServicesResolved")
    return properties | dict.fromkeys(flags, NO)


def _service(uuid: str, device: str) -> dict[str, Variant]:
    return {
        "UUID": Variant("s", uuid),
        "Device": Variant("o", device),
        "Primary": YES,
        "Includes": Variant("ao", []),
    }


def _characteristic(uuid: str, service: str, flags: list[str]) -> dict[str, Variant]:
    return {
        "UUID": Variant("s", uuid),
        "Service": Variant("o", service),
        "Value": Variant("ay", b""),
        "Flags": Variant("as", flags),
        "MTU": Variant("q", 247),
        "Notifying": NO,
    }

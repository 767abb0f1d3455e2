"""What Bluetooth's errors mean to a person."""

from collections.abc import Iterator
from contextlib import contextmanager

from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakDBusError,
    BleakDeviceNotFoundError,
    BleakGATTProtocolError,
    BleakGATTProtocolErrorCode,
)

from livealign_drivers._reconnecting import LinkError

__all__ = ["in_words"]

OFF = (
    "Bluetooth is switched off: switch it on (on Linux: `bluetoothctl power on`, "
    "and if that is refused `rfkill unblock bluetooth`)"
)
NO_ADAPTER = "this computer has no Bluetooth adapter: plug one in, or start its driver"
NO_SERVICE = "the system's Bluetooth service is not running: start it (`systemctl start bluetooth`)"
DENIED = (
    "this program may not use Bluetooth: allow it in the system's privacy settings (on Linux: put the user "
    "into the group `bluetooth`)"
)
NOT_ALLOWED = (
    "{} does not allow that to be read or written: correct `characteristic` or `request_characteristic` in the "
    "rig file"
)
NOT_PAIRED = "{} wants to be paired first: pair it in the system's Bluetooth settings"

Why = BleakBluetoothNotAvailableReason
NOT_AVAILABLE = {
    Why.NO_BLUETOOTH: NO_ADAPTER,
    Why.NO_BLE_CENTRAL_ROLE: "the Bluetooth adapter knows no Low Energy: plug in another one",
    Why.POWERED_OFF: OFF,
    Why.DENIED_BY_USER: DENIED,
    Why.DENIED_BY_SYSTEM: DENIED,
    Why.DENIED_BY_UNKNOWN: DENIED,
}
DBUS_REFUSED = {
    "org.bluez.Error.NotReady": OFF,
    "org.bluez.Error.NotAuthorized": NOT_PAIRED,
    "org.bluez.Error.AuthenticationFailed": NOT_PAIRED,
    "org.bluez.Error.NotPermitted": NOT_ALLOWED,
    "org.bluez.Error.NotSupported": NOT_ALLOWED,
    "org.freedesktop.DBus.Error.AccessDenied": DENIED,
    "org.freedesktop.DBus.Error.NameHasNoOwner": NO_SERVICE,
    "org.freedesktop.DBus.Error.ServiceUnknown": NO_SERVICE,
}
Code = BleakGATTProtocolErrorCode
PAIRING_CODES = {
    Code.INSUFFICIENT_AUTHENTICATION,
    Code.INSUFFICIENT_AUTHORIZATION,
    Code.INSUFFICIENT_ENCRYPTION,
    Code.INSUFFICIENT_ENCRYPTION_KEY_SIZE,
}


@contextmanager
def in_words(peer: str) -> Iterator[None]:
    """Turn what Bluetooth raises inside into a `LinkError` about `peer`."""
    try:
        yield
    except LinkError:
        raise
    except Exception as e:
        # Bleak lets through whatever its systems raise (D-Bus, WinRT, CoreBluetooth), asserts included.
        raise _in_words(e, peer) from e


def _in_words(e: Exception, peer: str) -> LinkError:
    refused = None
    if isinstance(e, BleakBluetoothNotAvailableError):
        refused = NOT_AVAILABLE.get(e.reason, f"Bluetooth is not available ({e.args[0]}): is it switched on?")
    elif isinstance(e, BleakDBusError):
        refused = DBUS_REFUSED.get(e.dbus_error)
    elif isinstance(e, BleakGATTProtocolError) and e.code in PAIRING_CODES:
        refused = NOT_PAIRED
    elif isinstance(e, PermissionError):
        refused = DENIED
    elif isinstance(e, FileNotFoundError | ConnectionRefusedError):
        refused = "the system's message bus (D-Bus) cannot be reached: is it running, and Bluetooth with it?"
    if refused is not None:
        return LinkError("refused", refused.format(peer))
    if isinstance(e, TimeoutError):
        return LinkError("lost", f"{peer} did not answer in time: bring it nearer, check its battery")
    if isinstance(e, BleakDeviceNotFoundError):
        return LinkError("lost", f"{peer} was there and is gone: bring it nearer, check its battery")
    return LinkError("lost", f"{peer} cannot be reached ({str(e) or type(e).__name__}): is it near, and on?")

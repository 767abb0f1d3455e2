"""What there is to listen to: serial ports, Bluetooth LE devices, topics of an MQTT broker."""

import asyncio
import math
from typing import Any

from livealign.errors import PersonError

__all__ = ["ble_devices", "mqtt_topics", "serial_ports"]

MOST = 200
SAMPLE = 80
ANSWER_S = 5.0


def serial_ports() -> list[dict[str, Any]]:
    """Return this computer's serial ports: name, description and hardware, empty where not known."""
    from serial.tools import list_ports  # noqa: PLC0415 - it looks through the whole machine

    try:
        found = sorted(list_ports.comports())
    except OSError as e:
        raise PersonError(f"the serial ports cannot be listed: {e}") from e
    known = [(p.device, p.description, p.hwid) for p in found]
    return [
        {"port": d, "description": "" if t == "n/a" else t, "hardware": "" if h == "n/a" else h}
        for d, t, h in known
    ]


async def ble_devices(seconds: float) -> list[dict[str, Any]]:
    """Return the Bluetooth LE devices that are heard, the strongest first.

    Raises:
        PersonError: if this computer cannot listen for them.
    """
    from bleak import BleakScanner  # noqa: PLC0415 - loaded only if used
    from bleak.exc import BleakError  # noqa: PLC0415

    advice = "Switch Bluetooth on; on Linux the package bluez has to be installed and its service running."
    try:
        async with asyncio.timeout(seconds + ANSWER_S):
            found = await BleakScanner.discover(timeout=seconds, return_adv=True)
    except TimeoutError:
        raise PersonError("this computer's Bluetooth does not answer", advice=advice) from None
    # What the system raises differs from platform to platform, D-Bus and WinRT errors among it.
    except (BleakError, OSError, EOFError, AttributeError) as e:
        raise PersonError(f"this computer cannot listen for Bluetooth LE devices: {e}", advice=advice) from e
    devices: list[dict[str, Any]] = [
        {
            "address": device.address,
            "name": told.local_name or device.name or "",
            "dbm": told.rssi,
            "services": list(told.service_uuids),
        }
        for device, told in found.values()
    ]
    devices.sort(key=lambda d: -d["dbm"])
    return devices[:MOST]


async def mqtt_topics(
    host: str, port: int, seconds: float, *, username: str | None = None, password: str | None = None
) -> list[dict[str, Any]]:
    """Return the topics on which something is published for a few seconds, with the newest message of each.

    Raises:
        PersonError: if the broker cannot be reached, or refuses.
    """
    import aiomqtt  # noqa: PLC0415 - loaded only if used

    seen: dict[str, dict[str, Any]] = {}
    where = f"the broker at {host}:{port}"
    try:
        async with aiomqtt.Client(
            host,
            port,
            username=username,
            password=password,
            timeout=ANSWER_S,
            max_queued_incoming_messages=1000,
        ) as client:
            await client.subscribe("#", timeout=math.inf)
            try:
                async with asyncio.timeout(seconds):
                    async for message in client.messages:
                        topic, payload = str(message.topic), bytes(message.payload)
                        if topic in seen or len(seen) < MOST:
                            at = seen.setdefault(topic, {"topic": topic, "messages": 0})
                            at["messages"] += 1
                            at["sample"] = payload[:SAMPLE].decode("ascii", "backslashreplace")
            except TimeoutError:
                pass  # the seconds are over
    except (aiomqtt.MqttError, OSError) as e:
        advice = (
            "Check its address and that it runs; one that wants a login takes --user and --password-file."
        )
        raise PersonError(f"{where} cannot be asked: {e}", advice=advice) from e
    return sorted(seen.values(), key=lambda t: t["topic"])

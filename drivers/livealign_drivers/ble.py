"""Notifications of a Bluetooth LE device, such as a sensor head without a cable."""

import asyncio
from collections.abc import Callable
from typing import Annotated, ClassVar, Self

from pydantic import AfterValidator, Field, StringConstraints, model_validator

from livealign.stream.contracts import Clock, Options
from livealign_drivers._ble_wanted import Wanted, full_uuid
from livealign_drivers._reconnecting import LinkError, ReconnectingDriver, ReconnectSeconds
from livealign_drivers._request import Request

__all__ = ["BleDriver", "BleOptions"]

SERIAL_TX = "6e400003-b5a3-f393-e0a9-e50e24dcca9e"
"""What devices with the widely used serial service over GATT send their lines on."""

ADDRESS = r"^([0-9A-Fa-f]{2}(:[0-9A-Fa-f]{2}){5}|[0-9A-Fa-f]{8}(-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12})$"
TICK_S = 1.0

Address = Annotated[str, StringConstraints(pattern=ADDRESS)]
Uuid = Annotated[str, AfterValidator(full_uuid)]


class BleOptions(Options):
    """Which device, and what to read from it; one of address, name and service finds it, the first given."""

    address: Address | None = None
    """C0:FF:EE:00:00:01; on macOS, which hides addresses, the UUID it uses instead."""
    name: Annotated[str, Field(min_length=1)] | None = None
    """The name the device advertises."""
    service: Uuid | None = None
    """UUID of the service with the readings, of 4 or 32 digits."""
    characteristic: Uuid | None = None
    """UUID of what to subscribe to; left out, the first of the service that notifies, and without a service
    the one that sends lines in the widely used serial service."""
    add_line_end: bool = False
    """Each notification is a line of text whose end is left out: add it. Otherwise the bytes stay as they come,
    and the format finds the records in them."""
    silence_max_s: Annotated[float, Field(gt=0, le=86400, allow_inf_nan=False)] | None = None
    """Connect again after so long without a notification; left out, it is learnt from those that came, and 30 until
    there have been enough."""
    scan_timeout_s: Annotated[float, Field(gt=0, le=300, allow_inf_nan=False)] = 10.0
    """How long one attempt looks for the device."""
    reconnect_max_s: ReconnectSeconds = 5.0
    """Longest pause between two attempts to connect."""
    request: Request | None = None
    """What a head that only answers is to be sent, and when."""
    request_characteristic: Uuid | None = None
    """UUID of what the request is written to; left out, the first that can be written in the service that notifies."""

    @model_validator(mode="after")
    def _can_be_asked(self) -> Self:
        if self.request is None and self.request_characteristic is not None:
            raise ValueError("`request_characteristic` says where to write a `request`: give that too")
        return self

    @model_validator(mode="after")
    def _can_be_found(self) -> Self:
        if self.address is None and self.name is None and self.service is None:
            raise ValueError("one of `address`, `name` and `service` is needed to find the device")
        return self


class BleDriver(ReconnectingDriver):
    """Subscribes to one characteristic of a device; writes nothing but the request, to another one.

    The first link of a process opens one connection to the system's Bluetooth service, which all links
    share and which stays until its loop ends.
    """

    options_model: ClassVar[type[Options]] = BleOptions

    def __init__(self, link: str, options: BleOptions, clock: Clock) -> None:
        super().__init__(link, clock, options.reconnect_max_s, options.request)
        self._options = options
        self._whole_lines = options.add_line_end
        self._silence = Silence(options.silence_max_s)

    async def _hold_open(self) -> None:
        from livealign_drivers._ble_link import listening  # noqa: PLC0415 - bleak is loaded only if used

        options = self._options
        characteristic = options.characteristic
        if characteristic is None and options.service is None:
            characteristic = SERIAL_TX
        wanted = Wanted(options.address, options.name, options.service)
        loop_time = asyncio.get_running_loop().time

        def receive(data: bytes) -> None:
            self._silence.broken(loop_time())
            self._opened()  # the first may come before subscribing has returned
            self._deliver(data + b"\n" if options.add_line_end and not data.endswith(b"\n") else data)

        async with listening(wanted, options.scan_timeout_s, characteristic, receive) as peer:
            if options.request is not None:
                peer.choose_request(options.request_characteristic)
            self._opened()
            async with self._asked(peer.ask):
                await self._until_gone(peer.gone, peer.name, loop_time)
            peer.raise_trouble()
        raise LinkError("lost", f"the connection to {peer.name} broke: bring it nearer, check its battery")

    async def _until_gone(self, gone: asyncio.Event, name: str, loop_time: Callable[[], float]) -> None:
        # Not every loss is told: when the system's Bluetooth service dies, all looks connected.
        silence = self._silence
        silence.begin(loop_time())
        while not gone.is_set():
            limit_s = silence.limit_s
            if silence.too_long(loop_time()):
                why = f"{name} has sent nothing for {limit_s:.3g} s: is it still on, and Bluetooth too?"
                raise LinkError("lost", why)
            try:
                async with asyncio.timeout(min(TICK_S, limit_s / 2)):
                    await gone.wait()
            except TimeoutError:
                continue


class Silence:
    """How long a device may send nothing, in seconds: given, or learnt from its longest usual pause.

    Learnt, it is ten usual pauses and at least 5 s, or 30 s until 8 notifications have come; and twice as long
    after each silence that connecting again has not ended: the device may have nothing to say.
    """

    least_s: ClassVar[float] = 5.0
    least_unknown_s: ClassVar[float] = 30.0

    def __init__(self, given_s: float | None) -> None:
        self._given_s = given_s
        self._last_s = 0.0
        self._longest_s = 0.0
        self._count = 0
        self._in_vain = 0

    @property
    def limit_s(self) -> float:
        """The longest silence that is tolerated now."""
        if self._given_s is not None:
            return self._given_s
        least_s = self.least_unknown_s if self._count < 8 else self.least_s
        return max(least_s, 10 * self._longest_s) * 2.0 ** min(self._in_vain, 10)

    def begin(self, now_s: float) -> None:
        """The connection stands."""
        self._last_s = now_s

    def broken(self, now_s: float) -> None:
        """A notification came."""
        # A pause is forgotten slowly, by half in some 35 notifications.
        self._longest_s = max(now_s - self._last_s, 0.98 * self._longest_s) if self._count else 0.0
        self._last_s = now_s
        self._count += 1
        self._in_vain = 0

    def too_long(self, now_s: float) -> bool:
        """Say whether the silence is too long; once it is, the next may be longer."""
        if now_s - self._last_s < self.limit_s:
            return False
        self._in_vain += 1
        return True

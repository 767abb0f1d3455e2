"""Serial ports, by name or by pyserial's URLs."""

import asyncio
import os
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import Annotated, Any, ClassVar, Literal

import serial
from pydantic import AfterValidator, Field

from livealign.stream.contracts import Clock, Options
from livealign_drivers._reconnecting import ReconnectingDriver, ReconnectSeconds
from livealign_drivers._request import Request
from livealign_drivers._serial_asking import WRITE_TIMEOUT_S, SerialAsking
from livealign_drivers._serial_trouble import PORT_ERRORS, why_gone, why_not_open

__all__ = ["SerialDriver", "SerialOptions"]

OPEN_ERRORS: tuple[type[Exception], ...] = (*PORT_ERRORS, ValueError)
READ_TIMEOUT_S = 0.2
"""Only where a read cannot be cancelled, or its cancelling came too early, does closing wait this long."""
LEAVE_S = 3.0

PARITIES = {
    "none": serial.PARITY_NONE,
    "even": serial.PARITY_EVEN,
    "odd": serial.PARITY_ODD,
    "mark": serial.PARITY_MARK,
    "space": serial.PARITY_SPACE,
}


def _known_stopbits(given: float) -> float:
    if given not in {1, 1.5, 2}:
        raise ValueError("must be 1, 1.5 or 2")
    return given


class SerialOptions(Options):
    """Which port, and how it is set."""

    port: Annotated[str, Field(min_length=1)]
    """/dev/ttyUSB0, COM3, or a URL of pyserial such as rfc2217://host:port."""
    baud: Annotated[int, Field(gt=0)] = 115200
    bytesize: Literal[5, 6, 7, 8] = 8
    parity: Literal["none", "even", "odd", "mark", "space"] = "none"
    stopbits: Annotated[float, AfterValidator(_known_stopbits)] = 1
    exclusive: bool = True
    """Lock the port against other programs, where the platform leaves the choice."""
    reconnect_max_s: ReconnectSeconds = 5.0
    """Longest pause between two attempts to open the port."""
    request: Request | None = None
    """What a head that only answers is to be sent, and when."""


class SerialDriver(ReconnectingDriver):
    """Reads a serial port in a thread of its own, which opens, reads and closes it; another one writes requests."""

    options_model: ClassVar[type[Options]] = SerialOptions

    def __init__(self, link: str, options: SerialOptions, clock: Clock) -> None:
        super().__init__(link, clock, options.reconnect_max_s)
        self._options = options

    async def _hold_open(self) -> None:
        loop = asyncio.get_running_loop()
        ended: asyncio.Future[BaseException | None] = loop.create_future()
        asking = None
        if self._options.request is not None:
            asking = SerialAsking(f"serial {self.link} requests", self._options.request, self._complain)
        reader = _PortReader(self._options, self._opened, self._deliver, asking)

        def run() -> None:
            outcome = reader.run()
            with suppress(RuntimeError):  # the loop is closed, nobody waits any more
                loop.call_soon_threadsafe(_settle, ended, outcome)

        thread = threading.Thread(target=run, name=f"serial {self.link}", daemon=True)
        thread.start()
        try:
            outcome = await asyncio.shield(ended)
        except asyncio.CancelledError:
            reader.stop()
            # Opening can block for long (Bluetooth ports do): then the thread closes the port later.
            await asyncio.wait({ended}, timeout=LEAVE_S)
            raise
        finally:
            if ended.done():
                thread.join()
        if outcome is not None:
            raise outcome


class _PortReader:
    """Runs in the thread; only `stop` is called from elsewhere."""

    def __init__(
        self,
        options: SerialOptions,
        opened: Callable[[], None],
        deliver: Callable[[bytes], None],
        asking: SerialAsking | None,
    ) -> None:
        self._options = options
        self._opened = opened
        self._deliver = deliver
        self._asking = asking
        self._stopping = threading.Event()
        self._lock = threading.Lock()
        self._port: Any = None

    def run(self) -> BaseException | None:
        """Open the port, read it until it goes or `stop` is called, close it; return why it ended."""
        try:
            self._open_and_read()
        except BaseException as e:  # noqa: BLE001 - it is raised again in the task that waits for this thread
            return e
        return None

    def stop(self) -> None:
        """Let the thread end at once."""
        self._stopping.set()
        # The lock keeps the port open meanwhile: else a byte could go to somebody else's descriptor.
        with self._lock:
            if self._port is not None and hasattr(self._port, "cancel_read"):
                with suppress(*PORT_ERRORS):
                    self._port.cancel_read()

    def _open_and_read(self) -> None:
        name = self._options.port
        try:
            port = _open(self._options)
        except OPEN_ERRORS as e:
            raise why_not_open(name, e) from e
        with self._lock:
            self._port = port
        try:
            if not self._stopping.is_set():
                self._opened()
                if self._asking is not None:
                    self._asking.start(port)
            while not self._stopping.is_set():
                if payload := _next(port):
                    self._deliver(payload)
                    if self._asking is not None:
                        self._asking.heard()
        except PORT_ERRORS as e:
            raise why_gone(name, e) from e
        finally:
            if self._asking is not None:
                self._asking.stop()
            with self._lock:
                self._port = None
            with suppress(*PORT_ERRORS):
                port.close()
            if self._asking is not None:
                self._asking.join()


def _next(port: Any) -> bytes:
    """Return what has come or, if nothing has, what comes next; nothing after a while without any."""
    if waiting := port.in_waiting:
        return bytes(port.read(waiting))
    # The first byte wakes this thread; what came along with it belongs to the same frame.
    first = port.read(1)
    return bytes(first + port.read(port.in_waiting)) if first else b""


def _open(options: SerialOptions) -> Any:
    settings: dict[str, Any] = {}
    if os.name == "posix" and "://" not in options.port:  # on Windows a port is never shared
        settings["exclusive"] = options.exclusive
    if options.request is not None and not options.port.lower().startswith(
        "rfc2217:"
    ):  # which knows no such limit
        settings["write_timeout"] = WRITE_TIMEOUT_S
    return serial.serial_for_url(
        options.port,
        baudrate=options.baud,
        bytesize=options.bytesize,
        parity=PARITIES[options.parity],
        stopbits=options.stopbits,
        timeout=READ_TIMEOUT_S,
        **settings,
    )


def _settle(ended: "asyncio.Future[BaseException | None]", outcome: BaseException | None) -> None:
    if not ended.done():
        ended.set_result(outcome)

"""A head that publishes to an MQTT broker."""

import asyncio
import re
from collections import deque
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import aiomqtt

from livealign.errors import PersonError
from livealign_simulators.ports import Announcer

__all__ = ["Broker", "MqttPort"]

_MOST_WAITING = 1000
_AGAIN_S = 2.0
_RETRY_S = 0.5


@dataclass(frozen=True, slots=True)
class Broker:
    """Where to publish, and as whom."""

    host: str
    port: int = 1883
    username: str | None = None
    password_file: Path | None = None
    """A file with nothing but the password."""

    def options(self) -> dict[str, Any]:
        """Return what a reader needs to log in too; the password itself is told nobody."""
        given = {"username": self.username, "password_file": self.password_file and str(self.password_file)}
        return {"host": self.host, "port": self.port, **{k: v for k, v in given.items() if v is not None}}

    def client(self) -> aiomqtt.Client:
        """Return a client of the broker.

        Raises:
            PersonError: if the password cannot be read.
        """
        password = None
        if self.password_file is not None:
            try:
                password = self.password_file.read_text(encoding="utf-8").rstrip("\r\n")
            except (OSError, UnicodeDecodeError) as e:
                raise PersonError(
                    f"the password cannot be read: {e}", where=str(self.password_file)
                ) from None
        return aiomqtt.Client(self.host, self.port, username=self.username, password=password, timeout=5)


class MqttPort:
    """Publishes each chunk as a message of QoS 0; connects again by itself when the broker was away."""

    messages = True

    def __init__(self, broker: Broker, name: str, preamble: bytes = b"") -> None:
        """Take the name by which the topic is known, and what the device sends first."""
        self.dropped = 0
        self._broker = broker
        # What has a meaning in topics is no part of a name.
        self._topic = f"livealign/{re.sub(r'[^A-Za-z0-9_-]', '-', name) or 'head'}/readings"
        self._announcer = Announcer(preamble)
        self._waiting: deque[bytes] = deque()
        self._something = asyncio.Event()
        self._connected = asyncio.Event()
        self._tried = asyncio.Event()
        self._sender: asyncio.Task[None] | None = None
        self._why = ""

    @property
    def address(self) -> dict[str, Any]:
        """Kind, broker and topic."""
        return {"kind": "mqtt", **self._broker.options(), "topic": self._topic, "add_line_end": False}

    async def plug(self) -> None:
        """Connect to the broker.

        Raises:
            PersonError: if it cannot be reached, or does not let the device in.
        """
        if self._sender is not None:
            return
        self._sender = asyncio.create_task(self._run(), name=f"publishing to {self._topic}")
        tried = asyncio.create_task(self._tried.wait())
        await asyncio.wait({tried, self._sender}, return_when=asyncio.FIRST_COMPLETED)
        tried.cancel()
        if not self._connected.is_set():
            sender = self._sender
            await self.unplug()
            if not sender.cancelled():
                sender.result()
            raise PersonError(
                f"the broker cannot be used: {self._why}",
                where=f"{self._broker.host}:{self._broker.port}",
                advice="Is one running there? --broker HOST:PORT names another; --broker-user and "
                "--broker-password-file log in.",
            )

    async def unplug(self) -> None:
        """Disconnect; nobody but the broker notices, as with a real head."""
        if self._sender is not None:
            while not self._sender.done():
                # More than once: waiting in the library may swallow a cancellation that comes at the wrong moment.
                self._sender.cancel()
                await asyncio.wait({self._sender}, timeout=_AGAIN_S)
            if not self._sender.cancelled():
                self._sender.exception()  # nobody else asks for it
            self._sender = None
        self._waiting.clear()
        self._connected.clear()
        self._tried.clear()

    async def close(self) -> None:
        """Unplug."""
        await self.unplug()

    def write(self, data: bytes) -> None:
        """Publish as one message."""
        if not data or self._sender is None:
            return
        if not self._connected.is_set() or len(self._waiting) >= _MOST_WAITING:
            self.dropped += 1
            return
        self._waiting.append(self._announcer.due() + data)
        self._something.set()

    async def _run(self) -> None:
        while True:
            try:
                async with self._broker.client() as client:
                    self._connected.set()
                    self._tried.set()
                    await self._publish(client)
            except aiomqtt.MqttError as e:
                # Saying goodbye to a broker that does not answer ends in this error, also when we are to stop.
                task = asyncio.current_task()
                if task is not None and task.cancelling():
                    raise asyncio.CancelledError from e
                self._why = str(e)
                self._tried.set()
            self._connected.clear()
            self._waiting.clear()
            await asyncio.sleep(_RETRY_S)

    async def _publish(self, client: aiomqtt.Client) -> None:
        while True:
            while self._waiting:
                await client.publish(self._topic, self._waiting.popleft())
            self._something.clear()
            await self._something.wait()

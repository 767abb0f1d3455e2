"""An MQTT client that hands its messages on at once and can always be let go of."""

import asyncio
import logging
import math
import socket
import ssl
from collections.abc import Callable
from contextlib import suppress

import aiomqtt
from paho.mqtt.client import MQTT_ERR_SUCCESS, MQTTMessageInfo

__all__ = ["ANSWER_S", "ClosingSocket", "MqttClient"]

ANSWER_S = 5.0
"""How long a broker may take to answer."""
FAREWELL_S = 0.5
FAILED = 128
"""A broker's answer from here on is a refusal."""

# What goes wrong is told as a link event; the library would log every message that it cannot keep, too.
_QUIET = logging.getLogger(__name__)
_QUIET.setLevel(logging.CRITICAL + 1)


class ClosingSocket(ssl.SSLSocket):
    """Closes itself when its handshake fails, since the library below does not."""

    def do_handshake(self, block: bool = False) -> None:
        """Agree on the encryption."""
        try:
            super().do_handshake(block)
        except OSError:
            self.close()
            raise


class MqttClient(aiomqtt.Client):
    """One connection, for one attempt."""

    def __init__(
        self,
        host: str,
        port: int,
        take: Callable[[aiomqtt.Message], None],
        *,
        username: str | None,
        password: str | None,
        identifier: str | None,
        clean_session: bool,
        keepalive: int,
        tls_context: ssl.SSLContext | None,
    ) -> None:
        """Prepare to connect; `take` is called with each message as it arrives, from the loop."""
        super().__init__(
            host,
            port,
            username=username,
            password=password,
            identifier=identifier,
            clean_session=clean_session,
            keepalive=keepalive,
            tls_context=tls_context,
            timeout=ANSWER_S,
            queue_type=_handing_to(take),
            logger=_QUIET,
        )
        self._last_request: MQTTMessageInfo | None = None

    async def enter(self) -> None:
        """Connect; if this is cancelled, no thread is left that still connects."""
        entering = asyncio.ensure_future(self.__aenter__())
        try:
            await asyncio.shield(entering)
        except asyncio.CancelledError:
            # A thread connects, and only when it is done can its socket be closed; then nothing has to be awaited.
            self.timeout = 0
            if self._client.socket() is not None:
                entering.cancel()
            await asyncio.wait({entering})
            if not entering.cancelled():
                entering.exception()  # nobody asks for it any more
            raise

    async def ask_for(self, topic: str, qos: int) -> bool:
        """Subscribe; return whether the broker allows it.

        Raises:
            aiomqtt.MqttError: if the connection is lost.
            TimeoutError: if the broker does not answer.
        """
        # Not the library's own time limit: with Python 3.11 that may swallow a cancellation.
        async with asyncio.timeout(ANSWER_S):
            answers = await self.subscribe(topic, qos, timeout=math.inf)
        return all((x if isinstance(x, int) else x.value) < FAILED for x in answers)

    def ask(self, topic: str, request: bytes) -> None:
        """Publish a request, unless the one before it is still waiting: a broker must not be sent a heap of old ones."""
        last = self._last_request
        if last is None or last.rc != MQTT_ERR_SUCCESS or last.is_published():
            self._last_request = self._client.publish(topic, request, qos=0)

    async def until_gone(self) -> None:
        """Wait until the connection is lost.

        Raises:
            aiomqtt.MqttError: when it is.
        """
        async for _ in self.messages:
            pass  # never: they have been taken before they came into the queue

    async def let_go(self) -> None:
        """Take leave of the broker if there is one, and close the socket, whatever happened."""
        self.timeout = math.inf
        if self._connected.cancelled():
            self._connected = asyncio.Future()  # the library's callbacks would trip over it
        if self._connected.done():
            with suppress(aiomqtt.MqttError, TimeoutError):
                async with asyncio.timeout(FAREWELL_S):
                    await self.__aexit__(None, None, None)
        if self._disconnected.done() and not self._disconnected.cancelled():
            self._disconnected.exception()  # nobody asks for it any more
        # The library closes no socket of a connection that failed half way, but it does once that is at its end.
        sock = self._client.socket()
        if isinstance(sock, socket.socket):
            with suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)
        with suppress(TimeoutError):
            async with asyncio.timeout(FAREWELL_S):
                while self._client.socket() is not None:  # noqa: ASYNC110 - told by no event
                    await asyncio.sleep(0.005)


def _handing_to(take: Callable[[aiomqtt.Message], None]) -> type[asyncio.Queue[aiomqtt.Message]]:
    """Return a queue that is always empty: the library's own would drop the newest, uncounted."""

    class Handover(asyncio.Queue[aiomqtt.Message]):
        def put_nowait(self, item: aiomqtt.Message) -> None:
            take(item)

    return Handover

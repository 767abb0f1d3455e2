"""Messages of a topic from an MQTT broker (MQTT 3.1.1)."""

import asyncio
import ssl
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal, Self

import aiomqtt
from pydantic import ConfigDict, Field, SecretStr, field_validator, model_validator

from livealign.stream.contracts import Clock, Options
from livealign_drivers._messages import as_line
from livealign_drivers._mqtt_client import ClosingSocket, MqttClient
from livealign_drivers._mqtt_rivals import Rivals
from livealign_drivers._mqtt_trouble import (
    closed_by_broker,
    why_not_allowed,
    why_not_connected,
    why_thrown_out,
)
from livealign_drivers._reconnecting import LinkError, ReconnectingDriver, ReconnectSeconds
from livealign_drivers._request import Request

__all__ = ["MqttDriver", "MqttOptions"]

LONGEST_FRAME = 65536
"""Longer messages come in pieces, so that what waits stays bounded."""


class MqttOptions(Options):
    """Which broker and topic, and how to log in."""

    model_config = ConfigDict(hide_input_in_errors=True)

    host: Annotated[str, Field(min_length=1)]
    port: Annotated[int, Field(ge=1, le=65535)] | None = None
    """Left out: 8883 with TLS, else 1883."""
    topic: Annotated[str, Field(min_length=1, max_length=1000)]
    """Of the messages; `+` stands for one level, `#` at the end for all below."""
    qos: Literal[0, 1] = 0
    """1: the broker sends again what was not acknowledged."""
    username: Annotated[str, Field(min_length=1)] | None = None
    password: SecretStr | None = None
    password_file: Path | None = None
    """A file with nothing but the password, read at each attempt to connect."""
    tls: bool = False
    ca_file: Path | None = None
    """Certificate, in PEM, of the authority that signed the broker's; left out: those the system trusts."""
    client_id: Annotated[str, Field(min_length=1, max_length=1000)] | None = None
    """Left out: another at each connection."""
    keepalive: Annotated[int, Field(ge=1, le=3600)] = 10
    """Seconds: a broker that is silent for longer is asked, and given up if it does not answer in as long."""
    clean_session: bool = True
    """false: the broker keeps messages of QoS 1 while the link is lost and sends them late."""
    retained: bool = False
    """true: take the last message too that the broker keeps from before; it may be old."""
    add_line_end: bool = True
    """Put a newline behind each message that ends in none; false, as binary formats need: leave them as they are."""
    reconnect_max_s: ReconnectSeconds = 5.0
    """Longest pause between two attempts to connect."""
    request: Request | None = None
    """What a head that only answers is to be sent, and when."""
    request_topic: Annotated[str, Field(min_length=1, max_length=1000)] | None = None
    """Where it is published, with QoS 0."""

    @property
    def place(self) -> str:
        """Host and port."""
        return f"{self.host}:{self.port or (8883 if self.tls else 1883)}"

    # Checked here and not at the key: what is wrong with a key is shown.
    @model_validator(mode="before")
    @classmethod
    def _password_is_text(cls, given: Any) -> Any:
        if isinstance(given, dict) and not isinstance(given.get("password", ""), str | SecretStr | None):
            raise ValueError("`password` is text: write it in quotes")  # noqa: TRY004 - what pydantic reports
        return given

    @field_validator("host")
    @classmethod
    def _no_address_of_a_page(cls, host: str) -> str:
        if "/" in host:
            raise ValueError(
                "give the name or the address alone, such as 192.168.4.1; `tls` says how to connect"
            )
        return host

    @field_validator("topic")
    @classmethod
    def _good_topic(cls, topic: str) -> str:
        levels = topic.split("/")
        if "\0" in topic or any(("+" in x and x != "+") or ("#" in x and x != "#") for x in levels):
            raise ValueError("+ and # stand alone between slashes, such as heads/+/readings or heads/#")
        if "#" in levels[:-1]:
            raise ValueError("# stands at the end only, such as heads/#")
        return topic

    @field_validator("request_topic")
    @classmethod
    def _one_topic(cls, topic: str | None) -> str | None:
        if topic is not None and any(sign in topic for sign in "+#\0"):
            raise ValueError("is published to one topic: + and # are for topics that are read")
        return topic

    @model_validator(mode="after")
    def _can_be_asked(self) -> Self:
        if (self.request is None) != (self.request_topic is None):
            raise ValueError("`request` and `request_topic` go together: give both")
        if self.request_topic is not None and aiomqtt.Topic(self.request_topic).matches(self.topic):
            raise ValueError("`topic` includes `request_topic`: the program would read its own requests")
        return self

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.password is not None and self.password_file is not None:
            raise ValueError("give `password` or `password_file`, not both")
        if self.username is None and (self.password is not None or self.password_file is not None):
            raise ValueError("a password needs a `username`")
        if self.ca_file is not None and not self.tls:
            raise ValueError("`ca_file` is for TLS: add tls = true")
        if not self.clean_session and self.client_id is None:
            raise ValueError(
                "clean_session = false needs a `client_id`, by which the broker knows this program again"
            )
        return self


class MqttDriver(ReconnectingDriver):
    """Subscribes to a topic; publishes nothing but the request. Each message is a frame."""

    options_model: ClassVar[type[Options]] = MqttOptions

    def __init__(self, link: str, options: MqttOptions, clock: Clock) -> None:
        super().__init__(link, clock, options.reconnect_max_s, options.request)
        self._options = options
        self._whole_lines = options.add_line_end
        self._rivals = Rivals(options.reconnect_max_s)
        self._opened_s: float | None = None

    async def _hold_open(self) -> None:
        options = self._options
        _check_loop()
        self._opened_s = None
        await asyncio.sleep(self._rivals.pause_s)
        client = await self._client()

        async def ask(request: bytes) -> None:
            client.ask(options.request_topic or "", request)

        try:
            await client.enter()
            if not await client.ask_for(options.topic, options.qos):
                raise why_not_allowed(options.topic, self._peer)
            self._opened_s = _now_s()
            self._opened()
            async with self._asked(ask):
                await client.until_gone()
        except (aiomqtt.MqttError, OSError, UnicodeError) as e:
            raise self._trouble(e) from e
        finally:
            await client.let_go()

    def _trouble(self, error: Exception) -> LinkError:
        options, lasted_s = self._options, None
        if self._opened_s is not None and closed_by_broker(error):
            lasted_s = _now_s() - self._opened_s
        if options.client_id is not None:
            self._rivals.ended(lasted_s)
            if self._rivals.are_there:
                return why_thrown_out(options.client_id, self._peer)
        return why_not_connected(error, self._peer, with_login=options.username is not None)

    async def _client(self) -> MqttClient:
        options = self._options
        host, _, port = options.place.rpartition(":")
        return MqttClient(
            host,
            int(port),
            self._take,
            username=options.username,
            password=await asyncio.to_thread(_password, options),
            identifier=options.client_id,
            clean_session=options.clean_session,
            keepalive=options.keepalive,
            tls_context=await asyncio.to_thread(_trust, options.ca_file) if options.tls else None,
        )

    def _take(self, message: aiomqtt.Message) -> None:
        if message.retain and not self._options.retained:
            return
        self._opened()  # a session that was kept brings messages before the answer to the subscription
        payload = bytes(message.payload)
        if payload and self._options.add_line_end:
            payload = as_line(payload)
        while len(payload) > LONGEST_FRAME:
            end = payload.rfind(b"\n", 0, LONGEST_FRAME) + 1 if self._whole_lines else LONGEST_FRAME
            self._whole_lines = self._whole_lines and end > 0  # no longer, if lines are longer than frames
            end = end or LONGEST_FRAME
            self._deliver(payload[:end])
            payload = payload[end:]
        if payload:
            self._deliver(payload)

    @property
    def _peer(self) -> str:
        return f"the broker at {self._options.place}"


def _now_s() -> float:
    return asyncio.get_running_loop().time()


def _check_loop() -> None:
    proactor = getattr(asyncio, "ProactorEventLoop", None)
    if proactor is not None and isinstance(asyncio.get_running_loop(), proactor):
        why = "MQTT needs asyncio's selector event loop, and this program was started on Windows' own"
        raise LinkError("refused", f"{why}: see MQTT in the page about the rig file")


def _password(options: MqttOptions) -> str | None:
    if options.password_file is None:
        return None if options.password is None else options.password.get_secret_value()
    try:
        return options.password_file.read_text(encoding="utf-8").rstrip("\r\n")
    except UnicodeDecodeError:  # not as the cause: it holds what it could not read
        why = f"the password file {options.password_file} is no UTF-8 text: save it as such"
    except OSError as e:
        why = (
            f"the password file {options.password_file} cannot be read ({e.strerror}): correct `password_file`, "
            "or who may read it"
        )
    raise LinkError("refused", why)


def _trust(ca_file: Path | None) -> ssl.SSLContext:
    try:
        context = ssl.create_default_context(cafile=ca_file)
    except OSError as e:  # ssl.SSLError is one
        why = f"the certificate {ca_file} cannot be read ({e.strerror or e}): `ca_file` names a file in PEM"
        raise LinkError("refused", why) from e
    context.sslsocket_class = ClosingSocket
    return context

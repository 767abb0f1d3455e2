"""What the person asks to listen to, as the driver and settings of a rig file."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal
from urllib.parse import unquote, urlsplit

from livealign.errors import PersonError

__all__ = ["SHAFTS", "Shaft", "Source", "read_source", "read_sources"]

Shaft = Literal["stationary", "movable"]
SHAFTS: tuple[Shaft, ...] = ("stationary", "movable")
USAGE = 2
HELP = (
    "Give a port (/dev/ttyUSB0, COM3), tcp://HOST:PORT, udp://:PORT, mqtt://HOST/TOPIC, ble:NAME or a file with "
    "captured bytes; `livealign listen` alone lists what is there."
)
ADDRESS = re.compile(r"[0-9A-Fa-f]{2}(:[0-9A-Fa-f]{2}){5}|[0-9A-Fa-f]{8}(-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}")
MESSAGES = {"udp", "mqtt", "ble"}
"""Drivers whose frames are whole messages."""


@dataclass(frozen=True, slots=True)
class Source:
    """Something to listen to."""

    text: str
    """As the person wrote it."""
    driver: str
    settings: dict[str, Any]
    shaft: Shaft | None = None
    """Which shaft carries it, if that was said."""

    @property
    def messages(self) -> bool:
        """Whether it sends whole messages and not just bytes."""
        return self.driver in MESSAGES

    def set(self, **settings: Any) -> "Source":
        """Return the same with other settings."""
        return replace(self, settings={**self.settings, **settings})


def read_sources(
    texts: Sequence[str], *, baud: int | None = None, password_file: str | None = None
) -> list[Source]:
    """Return what is to be listened to.

    Raises:
        PersonError: if one cannot be understood, or comes twice.
    """
    sources = [read_source(text) for text in texts]
    for k, source in enumerate(sources):
        if any(s.settings == source.settings and s.driver == source.driver for s in sources[:k]):
            raise PersonError(
                f"{source.text} is named twice", advice="Name each source once.", exit_code=USAGE
            )
        if source.driver == "serial" and baud is not None:
            sources[k] = source.set(baud=baud)
        if source.driver == "mqtt" and password_file is not None:
            sources[k] = source.set(password_file=password_file)
    return sources


def read_source(text: str) -> Source:
    """Return what one source is; `stationary=` or `movable=` before it says which shaft carries it.

    Raises:
        PersonError: if it cannot be understood.
    """
    for shaft in SHAFTS:
        if text.startswith(f"{shaft}="):
            return replace(read_source(text.removeprefix(f"{shaft}=")), text=text, shaft=shaft)
    scheme, _, rest = text.partition(":")
    try:
        if scheme in ("tcp", "udp", "mqtt", "mqtts"):
            return Source(text, *_from_url(text))
    except ValueError as e:
        raise PersonError(f"{text!r} cannot be understood: {e}", advice=HELP, exit_code=USAGE) from None
    if scheme == "ble" and rest.lstrip("/"):
        who = rest.lstrip("/")
        return Source(text, "ble", {"address" if ADDRESS.fullmatch(who) else "name": who})
    path = Path(text)
    if path.is_file():
        return Source(text, "file", {"path": text})
    if not path.exists() and "://" not in text and not re.match(r"(?i)/dev/|COM[0-9]|\\\\\.\\", text):
        what = f"{text!r} is no port and no file that is there"
        raise PersonError(what, advice=HELP, exit_code=USAGE)
    return Source(text, "serial", {"port": text})


def _from_url(text: str) -> tuple[str, dict[str, Any]]:
    url = urlsplit(text)
    host, port = url.hostname, url.port
    if url.scheme == "tcp":
        if not host or port is None:
            raise ValueError("it has to be tcp://HOST:PORT")
        return "tcp", {"host": host, "port": port}
    if url.scheme == "udp":
        if port is None:
            raise ValueError("it has to be udp://:PORT")
        first = (host or "").partition(".")[0]
        group = first.isdecimal() and 224 <= int(first) <= 239
        return "udp", {"port": port, **({"group" if group else "host": host} if host else {})}
    # A topic may hold # and ?, which end the path of other addresses.
    topic = unquote(text.partition("://")[2].partition("/")[2])
    if not host or not topic:
        raise ValueError("it has to be mqtt://HOST/TOPIC; `livealign listen --mqtt HOST` lists the topics")
    settings: dict[str, Any] = {"host": host, **({"port": port} if port else {}), "topic": topic}
    if url.username:
        settings["username"] = unquote(url.username)
    if url.scheme == "mqtts":
        settings["tls"] = True
    return "mqtt", settings

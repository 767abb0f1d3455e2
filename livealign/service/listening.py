"""Listening on a port of this computer, and a web server that leaves signals and logs to the program around it."""

import contextlib
import logging
import secrets
import socket
from collections.abc import Iterator

import uvicorn
from starlette.types import ASGIApp

from livealign.errors import PersonError

__all__ = ["Bind", "QuietServer", "listen", "new_token"]

Bind = tuple[str, int]


def new_token() -> str:
    """Return a random token for one run of the service."""
    return secrets.token_urlsafe(24)


def listen(bind: Bind, option: str = "--bind 127.0.0.1:0") -> socket.socket:
    """Return a socket that listens there; port 0 takes any free one.

    Args:
        bind: host and port.
        option: with which a person asks for any free port.

    Raises:
        PersonError: if the address cannot be had.
    """
    host, port = bind
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        listening = socket.create_server((host, port), family=family)
    except (OSError, OverflowError) as e:
        reason = getattr(e, "strerror", None) or str(e)
        raise PersonError(
            f"the service cannot listen there: {reason}",
            where=f"{host}:{port}",
            advice=f"If another run holds the port, stop it, or take any free port with: {option}",
        ) from e
    # Connections inherit it. asyncio would not set it, for this socket does not name its protocol; and without it a
    # snapshot waits until the client has acknowledged the one before.
    listening.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return listening


class QuietServer(uvicorn.Server):
    """Leaves signals alone: they end what is served, and that ends the server."""

    def __init__(self, app: ASGIApp) -> None:
        super().__init__(_config(app))

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Do nothing about signals."""
        yield

    def let_go(self) -> None:
        """Cut every connection that is left: a client that takes nothing would hold its own open for ever."""
        for connection in list(self.server_state.connections):
            connection.transport.abort()


def _config(app: ASGIApp) -> uvicorn.Config:
    log = logging.getLogger("uvicorn.error")
    log.setLevel(logging.ERROR)
    log.addFilter(_not_about_stopping)
    return uvicorn.Config(
        app,
        ws="websockets-sansio",
        ws_per_message_deflate=False,
        ws_max_size=65536,  # clients have nothing to say on the stream
        lifespan="off",
        log_config=None,
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=1,
    )


def _not_about_stopping(record: logging.LogRecord) -> bool:
    return not record.getMessage().startswith("Cancel ")

"""Serves a daemon's API on a port until the daemon ends."""

import asyncio
import contextlib
import os
import socket
from collections.abc import Callable, Iterator
from pathlib import Path

from fastapi import FastAPI

from livealign.errors import PersonError
from livealign.paths import ServiceNote, read_note, write_note
from livealign.service.app import create_app
from livealign.service.guard import is_loopback
from livealign.service.listening import Bind, QuietServer, listen, new_token
from livealign.service.served import Served
from livealign.service.signals import stop_on_signals

__all__ = ["Bind", "listen", "new_token", "serve"]


async def serve(
    daemon: Served,
    listening: socket.socket,
    *,
    token: str,
    note: Path,
    ready: Callable[[ServiceNote], None],
    extend: Callable[[FastAPI], None] | None = None,
) -> None:
    """Run the daemon and its API until Ctrl-C, SIGTERM or `daemon.stop`; leaves no note behind.

    Args:
        daemon: is run here.
        listening: from `listen`; closed at the end.
        token: what clients must show.
        note: file in which to say where the service is, while it runs.
        ready: is called with the note's content once clients can come.
        extend: adds to the API what this daemon has and others have not.

    Raises:
        PersonError: if the note cannot be written, or the session has failed.
    """
    host, port = listening.getsockname()[:2]
    left = ServiceNote(f"http://{_reachable(host)}:{port}", token, os.getpid())
    app = create_app(daemon, token=token, loopback_only=is_loopback(host))
    if extend is not None:
        extend(app)
    server = QuietServer(app)
    serving = asyncio.create_task(server.serve(sockets=[listening]), name="api")
    running = asyncio.create_task(daemon.run(), name="daemon")
    try:
        with _noted(left, note), stop_on_signals(daemon.stop):
            # uvicorn has no event for it
            while not server.started and not serving.done() and not running.done():  # noqa: ASYNC110
                await asyncio.sleep(0.01)
            if server.started:
                ready(left)
            await asyncio.wait({serving, running}, return_when=asyncio.FIRST_COMPLETED)
            daemon.stop()
            await asyncio.wait({running})
    finally:
        daemon.stop()
        server.should_exit = True
        await asyncio.gather(serving, running, return_exceptions=True)
        server.let_go()
        listening.close()
    for task in (running, serving):
        if failure := task.exception():
            raise _failed(failure) from failure


@contextlib.contextmanager
def _noted(left: ServiceNote, path: Path) -> Iterator[None]:
    try:
        write_note(left, path)
    except OSError as e:
        raise PersonError(
            f"the note for clients cannot be written: {e.strerror or e}",
            where=str(path),
            advice="Name another: --note",
        ) from e
    try:
        yield
    finally:
        with contextlib.suppress(PersonError):
            if read_note(path) == left:  # a later run may have put its own there
                path.unlink(missing_ok=True)


def _reachable(host: str) -> str:
    """Return a host that a client on this computer can use."""
    host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)  # noqa: S104 - compared, not bound
    return f"[{host}]" if ":" in host else host


def _failed(failure: BaseException) -> PersonError:
    if isinstance(failure, PersonError):
        return failure
    return PersonError(
        f"the program has failed inside: {type(failure).__name__}: {failure}",
        advice="This is a fault of the program: please report it, with the recording if there is one.",
    )

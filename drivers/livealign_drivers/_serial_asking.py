"""Asking over a serial port: pyserial's writes may block, so they have a thread of their own."""

import select
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from livealign_drivers._request import Request, Schedule
from livealign_drivers._serial_trouble import PORT_ERRORS

__all__ = ["WRITE_TIMEOUT_S", "SerialAsking"]

WRITE_TIMEOUT_S = 0.5
"""A port that takes no bytes for so long is not waited for any longer."""


class SerialAsking:
    """Writes the request of one link to its open port; a write that fails is left to the reader to notice."""

    def __init__(self, name: str, request: Request, say: Callable[[str], None]) -> None:
        """Prepare to ask; `say` is given what to tell the person, and an empty text once all is well again."""
        self._payload = request.payload
        self._schedule = Schedule(request)
        self._say = say
        self._changed = threading.Condition()
        self._stopping = False
        self._port: Any = None
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    def start(self, port: Any) -> None:
        """Begin, at a port that has just been opened."""
        self._port = port
        self._schedule.begin(time.monotonic())
        self._thread.start()

    def heard(self) -> None:
        """Bytes came from the head."""
        with self._changed:
            self._tell(self._schedule.heard(time.monotonic()))
            self._changed.notify()

    def stop(self) -> None:
        """Ask no more, and give up a write that is under way; returns once no write is, or soon."""
        with self._changed:
            self._stopping = True
            self._changed.notify()
        if hasattr(self._port, "cancel_write"):
            with suppress(*PORT_ERRORS):
                self._port.cancel_write()
        self._join(2 * WRITE_TIMEOUT_S)

    def join(self) -> None:
        """Wait for the end of the thread, now that the port is closed."""
        self._join(2 * WRITE_TIMEOUT_S)

    def _join(self, timeout_s: float) -> None:
        if self._thread.ident is not None:
            self._thread.join(timeout_s)

    def _run(self) -> None:
        while self._wait_for_turn():
            with suppress(*PORT_ERRORS):
                if _takes_bytes(self._port):
                    self._port.write(self._payload)

    def _wait_for_turn(self) -> bool:
        with self._changed:
            while not self._stopping:
                now_s = time.monotonic()
                if self._schedule.due_s <= now_s:
                    self._tell(self._schedule.asked(now_s))
                    return True
                self._changed.wait(self._schedule.due_s - now_s)
        return False

    def _tell(self, words: str | None) -> None:
        if words is not None:
            self._say(words)


def _takes_bytes(port: Any) -> bool:
    """Say whether a write could begin: at a port that is full, pyserial's would turn in circles until its time is up."""
    try:
        number = port.fileno()
    except OSError:  # Windows, or a port at the other end of a network
        return True
    return bool(select.select([], [number], [], 0)[1])

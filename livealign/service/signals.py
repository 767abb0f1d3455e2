"""Turns Ctrl-C and SIGTERM into a quiet end."""

import asyncio
import contextlib
import signal
import threading
from collections.abc import Callable, Iterator

__all__ = ["stop_on_signals"]


@contextlib.contextmanager
def stop_on_signals(stop: Callable[[], None]) -> Iterator[None]:
    """Call `stop` in the running loop at the first signal; a second one ends the program at once."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    loop = asyncio.get_running_loop()
    before = {s: signal.getsignal(s) for s in (signal.SIGINT, signal.SIGTERM)}

    def restore() -> None:
        for number, handler in before.items():
            signal.signal(number, handler)

    def handle(*_: object) -> None:
        restore()
        loop.call_soon_threadsafe(stop)

    for number in before:
        signal.signal(number, handle)
    try:
        yield
    finally:
        restore()

"""What a driver has left behind."""

import asyncio
import threading
from contextlib import suppress
from typing import Any

import psutil

from livealign.contract.listener import until

__all__ = ["Leftovers"]


class Leftovers:
    """Threads, tasks and descriptors that were not there when this was made, in a running loop."""

    def __init__(self) -> None:
        self._threads = set(threading.enumerate())
        self._tasks = len(asyncio.all_tasks())
        self._open = _descriptors()

    def threads(self) -> list[str]:
        """Return the names of the threads that were started since."""
        # The loop keeps the threads of its executor, idle, for the next who needs one.
        started = (t for t in threading.enumerate() if t not in self._threads)
        return [t.name for t in started if not t.name.startswith("asyncio_")]

    def tasks(self) -> int:
        """Return how many more tasks there are; the other end may have replaced its own."""
        return max(0, len(asyncio.all_tasks()) - self._tasks)

    def descriptors(self) -> int:
        """Return how many more files, sockets and pipes are open."""
        return max(0, _descriptors() - self._open)

    async def none(self) -> None:
        """Fail unless all are gone, soon."""
        # The other end of a socket notices in its own time that it was closed.
        with suppress(TimeoutError):
            await until(lambda: not any(self._counts()))
        if any(self._counts()):
            tasks = [repr(t.get_coro()) for t in asyncio.all_tasks()] if self.tasks() else []
            left = f"threads {self.threads()}, {self.tasks()} tasks among {tasks}, {self.descriptors()} descriptors"
            raise AssertionError(f"left behind: {left}")

    def _counts(self) -> tuple[int, int, int]:
        return len(self.threads()), self.tasks(), self.descriptors()


def _descriptors() -> int:
    process: Any = psutil.Process()  # what it can count depends on the platform
    return int(process.num_fds() if hasattr(process, "num_fds") else process.num_handles())

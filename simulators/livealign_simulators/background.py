"""The demonstration in a thread of its own, while the dashboard has the main one."""

import asyncio
import contextlib
import queue
import threading
from collections.abc import Callable
from pathlib import Path

from livealign.paths import ServiceNote
from livealign_simulators.operator import LEISURELY, Outcome
from livealign_simulators.stage import set_up

__all__ = ["Background"]

_POLL_S = 0.1


class Background:
    """Starts at once; the parts stay after the operator has finished, so that the result can be looked at."""

    def __init__(self, kind: str, seed: int, record: Path | None, *, practice: bool = False) -> None:
        """Start the thread; for practice there is no operator, the person is one."""
        self._practice = practice
        self.outcome: Outcome | None = None
        """What came of it, once the operator has finished."""
        self.error: Exception | None = None
        """What went wrong."""
        self.stand: str | None = None
        """For practice: the address of the stand, once the service can be reached."""
        self._note: queue.SimpleQueue[ServiceNote | None] = queue.SimpleQueue()
        self._over: Callable[[], object] = lambda: None
        self._thread = threading.Thread(target=self._run, args=(kind, seed, record), name="demo")
        self._thread.start()

    def service(self) -> ServiceNote | None:
        """Wait until the service can be reached; None if it will not be."""
        while True:
            # Waiting in short steps lets Ctrl-C through on every platform.
            with contextlib.suppress(queue.Empty):
                return self._note.get(timeout=_POLL_S)

    def end(self) -> None:
        """Stop whatever still runs and wait for it."""
        while self._thread.is_alive():
            with contextlib.suppress(RuntimeError):  # its loop has just closed
                self._over()
            self._thread.join(_POLL_S)

    def _run(self, kind: str, seed: int, record: Path | None) -> None:
        try:
            asyncio.run(self._until_over(kind, seed, record))
        except Exception as e:  # noqa: BLE001 - told in the main thread
            self.error = e
        finally:
            self._note.put(None)

    async def _until_over(self, kind: str, seed: int, record: Path | None) -> None:
        loop, over = asyncio.get_running_loop(), asyncio.Event()
        self._over = lambda: loop.call_soon_threadsafe(over.set)
        job = asyncio.create_task(self._whole_job(kind, seed, record, over))
        leaving = asyncio.create_task(over.wait())
        await asyncio.wait([job, leaving], return_when=asyncio.FIRST_COMPLETED)
        for task in (job, leaving):
            task.cancel()
        await asyncio.wait([job, leaving])
        if not job.cancelled():
            job.result()

    async def _whole_job(self, kind: str, seed: int, record: Path | None, over: asyncio.Event) -> None:
        async with set_up(kind, seed, record, practice=self._practice) as stage:
            self.stand = stage.simulator.practice
            self._note.put(stage.note)
            if self._practice:
                await stage.watch()
            self.outcome = await stage.play(LEISURELY, lambda _: None)
            await over.wait()

"""The bounded way from whoever reads a link to whoever iterates its driver."""

import asyncio
import threading
from collections import deque
from contextlib import suppress
from dataclasses import replace

from livealign.stream.contracts import Frame, LinkEvent

__all__ = ["LinkQueue"]

BREATH = 32
"""Items given without a pause before the other tasks of the loop get a turn."""
MOST_EVENTS = 64


class LinkQueue:
    """Frames and link events of one link in order; full, it drops its oldest frames and says how many.

    Frames are dropped a quarter of the queue at a time: one long gap costs a line format less than many
    short ones. The gap is reported right where it is: by the event that follows it, or by an extra "open"
    event before the next frame, so that whoever decodes can let go of a record that was cut. `put` may be
    called from any thread, the rest from the loop that made the queue.
    """

    def __init__(self, most_frames: int) -> None:
        self._most_frames = most_frames
        self._loop = asyncio.get_running_loop()
        self._loop_thread = threading.get_ident()
        self._ready = asyncio.Event()
        self._lock = threading.Lock()
        self._items: deque[Frame | LinkEvent] = deque()
        self._frames = 0
        self._dropped = 0
        self._woken = False
        self._closed = False
        self._given = 0

    def put(self, item: Frame | LinkEvent) -> None:
        """Append an item and wake who waits for it; once closed, do nothing."""
        with self._lock:
            if self._closed:
                return
            self._items.append(item)
            if isinstance(item, Frame):
                self._frames += 1
                if self._frames > self._most_frames:
                    self._drop_frames(max(1, self._most_frames // 4))
            elif len(self._items) - self._frames > MOST_EVENTS:
                self._drop_event()
            wake, self._woken = not self._woken, True
        # One wake-up at a time: a busy loop must not collect a callback for every chunk.
        if not wake:
            return
        if threading.get_ident() == self._loop_thread:
            self._ready.set()  # to wake the loop through its pipe would cost as much as all the rest
            return
        with suppress(RuntimeError):  # the loop is closed, nobody waits any more
            self._loop.call_soon_threadsafe(self._ready.set)

    async def get(self) -> Frame | LinkEvent | None:
        """Return the next item, or None once the queue is closed."""
        self._given += 1
        if self._given % BREATH == 0:
            await asyncio.sleep(0)
        while True:
            with self._lock:
                if self._closed:
                    return None
                if self._items:
                    return self._take()
                self._woken = False
                self._ready.clear()
            await self._ready.wait()

    def close(self) -> None:
        """End the waiting; what is still in the queue is let go."""
        with self._lock:
            self._closed = True
            self._items.clear()
        self._ready.set()

    def _take(self) -> Frame | LinkEvent:
        item = self._items[0]
        dropped, self._dropped = self._dropped, 0
        if isinstance(item, Frame):
            if dropped:
                return LinkEvent(item.link, "open", item.time_ns, _too_slow(dropped), dropped)
            self._frames -= 1
        elif dropped:
            item = replace(item, dropped=item.dropped + dropped, detail=item.detail or _too_slow(dropped))
        self._items.popleft()
        return item

    def _drop_frames(self, count: int) -> None:
        kept: list[LinkEvent] = []
        for _ in range(count):
            while isinstance(item := self._items.popleft(), LinkEvent):
                kept.append(item)
        self._items.extendleft(reversed(kept))
        self._frames -= count
        self._dropped += count

    def _drop_event(self) -> None:
        oldest = next(i for i, item in enumerate(self._items) if isinstance(item, LinkEvent))
        del self._items[oldest]


def _too_slow(dropped: int) -> str:
    return f"{dropped} frames were dropped: the program could not keep up with the link"

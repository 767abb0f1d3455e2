"""A recorded session fed to a fresh one again, at any pace, to and fro, for whoever watches."""

import asyncio
import copy
import time
from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from livealign.service.daemon import RefusedError
from livealign.service.hub import Hub
from livealign.session.events import CommandName, Event
from livealign.snapshot import encode

if TYPE_CHECKING:
    from livealign.session.engine import Session

__all__ = ["Playback"]

_SLICE_S = 0.02
"""Work done before everything else in the program gets a turn."""
_SHOW_S = 0.1
"""What is passed over while seeking is shown this often."""
_LAG_S = 0.5
"""Farther behind, the pace is what the computer can do."""
_KEPT = 100
"""States kept over the whole length, about half a megabyte each, so that going back begins near."""
_LEAST_APART_NS = 500_000_000
_PATIENCE_S = 5.0


@dataclass(frozen=True, slots=True)
class _Kept:
    """The session as it was after so many events."""

    index: int
    count: int
    encoded: bytes | None
    session: "Session"


class Playback:
    """Stands in for the daemon: the same snapshots, byte for byte, from recorded events instead of a rig.

    Going back begins at a state that was kept on the way, or at the start; nothing is skipped, so that what is seen at a
    time is what was concluded at that time.
    """

    def __init__(
        self,
        make_session: "Callable[[], Session]",
        events: Sequence[Event],
        *,
        speed: float = 1.0,
        paused: bool = False,
        loop: bool = False,
    ) -> None:
        """Begin at the start.

        Args:
            make_session: gives a fresh session.
            events: of the recording, in order.
            speed: how many times faster than it was.
            paused: wait to be told to go on.
            loop: begin again at the end.
        """
        self.hub = Hub()
        self.paused = paused
        self._make_session = make_session
        self._events = events
        self._times = _rising(events)
        self._until_ns = self._times[-1] if self._times else 0
        self._apart_ns = max(_LEAST_APART_NS, self._until_ns // _KEPT)
        self._speed = speed
        self._loop = loop
        self._kept: list[_Kept] = []
        self._session = make_session()
        self._index = 0
        self._count = 0
        self._encoded: bytes | None = None
        self._now_ns = 0
        self._anchor = (time.monotonic(), 0)
        self._goal: Callable[[], bool] | None = None
        self._goal_ns: int | None = None
        self._reached: asyncio.Future[None] | None = None
        self._news = asyncio.Event()
        self._stopped = False

    @property
    def count(self) -> int:
        """How many snapshots there have been up to now."""
        return self._count

    @property
    def encoded(self) -> bytes | None:
        """The snapshot of now."""
        return self._encoded

    def state(self) -> dict[str, Any]:
        """Return where it is and how fast it goes."""
        return {
            "time_s": self._now_ns / 1e9,
            "until_s": self._until_ns / 1e9,
            "snapshots": self._count,
            "paused": self.paused,
            "at_end": self._index >= len(self._events),
            "seeking": self._goal is not None,
            "speed": self._speed,
        }

    async def run(self) -> None:
        """Play until `stop` is called."""
        try:
            self._hold_on()
            while not self._stopped:
                self._news.clear()
                if self._goal is not None:
                    await self._seek()
                    continue
                pause_s = self._pause_s()
                if pause_s is None or pause_s > 0:
                    await self._wait(pause_s)
                else:
                    await self._catch_up()
        finally:
            self.hub.close()

    def stop(self) -> None:
        """Ask `run` to end."""
        self._stopped = True
        self._news.set()

    async def command(self, name: CommandName, **_said: Any) -> float:
        """Pause or go on with `hold`; the past takes no other commands.

        Raises:
            RefusedError: for any other.
        """
        if name != "hold":
            raise RefusedError("This is a recording being replayed: what was done then is done.")
        self.pause(paused=not self.paused)
        return self._now_ns / 1e9

    def health(self) -> dict[str, Any]:
        """Return what the daemon would, and the replay's own state."""
        return {
            "time_s": self._now_ns / 1e9,
            "snapshots": self.hub.published,
            "recording": {"state": "replayed", "path": None, "messages": len(self._events)},
            "inbox": {},
            "clients": self.hub.counters(),
            "replay": self.state(),
        }

    def pause(self, *, paused: bool) -> None:
        """Stand still, or go on."""
        self.paused = paused
        self._hold_on()

    def set_speed(self, times: float) -> None:
        """Go so many times faster than it was."""
        self._speed = times
        self._hold_on()

    async def seek(self, to_s: float) -> None:
        """Go to a time and show what was known then; returns when it is there, or after some seconds on the way."""
        to_ns = round(1e9 * to_s)
        self._return_to(lambda kept: self._times[kept.index - 1] <= to_ns, back=to_ns < self._now_ns)
        until = bisect_right(self._times, to_ns)
        await self._go(lambda: self._index >= until, to_ns)

    async def seek_by(self, by_s: float) -> None:
        """The same, from where it is."""
        await self.seek(self._now_ns / 1e9 + by_s)

    async def step(self, snapshots: int) -> None:
        """Pause, and go so many snapshots on, or back."""
        self.paused = True
        wanted = max(1, self._count + snapshots)
        self._return_to(lambda kept: kept.count <= wanted, back=snapshots < 0)
        await self._go(lambda: self._count >= wanted, None)

    def feed_until(self, to_s: float) -> bytes | None:
        """Go forward at once, without a server, and return the snapshot of that time."""
        until = bisect_right(self._times, round(1e9 * to_s))
        while self._index < until:
            self._feed()
        return self._encoded

    # ---- the pace

    def _hold_on(self) -> None:
        """Let the pace begin here and now."""
        self._anchor = (time.monotonic(), self._now_ns)
        self._news.set()

    def _pause_s(self) -> float | None:
        """Return the time until the next event; None if it is not to come by itself."""
        if self.paused or not self._events:
            return None
        if self._index >= len(self._events):
            if self._loop:
                self._begin()
                return 0.0
            return None
        begun_s, from_ns = self._anchor
        due_s = begun_s + (self._times[self._index] - from_ns) / 1e9 / self._speed
        return due_s - time.monotonic()

    async def _wait(self, pause_s: float | None) -> None:
        try:
            async with asyncio.timeout(pause_s):
                await self._news.wait()
        except TimeoutError:
            return

    async def _catch_up(self) -> None:
        """Feed what is due, for a moment."""
        end_s = time.monotonic() + _SLICE_S
        while (pause_s := self._pause_s()) is not None and pause_s <= 0 and time.monotonic() < end_s:
            if self._feed() and self._encoded is not None:
                self.hub.publish(self._encoded)
            if pause_s < -_LAG_S:
                self._hold_on()
        await asyncio.sleep(0)

    # ---- to and fro

    def _begin(self) -> None:
        self._session = self._make_session()
        self._index = self._count = self._now_ns = 0
        self._encoded = None
        self._hold_on()

    def _return_to(self, early: Callable[[_Kept], bool], *, back: bool) -> None:
        """Go back to the last state kept that is early enough; forward, nothing needs to be done."""
        if not back:
            return
        self._begin()
        for kept in reversed(self._kept):
            if early(kept):
                self._session = copy.deepcopy(kept.session)
                self._index, self._count, self._encoded = kept.index, kept.count, kept.encoded
                self._now_ns = self._times[kept.index - 1]
                return

    async def _go(self, there: Callable[[], bool], at_ns: int | None) -> None:
        if self._reached is not None and not self._reached.done():
            self._reached.set_result(None)  # who asked before is overtaken
        reached = self._reached = asyncio.get_running_loop().create_future()
        self._goal = there
        self._goal_ns = at_ns
        self._news.set()
        await asyncio.wait({reached}, timeout=_PATIENCE_S)

    async def _seek(self) -> None:
        """Feed towards the goal, for a moment at a time, until it is reached or another one is set."""
        goal, reached, shown_s = self._goal, self._reached, time.monotonic()
        if goal is None or reached is None:
            return
        while not self._stopped and self._goal is goal:
            end_s = time.monotonic() + _SLICE_S
            while time.monotonic() < end_s and not self._arrived(goal):
                self._feed()
            if self._arrived(goal):
                if self._goal_ns is not None:
                    self._now_ns = max(self._now_ns, min(self._goal_ns, self._until_ns))
                self._goal = None
                if not reached.done():
                    reached.set_result(None)
            if self._encoded is not None and (self._goal is None or time.monotonic() - shown_s > _SHOW_S):
                self.hub.publish(self._encoded)
                shown_s = time.monotonic()
            await asyncio.sleep(0)
        self._hold_on()

    def _arrived(self, goal: Callable[[], bool]) -> bool:
        return goal() or self._index >= len(self._events)

    def _feed(self) -> bool:
        """Feed the next event; return whether there is a new snapshot."""
        snapshot = self._session.feed(self._events[self._index])
        self._now_ns = self._times[self._index]
        self._index += 1
        if snapshot is not None:
            self._encoded = encode(snapshot)
            self._count += 1
        last = self._kept[-1].index if self._kept else 0
        if self._index > last and self._now_ns - (self._times[last - 1] if last else 0) >= self._apart_ns:
            self._kept.append(_Kept(self._index, self._count, self._encoded, copy.deepcopy(self._session)))
        return snapshot is not None


def _rising(events: Sequence[Event]) -> list[int]:
    """Return the events' times; one that came late belongs to the moment before it."""
    times, last = [], 0
    for event in events:
        last = max(last, event.time_ns)
        times.append(last)
    return times

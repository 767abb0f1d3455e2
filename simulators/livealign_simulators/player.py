"""Plays a course of frames and link losses on ports, each at its time."""

import asyncio
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from typing import Any, TypeAlias

from livealign.errors import PersonError
from livealign.stream.contracts import Frame, LinkEvent
from livealign_simulators.ports import Port

__all__ = ["Course", "Player"]

Asked: TypeAlias = Mapping[str, Any]
"""A command: its `name`, and its arguments."""
Course: TypeAlias = Iterable[tuple[int, Frame | LinkEvent | Asked]]
"""What to do, each with its time in nanoseconds from the start."""

_AT_ONCE = 64
_KEPT = 20_000


class Player:
    """Writes what links sent to their ports; a link that was lost is unplugged, and plugged in again.

    Everything is due at a time from one start, so that no delay adds up.
    """

    def __init__(
        self,
        ports: Mapping[str, Port],
        *,
        speed: float,
        ask: Callable[[Asked], None],
        say: Callable[[str, dict[str, Any]], None],
    ) -> None:
        """Take the ports, plugged in.

        Args:
            ports: by link; what other links sent is left out.
            speed: how many times faster than it was.
            ask: is given the commands; must not wait.
            say: is told what happened, in words and as values.
        """
        self._ports = ports
        self._speed = speed
        self._ask = ask
        self._say = say
        self._out: set[str] = set()
        self.frames = 0
        self.time_s = 0.0
        """How far the course has been played, in its own time."""
        self._late_s: deque[float] = deque(maxlen=_KEPT)

    @property
    def dropped(self) -> int:
        """Frames that nobody took."""
        return sum(port.dropped for port in self._ports.values())

    def late_s(self, share: float) -> float | None:
        """Return how late that share of the last frames was written at most; None before the first."""
        ordered = sorted(self._late_s)
        return ordered[min(len(ordered) - 1, int(share * len(ordered)))] if ordered else None

    async def play(self, course: Course) -> None:
        """Play from the start to the end.

        Raises:
            PersonError: if a port cannot be plugged in.
        """
        loop = asyncio.get_running_loop()
        start_s = loop.time()
        for number, (due_ns, item) in enumerate(course):
            due_s = start_s + due_ns / 1e9 / self._speed
            wait_s = due_s - loop.time()
            if wait_s > 0 or number % _AT_ONCE == 0:
                await asyncio.sleep(max(0.0, wait_s))
            self.time_s = due_ns / 1e9
            if isinstance(item, Frame):
                self._write(item, loop.time() - due_s)
            elif isinstance(item, LinkEvent):
                await self._plug(item)
            else:
                self._ask(item)

    async def plug_all(self) -> None:
        """Plug every link in."""
        for port in self._ports.values():
            await port.plug()
        self._out.clear()

    async def unplug_all(self) -> None:
        """Pull every plug."""
        for port in self._ports.values():
            await port.unplug()

    def _write(self, frame: Frame, late_s: float) -> None:
        port = self._ports.get(frame.link)
        if port is not None:
            port.write(frame.payload)
            self.frames += 1
            self._late_s.append(late_s)

    async def _plug(self, event: LinkEvent) -> None:
        port = self._ports.get(event.link)
        if port is None:
            return
        values = {"at_s": round(self.time_s, 3), "link": event.link}
        if event.state in {"lost", "refused"} and event.link not in self._out:
            self._out.add(event.link)
            await port.unplug()
            self._say(f"link {event.link} is lost, as it was", {"did": "unplug", **values})
        elif event.state == "open" and event.link in self._out:
            self._out.discard(event.link)
            try:
                await port.plug()
            except PersonError as e:
                # A broker that is away comes back; the replay goes on without the link until then.
                self._say(f"link {event.link} cannot be plugged in: {e.what}", {"error": e.what, **values})
                self._out.add(event.link)
                return
            self._say(f"link {event.link} is back, as it was", {"did": "replug", **values})

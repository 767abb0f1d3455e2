"""The one bounded queue between all links and the session."""

import asyncio
from collections import deque
from dataclasses import dataclass, field
from itertools import count
from typing import Any

from livealign.session.events import Command
from livealign.stream.contracts import Clock, Frame, LinkEvent, LinkState

__all__ = ["Asked", "Entry", "Inbox", "InboxFullError"]

LIMIT = 2048
"""Frames and link events that may wait for each link."""
COMMAND_LIMIT = 64


class InboxFullError(Exception):
    """More commands wait than can be meant."""


@dataclass(frozen=True, slots=True)
class Asked:
    """A command, and where to say what became of it: None for obeyed, or the objection in words."""

    command: Command
    answer: "asyncio.Future[str | None]"


Entry = Frame | LinkEvent | Asked


@dataclass(slots=True)
class _Line:
    """What waits for one link, oldest first, each with its place in the order over all links."""

    waiting: deque[tuple[int, Frame | LinkEvent]] = field(default_factory=deque)
    state: LinkState = "connecting"
    """As of the last event taken out."""
    dropped: int = 0
    untold: int = 0
    """Of those dropped, the ones not yet told by a link event."""


class Inbox:
    """Keeps the order over all links; a link that floods loses its own oldest frames and no other's."""

    def __init__(self, links: list[str], clock: Clock, *, limit: int = LIMIT) -> None:
        self._lines = {link: _Line() for link in links}
        self._asked: deque[tuple[int, Asked]] = deque()
        self._clock = clock
        self._limit = limit
        self._numbers = count()
        self._something = asyncio.Event()
        self._room = asyncio.Event()
        self._frames_wake = True
        self.closed = False

    def put(self, item: Frame | LinkEvent) -> None:
        """Add what a link brought, dropping that link's oldest frame if too much waits."""
        line = self._lines[item.link]
        if len(line.waiting) >= self._limit:
            _drop_oldest(line)
        line.waiting.append((next(self._numbers), item))
        if self._frames_wake or isinstance(item, LinkEvent) or len(line.waiting) >= self._limit // 2:
            self._something.set()

    async def put_patiently(self, item: Frame | LinkEvent) -> None:
        """Add what a link brought, waiting for room: for a file, which does not run away."""
        line = self._lines[item.link]
        while len(line.waiting) >= self._limit and not self.closed:
            self._room.clear()
            await self._room.wait()
        self.put(item)

    def ask(self, asked: Asked) -> None:
        """Add a command.

        Raises:
            InboxFullError: if too many wait already, or nothing is taken any more.
        """
        if self.closed or len(self._asked) >= COMMAND_LIMIT:
            raise InboxFullError
        self._asked.append((next(self._numbers), asked))
        self._something.set()

    async def wait(self, seconds: float, *, frames: bool = True) -> None:
        """Return when something waits, the inbox is closed, or the time is over.

        Args:
            seconds: the longest wait.
            frames: whether frames count; else they may wait together, as long as there is room.
        """
        if self.closed or not self.empty:
            return
        self._frames_wake = frames
        self._something.clear()
        try:
            async with asyncio.timeout(max(0.0, seconds)):
                await self._something.wait()
        except TimeoutError:
            return

    def take(self) -> Entry | None:
        """Return the oldest entry, or None if nothing waits; drops are told before what follows them."""
        queues: list[deque[Any]] = [line.waiting for line in self._lines.values() if line.waiting]
        if self._asked:
            queues.append(self._asked)
        if not queues:
            return None
        oldest = min(queues, key=_number)
        entry: Entry = oldest[0][1]
        if not isinstance(entry, Asked):
            line = self._lines[entry.link]
            if line.untold:
                untold, line.untold = line.untold, 0
                return LinkEvent(entry.link, line.state, self._clock(), dropped=untold)
            if isinstance(entry, LinkEvent):
                line.state = entry.state
        oldest.popleft()
        self._room.set()
        return entry

    @property
    def empty(self) -> bool:
        """Whether nothing waits."""
        return not self._asked and not any(line.waiting for line in self._lines.values())

    def close(self) -> None:
        """Take no more commands and wake whoever waits; what waits can still be taken."""
        self.closed = True
        self._something.set()
        self._room.set()

    def counters(self) -> dict[str, dict[str, int]]:
        """Return, by link, how many entries wait and how many frames were dropped."""
        return {
            name: {"waiting": len(line.waiting), "dropped": line.dropped}
            for name, line in self._lines.items()
        }


def _number(queue: "deque[Any]") -> int:
    number: int = queue[0][0]
    return number


def _drop_oldest(line: _Line) -> None:
    # Link events are worth more than frames, and few: frames go first.
    for i, (_, item) in enumerate(line.waiting):
        if isinstance(item, Frame):
            del line.waiting[i]
            line.dropped += 1
            line.untold += 1
            return
    line.waiting.popleft()

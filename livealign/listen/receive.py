"""Opens sources through the installed drivers and keeps what comes, bounded."""

import asyncio
from collections import deque
from collections.abc import Callable, Sequence
from time import monotonic_ns
from typing import Any, Self

from pydantic import ValidationError

from livealign.errors import PersonError
from livealign.listen.formats import guess_formats
from livealign.listen.guess import FormatGuess
from livealign.listen.heard import Heard
from livealign.listen.sources import USAGE, Source
from livealign.stream.contracts import Driver, Frame
from livealign.stream.registry import driver_class

__all__ = ["BAUDS", "Listener", "settled_source"]

BAUDS = (115200, 9600, 57600, 38400, 19200, 230400, 460800, 921600, 4800)
MOST_BYTES = 2_000_000
"""Kept of a source; older bytes are let go."""
SILENT_S = 3.0
"""A port that brings nothing for so long is silent at any rate."""
TRY_S = 1.2
ENOUGH_BYTES = 3000
SURE = 0.8
TICK_S = 0.05


class Listener:
    """One source while it is listened to; use as `async with`."""

    def __init__(self, source: Source) -> None:
        """Prepare to open it.

        Raises:
            PersonError: if the driver is not installed, or does not take these settings.
        """
        self.source = source
        self.trouble = ""
        """What the driver says is wrong, with advice."""
        self.refused = False
        self.ended = False
        self.total = 0
        self._frames: deque[Frame] = deque()
        self._kept = 0
        self._whole = True
        self._driver = _driver(source)
        self._task: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Self:
        """Open it."""
        self._task = asyncio.create_task(self._listen(), name=f"listen to {self.source.text}")
        return self

    async def __aexit__(self, *_: object) -> None:
        """Close it."""
        await self._driver.close()
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)

    @property
    def heard(self) -> Heard:
        """All that is kept."""
        is_file = self.source.driver == "file"
        return Heard(
            tuple(f.payload for f in self._frames),
            () if is_file else tuple(f.time_ns * 1e-9 for f in self._frames),
            messages=self.source.messages,
            from_start=is_file and self._whole,
        )

    @property
    def newest(self) -> bytes:
        """What came last."""
        return self._frames[-1].payload if self._frames else b""

    @property
    def done(self) -> bool:
        """Nothing more is to be expected."""
        return self.refused or self.ended or (self._task is not None and self._task.done())

    def raise_if_broken(self) -> None:
        """Let an error of the driver itself out."""
        if self._task is not None and self._task.done() and not self._task.cancelled():
            self._task.result()

    async def _listen(self) -> None:
        async for item in self._driver:
            if isinstance(item, Frame):
                self._keep(item)
                continue
            self.ended = item.state == "ended"
            self.refused = item.state == "refused"
            if item.detail:
                self.trouble = item.detail
            if item.state == "open":
                self.trouble = ""
            if self.done:
                return

    def _keep(self, frame: Frame) -> None:
        self._frames.append(frame)
        self.total += len(frame.payload)
        self._kept += len(frame.payload)
        while self._kept > MOST_BYTES and len(self._frames) > 1:
            self._kept -= len(self._frames.popleft().payload)
            self._whole = False


def _driver(source: Source) -> Driver:
    made = driver_class(source.driver)
    settings: dict[str, Any] = dict(source.settings)
    if source.messages and "add_line_end" in made.options_model.model_fields:
        settings["add_line_end"] = False  # what comes is to be seen as it is
    try:
        options = made.options_model.model_validate(settings)
    except ValidationError as e:
        wrong = "; ".join(f"{'.'.join(map(str, x['loc']))}: {x['msg']}" for x in e.errors())
        raise PersonError(wrong, where=source.text, exit_code=USAGE) from None
    return made(source.text, options, monotonic_ns)


async def settled_source(source: Source, say: Callable[[str], None], seconds: float) -> Source:
    """Return the source with its baud rate: the first of the usual ones at which something can be read.

    Each is listened at for a second or so; other sources come back as they are.

    Raises:
        PersonError: if the port cannot be opened.
    """
    if source.driver != "serial" or "baud" in source.settings:
        return source
    tried: list[tuple[float, int]] = []
    for baud in BAUDS:
        async with Listener(source.set(baud=baud)) as listener:
            guess = await _readable(listener, seconds)
            heard = listener.heard
        if listener.trouble and not heard.pieces:
            raise PersonError(listener.trouble, where=source.text)
        if not heard.pieces:
            return source.set(
                baud=BAUDS[0]
            )  # nothing comes: a wrong rate would bring something, if unreadable
        if guess is not None and guess.confidence >= SURE:
            return source.set(baud=baud)
        say(f"{source.text}: at {baud} baud {_legible(heard, guess)}")
        tried.append(((guess.confidence if guess else 0.0) + 0.1 * heard.printable, baud))
    return source.set(baud=max(tried)[1])


async def _readable(listener: Listener, seconds: float) -> FormatGuess | None:
    """Listen until something can be read, or for a while."""
    loop = asyncio.get_running_loop()
    start = loop.time()
    looked = 0
    while True:
        await asyncio.sleep(TICK_S)
        listener.raise_if_broken()
        waited = loop.time() - start
        late = waited > (TRY_S if listener.total else min(SILENT_S, seconds))
        if listener.total >= 2 * looked + 200 or late or listener.done:
            looked = listener.total
            found: Sequence[FormatGuess] = await asyncio.to_thread(guess_formats, listener.heard)
            if found and found[0].confidence >= SURE:
                return found[0]
            if late or listener.done or looked > ENOUGH_BYTES:
                return found[0] if found else None


def _legible(heard: Heard, guess: FormatGuess | None) -> str:
    if guess is not None:
        return f"{guess.shape.kind} could be read with confidence {guess.confidence:.2f}"
    return f"nothing can be read, {heard.printable:.0%} of the bytes are text"

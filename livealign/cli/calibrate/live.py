"""Reads one channel of a rig while a person sets it, stop by stop."""

import asyncio
import os
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from livealign.cli.calibrate.writing import say
from livealign.errors import PersonError
from livealign.model.rest import crept
from livealign.model.rig import FloatArray
from livealign.service.live_rig import LiveRig
from livealign.session.gathering import ChannelRecord, Gathered

__all__ = ["Bench", "Stop", "ended_line", "patiently_opened"]

_LEAST = 5
_ATTEMPTS = 20


@dataclass(frozen=True)
class Stop:
    """What came while everything stood still."""

    values: FloatArray
    """(n,) as the bench's `reads` makes them of the raw numbers."""
    gathered: Gathered

    @property
    def mean(self) -> float:
        """Of the values."""
        return float(self.values.mean())


@dataclass(frozen=True)
class Bench:
    """A channel that is read again and again."""

    live: LiveRig
    channel: str
    reads: Callable[[ChannelRecord], FloatArray]
    """The values to be averaged, of the readings that count."""
    allowed: float
    """By how much they may move while they are read, such as their declared noise."""
    unit: str
    seconds: float
    every: float | None
    """Seconds to get ready for each stop; None: until Enter is pressed."""

    async def stop(self, ask: str) -> Stop:
        """Ask the person to set something, wait, and read; again, as long as it moves meanwhile.

        Raises:
            PersonError: if nothing can be read, or nothing ever stands still.
        """
        await self._ready(ask)
        for _ in range(_ATTEMPTS):
            gathered = await self.live.gather(self.seconds)
            record = gathered.channels[self.channel]
            values = self.reads(record)
            if values.size < _LEAST:
                await self._again(self._little(record, gathered))
                continue
            moved = crept(values, self.allowed)
            if moved is None:
                stop = Stop(values, gathered)
                say(f"  read {stop.mean:.6g} {self.unit} ({values.size} readings, sd {values.std():.2g})")
                return stop
            await self._again(f"it moved by {moved:.2g} {self.unit} while it was read: hold it still")
        raise PersonError(
            f"it could not be read in {_ATTEMPTS} attempts",
            where=self.channel,
            advice="Fix it so that nothing moves, and begin again.",
        )

    async def _ready(self, ask: str) -> None:
        if self.every is None:
            say(f"{ask} Then press Enter.")
            await ended_line()
        else:
            say(f"{ask} It is read in {self.every:g} s.")
            await asyncio.sleep(self.every)

    async def _again(self, why: str) -> None:
        if self.every is None:
            say(f"  Not taken: {why}. Press Enter to read again.")
            await ended_line()
        else:
            say(f"  Not taken: {why}. It is read again.")

    def _little(self, record: ChannelRecord, gathered: Gathered) -> str:
        status = gathered.links[record.link].status
        if status.state == "ended":
            raise PersonError(
                f"link {record.link} is a file that has been read to its end",
                advice="Calibrate a live link, or use --readings FILE.",
            )
        if record.raw.size == 0:
            detail = f": {status.detail}" if status.detail else ""
            return f"nothing came (link {record.link} is {status.state}{detail})"
        reasons = [
            f"{count} {word}"
            for count, word in (
                (int(record.clipped.sum()), "clipped, at the end of the range"),
                (int(record.dim.sum()), "with too little light"),
            )
            if count
        ]
        return f"only {self.reads(record).size} readings of {record.raw.size} may be used" + (
            f" ({', '.join(reasons)})" if reasons else ""
        )


async def patiently_opened(live: LiveRig, seconds: float = 10.0) -> None:
    """Wait for the links.

    Raises:
        PersonError: if they do not open.
    """
    came = await live.opened(seconds)
    # A file is opened when it is read.
    wrong = {"refused", "lost"} if came else {"refused", "lost", "connecting"}
    bad = [s for s in live.states()[1] if s.state in wrong]
    if bad:
        told = "; ".join(f"link {s.name} is {s.state}{f': {s.detail}' if s.detail else ''}" for s in bad)
        raise PersonError(told, advice="Check cables and the rig file.")


async def ended_line() -> None:
    """Wait until Enter is pressed, the links being read on meanwhile.

    Raises:
        PersonError: if there is nobody to press it.
    """
    loop = asyncio.get_running_loop()
    pressed: asyncio.Future[bool] = loop.create_future()

    def tell(*, ended: bool) -> None:
        if not pressed.done():
            pressed.set_result(ended)

    def read() -> None:
        # The plain descriptor: a thread that waits in sys.stdin would hold its lock when Ctrl-C ends the program.
        try:
            data = os.read(sys.stdin.fileno(), 4096)
        except (OSError, ValueError):
            data = b""
        if not loop.is_closed():
            loop.call_soon_threadsafe(lambda: tell(ended=not data))

    threading.Thread(target=read, name="waits for Enter", daemon=True).start()
    if await pressed:
        raise PersonError(
            "the input ended", advice="Run it in a terminal, or use --every SECONDS or --readings FILE."
        )


def usable(record: ChannelRecord) -> "np.ndarray[tuple[int], np.dtype[np.bool_]]":
    """Return which raw numbers may be averaged: jumps count, since steps are set by hand."""
    mask: np.ndarray[tuple[int], np.dtype[np.bool_]] = np.isfinite(record.raw) & ~record.clipped & ~record.dim
    return mask

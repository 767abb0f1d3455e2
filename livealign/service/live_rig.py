"""A rig read without a job: all that its links bring, for checking and calibrating it."""

import asyncio
from collections.abc import Callable, Collection
from contextlib import aclosing
from dataclasses import dataclass
from types import TracebackType
from typing import Self

from livealign.config.rig import Rig
from livealign.errors import PersonError
from livealign.service.daemon import session_clock
from livealign.service.links import build_drivers, carried, close_links
from livealign.session.gathering import Gathered, Gathering
from livealign.session.intake import Intake
from livealign.session.wiring import wire
from livealign.snapshot import ChannelState, LinkStatus
from livealign.stream.contracts import Frame, LinkEvent, LinkState

__all__ = ["LiveRig", "Progress"]

_PROGRESS_S = 0.2


@dataclass(frozen=True, slots=True)
class Progress:
    """How a gathering stands."""

    elapsed_s: float
    links: tuple[LinkStatus, ...]
    channels: tuple[ChannelState, ...]


class LiveRig:
    """Opens the links of a rig for as long as its context lasts.

    Between gatherings the links stay open and are read on, so that nothing old waits for the next one. Files are the
    exception: they are read from their start when the first gathering begins.

    Args:
        rig: what is read; no job is needed.
        links: names of the links to open; None for all.
        say: is told what does not close cleanly.

    Raises:
        PersonError: if a link is not in the rig, a driver or format is not installed, or an option is wrong.
    """

    def __init__(
        self, rig: Rig, *, links: Collection[str] | None = None, say: Callable[[str], None] = lambda _: None
    ) -> None:
        names = [link.name for link in rig.links]
        unknown = sorted(set(links or ()) - set(names))
        if unknown:
            raise PersonError(
                f"the rig has no link {', '.join(unknown)}",
                where=f"rig {rig.name}",
                advice=f"It has: {', '.join(names)}.",
            )
        self.links = frozenset(names if links is None else links)
        self.clock = session_clock()
        self.wiring = wire(rig)
        self._say = say
        self._drivers = build_drivers(rig, self.clock, self.links)
        self._files = {link.name for link in rig.links if link.driver.kind == "file"}
        self._clock_fields = {link.name: link.clock.field for link in rig.links if link.clock}
        self._intake = Intake(self.wiring)
        self._watch: Gathering | None = None
        self._since_s = 0.0
        self._pumps: dict[str, asyncio.Task[None]] = {}

    async def __aenter__(self) -> Self:
        """Start opening the links; they open by themselves, and again after a loss."""
        self._start(self.links - self._files)
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close them all; no task, thread or port is left."""
        await close_links(self._drivers, self._pumps.values(), self._say)

    @property
    def now_s(self) -> float:
        """Time on the session's clock."""
        return self.clock() / 1e9

    def states(self) -> tuple[tuple[ChannelState, ...], tuple[LinkStatus, ...]]:
        """Return how the channels and links stand now."""
        channels, links = self._intake.states(self.now_s, self._since_s)
        ours = {w.channel.name for w in self.wiring.all() if w.link in self.links}
        return (
            tuple(c for c in channels if c.name in ours),
            tuple(s for s in links if s.name in self.links),
        )

    async def opened(
        self, patience_s: float = 5.0, progress: Callable[[Progress], None] | None = None
    ) -> bool:
        """Wait until every link has been opened or has failed to; return whether all are open now.

        A link that failed is tried on. Files are not waited for.
        """

        def states() -> set[LinkState]:
            return {s.state for s in self.states()[1] if s.name not in self._files}

        await self._until(lambda: "connecting" not in states(), patience_s, progress)
        return states() <= {"open", "silent"}

    async def gather(
        self,
        seconds: float,
        *,
        progress: Callable[[Progress], None] | None = None,
        stop: Callable[[], bool] = lambda: False,
    ) -> Gathered:
        """Keep all that comes for some seconds; less if `stop` says so, or if nothing can come any more.

        Args:
            seconds: how long.
            progress: is called a few times a second.
            stop: asked a few times a second.

        Raises:
            Exception: whatever went wrong inside the program while reading.
        """
        _, before = self.states()
        self._since_s = self.now_s
        watch = Gathering(self.wiring, self._since_s, before, self._clock_fields)
        self._watch = self._intake.watcher = watch
        self._start(self._files & self.links)

        def over() -> bool:
            return stop() or all(s.state in {"ended", "refused"} for s in self.states()[1])

        try:
            await self._until(over, seconds, progress)
        finally:
            self._watch = self._intake.watcher = None
        channels, links = self.states()
        return watch.result(self.now_s, channels, links, only=self.links)

    async def _until(
        self, ready: Callable[[], bool], seconds: float, progress: Callable[[Progress], None] | None
    ) -> bool:
        start_s = self.now_s
        while True:
            for pump in self._pumps.values():
                if pump.done():
                    pump.result()  # raises what ended it
            elapsed_s = self.now_s - start_s
            if progress:
                channels, links = self.states()
                progress(Progress(elapsed_s, links, channels))
            if ready():
                return True
            if elapsed_s >= seconds:
                return False
            await asyncio.sleep(min(_PROGRESS_S, seconds - elapsed_s))

    def _start(self, links: Collection[str]) -> None:
        for name in links:
            if name not in self._pumps:
                self._pumps[name] = asyncio.create_task(self._pump(name), name=f"link {name}")

    async def _pump(self, link: str) -> None:
        async with aclosing(carried(link, self._drivers[link], self.clock)) as items:
            async for item in items:
                self._take(item)

    def _take(self, item: Frame | LinkEvent) -> None:
        if isinstance(item, LinkEvent):
            self._intake.link(item)
            if self._watch:
                self._watch.event(item)
            return
        # Each frame at once, unlike in a job: how its arrival scatters is asked for here.
        self._intake.frame(item)
        readings = self._intake.readings()
        if self._watch:
            self._watch.paired(readings)

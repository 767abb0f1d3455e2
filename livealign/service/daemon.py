"""Runs a session on a live rig: links in, one consumer, snapshots out."""

import asyncio
import time
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from livealign.record.writer import Recorder
from livealign.service.hub import Hub
from livealign.service.inbox import Asked, Entry, Inbox, InboxFullError
from livealign.service.links import carried, close_links
from livealign.service.notices import LinkNotices
from livealign.session.events import Command, CommandName, Event, Tick
from livealign.snapshot import encode
from livealign.stream.contracts import Clock, Driver, LinkEvent

if TYPE_CHECKING:
    from livealign.session.engine import Session

__all__ = ["Daemon", "RefusedError", "session_clock"]

TICK_NS = 200_000_000
"""The session is told the time this long after it heard anything."""
BATCH = 64
"""Entries handled before everything else in the program gets a turn."""


class RefusedError(Exception):
    """A command that cannot be obeyed now, with the reason in words."""


def session_clock() -> Clock:
    """Return a clock that counts nanoseconds from now."""
    start = time.monotonic_ns()
    return lambda: time.monotonic_ns() - start


class Daemon:
    """A session, its links and its clients.

    Args:
        session: fresh; only the daemon feeds it.
        drivers: the rig's links by name.
        clock: shared with the drivers.
        say: is given a line for the person, such as the loss of a link.
        recorder: keeps every event and snapshot; closed by the daemon.
        patient: links that wait for room instead of losing frames (files).
    """

    def __init__(
        self,
        session: "Session",
        drivers: Mapping[str, Driver],
        clock: Clock,
        *,
        say: Callable[[str], None],
        recorder: Recorder | None = None,
        patient: frozenset[str] = frozenset(),
    ) -> None:
        self.hub = Hub()
        self._session = session
        self._drivers = dict(drivers)
        self._clock = clock
        self._say = say
        self._recorder = recorder
        self._recording = "on" if recorder else "off"
        self._patient = patient
        self._inbox = Inbox(list(drivers), clock)
        self._notices = LinkNotices()
        self._stop = asyncio.Event()
        self._fed_ns = 0
        self._recorded = recorder

    async def run(self) -> None:
        """Run until `stop` is called; then close the links, use up what waits and finish the recording.

        Raises:
            Exception: whatever the session raised; everything is closed all the same.
        """
        try:
            self._feed(Tick(self._clock()))
            consumer = asyncio.create_task(self._consume(), name="consumer")
            pumps = [
                asyncio.create_task(self._pump(*link), name=f"link {link[0]}")
                for link in self._drivers.items()
            ]
            stopped = asyncio.create_task(self._stop.wait(), name="stop")
            try:
                await asyncio.wait({consumer, stopped}, return_when=asyncio.FIRST_COMPLETED)
            finally:
                stopped.cancel()
                if consumer.done():
                    self._inbox.close()
                await close_links(self._drivers, pumps, self._say)
                self._inbox.close()
                await asyncio.gather(stopped, return_exceptions=True)
                await consumer
        finally:
            self._refuse_what_waits()
            self.hub.close()
            self._finish_recording()

    def stop(self) -> None:
        """Ask `run` to end."""
        self._stop.set()

    async def command(self, name: CommandName, **said: Any) -> float:
        """Obey a command after all that came before it, and return when that was, in seconds of the session.

        Args:
            name: the command's.
            said: what belongs to it, as `Command` names it.

        Raises:
            RefusedError: if it cannot be obeyed now.
        """
        answer: asyncio.Future[str | None] = asyncio.get_running_loop().create_future()
        command = Command(name, self._clock(), **said)
        try:
            self._inbox.ask(Asked(command, answer))
        except InboxFullError:
            raise RefusedError("The service is stopping, or too many commands wait: try again.") from None
        objection = await answer
        if objection:
            raise RefusedError(objection)
        return command.time_ns / 1e9

    def health(self) -> dict[str, Any]:
        """Return the counters of everything that is bounded."""
        recorded = self._recorded
        return {
            "time_s": self._clock() / 1e9,
            "snapshots": self.hub.published,
            "recording": {
                "state": self._recording,
                "path": str(recorded.path) if recorded else None,
                "messages": recorded.messages if recorded else 0,
            },
            "inbox": self._inbox.counters(),
            "clients": self.hub.counters(),
        }

    async def _pump(self, link: str, driver: Driver) -> None:
        """Carry one link's frames to the inbox."""
        patient = link in self._patient
        async for item in carried(link, driver, self._clock):
            if patient:
                await self._inbox.put_patiently(item)
            else:
                self._inbox.put(item)

    async def _consume(self) -> None:
        while not (self._inbox.closed and self._inbox.empty):
            # With a snapshot due anyway, frames need wake nobody before it.
            await self._inbox.wait(self._pause_s(), frames=self._session.due_ns is None)
            for _ in range(BATCH):
                entry = self._inbox.take()
                if entry is None:
                    self._tick_if_due()
                    break
                self._handle(entry)
            self._recorder_does(lambda r: r.flush_if_due(self._clock()))
            await asyncio.sleep(0)

    def _pause_s(self) -> float:
        due_ns = self._fed_ns + TICK_NS
        if self._session.due_ns is not None:
            due_ns = min(due_ns, self._session.due_ns)
        pause_ns = due_ns - self._clock()
        # Not longer than the recorder may hold back what it has.
        return min(pause_ns / 1e9, 0.05) if self._recorder else pause_ns / 1e9

    def _tick_if_due(self) -> None:
        now_ns = self._clock()
        due_ns = self._session.due_ns
        if now_ns - self._fed_ns >= TICK_NS or (due_ns is not None and now_ns >= due_ns):
            self._feed(Tick(now_ns))

    def _handle(self, entry: Entry) -> None:
        if isinstance(entry, Asked):
            objection = self._session.objection(entry.command)
            if objection is None:
                self._feed(entry.command)
            if not entry.answer.done():  # done: the client has gone away meanwhile
                entry.answer.set_result(objection)
            return
        if isinstance(entry, LinkEvent) and (words := self._notices.event(entry)):
            self._say(words)
        self._feed(entry)

    def _feed(self, event: Event) -> None:
        self._fed_ns = max(self._fed_ns, event.time_ns)
        self._recorder_does(lambda r: r.event(event))
        snapshot = self._session.feed(event)
        if snapshot is None:
            return
        encoded = encode(snapshot)
        self._recorder_does(lambda r: r.snapshot(encoded, event.time_ns))
        self._recorder_does(lambda r: r.flush_if_due(self._clock()))
        self.hub.publish(encoded)
        for words in self._notices.snapshot(snapshot):
            self._say(words)

    def _recorder_does(self, action: Callable[[Recorder], None]) -> None:
        """Record something; a full disk ends the recording, not the work."""
        if self._recorder is None:
            return
        try:
            action(self._recorder)
        except OSError as e:
            self._recording = f"failed: {e.strerror or e}"
            self._say(
                f"the recording {self._recorder.path} has ended early: {e.strerror or e}. All else goes on."
            )
            self._recorder.abandon()
            self._recorder = None

    def _finish_recording(self) -> None:
        self._recorder_does(Recorder.close)
        if self._recorder is not None:
            self._recording = "finished"
            self._recorder = None

    def _refuse_what_waits(self) -> None:
        while (entry := self._inbox.take()) is not None:
            if isinstance(entry, Asked) and not entry.answer.done():
                entry.answer.set_result("The service is stopping.")

"""What every driver has to do, tried with a real part at its other end."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from typing import ClassVar, Protocol

import pytest
import pytest_asyncio

from livealign.contract.interruption import Countdown, countable, start_counted
from livealign.contract.leftovers import Leftovers
from livealign.contract.listener import LINK, PATIENCE_S, Listener, session_clock, until
from livealign.contract.memory import measured
from livealign.stream.contracts import Clock, Driver, Frame, LinkEvent, LinkState

__all__ = ["DriverContract", "LiveDriverContract", "Part", "ReconnectingDriverContract"]

Listen = Callable[[Driver], Listener]
MOST_WAITS = 1000


class Part(Protocol):
    """The real other end of a driver: a server, a port, a device."""

    async def appear(self) -> None:
        """Come into being; also again, at the same address, after vanishing."""
        ...

    async def vanish(self) -> None:
        """Go, as if switched off; nothing happens if it is gone already."""
        ...

    async def send(self, data: bytes) -> None:
        """Send these bytes to who listens, waiting while it cannot take them."""
        ...

    def driver(self, clock: Clock) -> Driver:
        """Return a new driver of a link named `LINK` to this part, with pauses of 0.05 s at most between its attempts."""
        ...


class DriverContract:
    """What holds for every driver, also one that comes to an end.

    The author gives a fixture `part` with a `Part` that is not there yet; what is sent before it is opened
    must be read then. For links over which data come by themselves take `LiveDriverContract`.
    """

    pytestmark = pytest.mark.asyncio

    @pytest.fixture
    def part(self) -> Part:
        """Return the other end, which has not appeared yet: to be given by the author."""
        raise NotImplementedError("give a fixture `part`")

    @pytest_asyncio.fixture
    async def present(self, part: Part) -> AsyncIterator[Part]:
        """Return the other end, there during the test."""
        await part.appear()
        yield part
        await part.vanish()

    @pytest.fixture
    def clock(self) -> Clock:
        """Return a session's clock."""
        return session_clock()

    @pytest_asyncio.fixture
    async def leftovers(self, present: Part) -> Leftovers:
        """Return what will tell what was left behind."""
        return Leftovers()

    @pytest_asyncio.fixture
    async def listen(self, present: Part) -> AsyncIterator[Listen]:
        """Listen to a driver; whatever the test did, the driver is closed after it."""
        listeners: list[Listener] = []

        def start(driver: Driver) -> Listener:
            listeners.append(Listener(driver))
            return listeners[-1]

        yield start
        for listener in listeners:
            await listener.end()

    async def test_it_is_a_driver_and_opens_nothing_yet(
        self, present: Part, clock: Clock, leftovers: Leftovers
    ) -> None:
        driver = present.driver(clock)
        assert isinstance(driver, Driver)
        assert driver.options_model.model_config.get("extra") == "forbid"
        await leftovers.none()

    async def test_it_opens_and_gives_all_bytes_in_order(
        self, present: Part, clock: Clock, listen: Listen
    ) -> None:
        sent = b"".join(b"%d,12.5\n" % i for i in range(100))
        await present.send(sent)
        listener = listen(present.driver(clock))
        await self.heard(listener, sent)
        self.check_order(listener)

    async def said(self, listener: Listener, state: LinkState, *, times: int = 1) -> None:
        """Wait until the driver has said a state so many times."""
        await until(lambda: listener.states.count(state) == times)

    async def heard(self, listener: Listener, data: bytes) -> None:
        """Wait until just these bytes have come."""
        await until(lambda: listener.received == data)

    def check_order(self, listener: Listener) -> None:
        """Check what must hold of any sequence of items."""
        times = [i.time_ns for i in listener.items]
        assert times == sorted(times)
        assert {i.link for i in listener.items} == {LINK}
        first = next(n for n, item in enumerate(listener.items) if isinstance(item, Frame))
        assert listener.states[:first][-1:] == ["open"], "no byte comes before the link is said to be open"

    async def test_closing_ends_the_iteration_and_leaves_nothing(
        self, present: Part, clock: Clock, listen: Listen, leftovers: Leftovers
    ) -> None:
        driver = present.driver(clock)
        listener = listen(driver)
        await self.said(listener, "open")
        async with asyncio.timeout(PATIENCE_S):
            await driver.close()
            await listener.task
        await leftovers.none()

    async def test_closing_again_or_at_once_or_never_opened_is_fine(
        self, present: Part, clock: Clock, listen: Listen, leftovers: Leftovers
    ) -> None:
        never = present.driver(clock)
        await never.close()
        assert [item async for item in never] == []

        driver = present.driver(clock)
        listener = listen(driver)
        await asyncio.sleep(0)
        await asyncio.gather(driver.close(), driver.close())
        await driver.close()
        await listener.task
        await leftovers.none()

    async def test_closing_from_inside_the_loop_ends_it(
        self, present: Part, clock: Clock, leftovers: Leftovers
    ) -> None:
        driver = present.driver(clock)
        seen = 0
        async for _ in driver:
            seen += 1
            await driver.close()
        assert seen == 1
        await leftovers.none()

    async def test_a_cancelled_listener_leaves_nothing_and_another_may_follow(
        self, present: Part, clock: Clock, listen: Listen, leftovers: Leftovers
    ) -> None:
        driver = present.driver(clock)
        for _ in range(3):
            listener = listen(driver)
            await self.said(listener, "open")
            listener.task.cancel()
            with pytest.raises(asyncio.CancelledError):
                await listener.task
            await leftovers.none()

    async def test_an_abandoned_iteration_is_cleared_up_by_close(
        self, present: Part, clock: Clock, leftovers: Leftovers
    ) -> None:
        driver = present.driver(clock)
        items = aiter(driver)
        await anext(items)
        await driver.close()
        assert [item async for item in items] == []
        await leftovers.none()

    async def test_cancelled_at_any_wait_it_leaves_nothing(
        self, present: Part, clock: Clock, leftovers: Leftovers
    ) -> None:
        driver = present.driver(clock)

        async def cancelled(at: int) -> bool:
            return await self._listening(driver, present, at, lambda listening: listening.cancel())

        await self._at_each_wait(cancelled, leftovers)

    async def test_closed_at_any_wait_it_leaves_nothing(
        self, present: Part, clock: Clock, leftovers: Leftovers
    ) -> None:
        async def closed(at: int) -> bool:
            driver, closing = present.driver(clock), set[asyncio.Task[None]]()
            came_to_it = await self._listening(
                driver, present, at, lambda _: closing.add(asyncio.create_task(driver.close()))
            )
            await asyncio.gather(*closing)
            return came_to_it

        await self._at_each_wait(closed, leftovers)

    async def _at_each_wait(
        self, interrupted: Callable[[int], Awaitable[bool]], leftovers: Leftovers
    ) -> None:
        with countable():
            for at in range(1, MOST_WAITS):
                came_to_it = await interrupted(at)
                await leftovers.none()
                if not came_to_it:
                    return
        pytest.fail(f"it waits more than {MOST_WAITS} times between opening and the first frame")

    async def _listening(
        self, driver: Driver, part: Part, at: int, interrupt: Callable[["asyncio.Task[None]"], object]
    ) -> bool:
        """Listen until a frame comes, interrupted at a certain wait; say whether it came to that."""
        opened = asyncio.Event()
        await self.send_early(part)
        countdown = Countdown(at, lambda: interrupt(listening))
        listening = start_counted(_listen_once(driver, opened), countdown)
        sending = asyncio.create_task(self._send_once(part, opened))
        async with asyncio.timeout(PATIENCE_S):
            await asyncio.wait({listening})
            sending.cancel()
            await asyncio.wait({sending})
        if not listening.cancelled():
            listening.result()
        return countdown.is_over

    async def send_early(self, part: Part) -> None:
        """Send something before a listener starts, where it is there then."""
        await part.send(b"early\n")

    async def send_late(self, part: Part) -> None:
        """Send something to a listener that has begun, where nothing came before."""

    async def _send_once(self, part: Part, opened: asyncio.Event) -> None:
        await opened.wait()
        await self.send_late(part)


class LiveDriverContract(DriverContract):
    """What holds for drivers of links over which data come by themselves, once the link is open."""

    flood_bytes: ClassVar[int] = 40_000_000
    """How much is sent while nobody reads."""
    piece_bytes: ClassVar[int] = 8192
    """How much of it at once; a link of messages carries as much in one."""
    most_memory_bytes: ClassVar[int] = 20_000_000
    """How much of it may be kept; half of `flood_bytes` at most, or the test tells little."""

    async def test_it_opens_and_gives_all_bytes_in_order(
        self, present: Part, clock: Clock, listen: Listen
    ) -> None:
        sent = b"".join(b"%d,12.5\n" % i for i in range(100))
        listener = listen(present.driver(clock))
        await self.said(listener, "open")
        for at in range(0, len(sent), 50):
            await present.send(sent[at : at + 50])
            await asyncio.sleep(0)
        await self.heard(listener, sent)
        self.check_order(listener)

    async def test_one_listener_at_a_time(self, present: Part, clock: Clock, listen: Listen) -> None:
        driver = present.driver(clock)
        listener = listen(driver)
        await self.said(listener, "open")
        with pytest.raises(RuntimeError):
            await anext(aiter(driver))
        await present.send(b"still here\n")
        await self.heard(listener, b"still here\n")

    async def test_a_flood_drops_the_oldest_and_says_so_and_memory_stays_flat(
        self, present: Part, clock: Clock, leftovers: Leftovers
    ) -> None:
        driver = present.driver(clock)
        items = aiter(driver)
        while True:
            item = await anext(items)
            if isinstance(item, LinkEvent) and item.state == "open":
                break
        filler = (self.piece_bytes - 17) * b"." + b"\n"
        pieces = [b"%015d " % n + filler for n in range(self.flood_bytes // self.piece_bytes)]
        with measured() as memory:
            for piece in pieces:
                await present.send(piece)
                await asyncio.sleep(0)
        assert memory.most_bytes is not None
        assert memory.most_bytes < self.most_memory_bytes, "what nobody reads is dropped"

        # What is kept are the newest pieces; each gap is told, just where it is.
        runs, dropped = [bytearray()], 0
        async with asyncio.timeout(PATIENCE_S):
            while not runs[-1].endswith(pieces[-1]):
                item = await anext(items)
                if isinstance(item, Frame):
                    runs[-1] += item.payload
                else:
                    assert (item.state, item.dropped > 0, bool(item.detail)) == ("open", True, True)
                    dropped += item.dropped
                    runs.append(bytearray())
        assert dropped > 0, "each gap is told"
        sent, at = b"".join(pieces), 0
        for run in runs:
            at = sent.find(run[: 2 * self.piece_bytes], at)
            assert at >= 0
            assert sent.startswith(run, at), "between the gaps nothing is missing"
            at += len(run)
        await driver.close()
        await leftovers.none()

    async def send_early(self, part: Part) -> None:
        """Send nothing: nobody would hear it."""

    async def send_late(self, part: Part) -> None:
        """Send something, now that the link is open."""
        await part.send(b"late\n")


class ReconnectingDriverContract(LiveDriverContract):
    """What holds for drivers of links whose other end comes and goes."""

    async def test_it_says_a_loss_once_and_the_return_once(
        self, present: Part, clock: Clock, listen: Listen
    ) -> None:
        listener = listen(present.driver(clock))
        await self.said(listener, "open")
        await present.send(b"before\n")
        await self.heard(listener, b"before\n")

        await present.vanish()
        await self.said(listener, "lost")
        await asyncio.sleep(0.3)  # it tries in vain, several times
        await present.appear()
        await self.said(listener, "open", times=2)
        await present.send(b"after\n")
        await self.heard(listener, b"before\nafter\n")

        assert listener.states == ["connecting", "open", "lost", "open"]
        assert listener.events[2].detail, "a loss comes with its cause and advice"
        assert [e.dropped for e in listener.events] == [0, 0, 0, 0]

    async def test_it_waits_for_a_peer_that_is_not_there_yet(
        self, present: Part, clock: Clock, listen: Listen
    ) -> None:
        await present.vanish()
        listener = listen(present.driver(clock))
        await self.said(listener, "lost")
        await asyncio.sleep(0.3)
        assert listener.states == ["connecting", "lost"]
        await present.appear()
        await self.said(listener, "open")
        assert listener.states == ["connecting", "lost", "open"]

    async def test_it_loses_its_peer_many_times_and_keeps_nothing(
        self, present: Part, clock: Clock, listen: Listen, leftovers: Leftovers
    ) -> None:
        driver = present.driver(clock)
        listener = listen(driver)
        for n in range(1, 6):
            await self.said(listener, "open", times=n)
            await present.send(b".")
            await self.heard(listener, n * b".")
            await present.vanish()
            await self.said(listener, "lost", times=n)
            await present.appear()
        await self.said(listener, "open", times=6)
        await driver.close()
        await listener.task
        assert listener.states == ["connecting"] + 5 * ["open", "lost"] + ["open"]
        await leftovers.none()

    async def test_closing_ends_the_waiting_for_a_peer_that_is_gone(
        self, present: Part, clock: Clock, listen: Listen, leftovers: Leftovers
    ) -> None:
        driver = present.driver(clock)
        listener = listen(driver)
        await self.said(listener, "open")
        await present.vanish()
        await self.said(listener, "lost")
        async with asyncio.timeout(PATIENCE_S):
            await driver.close()
            await listener.task
        # The peer is gone as well, with what it had open.
        await leftovers.none()


async def _listen_once(driver: Driver, opened: asyncio.Event) -> None:
    async for item in driver:
        if isinstance(item, LinkEvent) and item.state == "open":
            opened.set()
        elif isinstance(item, Frame):
            await driver.close()

"""The bounded queue between a link's reader and whoever iterates its driver."""

import asyncio
import threading
import time

from livealign.stream.contracts import Frame, LinkEvent
from livealign_drivers._queue import LinkQueue


def frame(n: int) -> Frame:
    return Frame("S", b"%d" % n, n)


def event(state, n: int = 0) -> LinkEvent:
    return LinkEvent("S", state, n)


async def taken(queue: LinkQueue, count: int) -> list:
    return [await queue.get() for _ in range(count)]


async def test_it_gives_what_was_put_in_order():
    queue = LinkQueue(8)
    items = [event("connecting"), event("open"), frame(1), frame(2), event("lost")]
    for item in items:
        queue.put(item)
    assert await taken(queue, 5) == items


async def test_the_gap_is_told_before_the_frame_that_follows_it():
    queue = LinkQueue(8)
    for n in range(9):
        queue.put(frame(n))
    gap, first, *rest = await taken(queue, 8)
    assert (gap.state, gap.dropped) == ("open", 2)
    assert first == frame(2)
    assert rest == [frame(n) for n in range(3, 9)]


async def test_events_are_kept_when_frames_are_dropped_and_the_next_one_carries_the_count():
    queue = LinkQueue(4)
    for item in [frame(0), event("lost", 1), event("open", 2), frame(3), frame(4), frame(5), frame(6)]:
        queue.put(item)
    lost, opened, *frames = await taken(queue, 6)
    assert (lost.state, lost.dropped) == ("lost", 1)
    assert "could not keep up" in lost.detail
    assert (opened.state, opened.dropped) == ("open", 0)
    assert frames == [frame(n) for n in (3, 4, 5, 6)]


async def test_nothing_dropped_is_ever_uncounted():
    queue = LinkQueue(10)
    put = got = dropped = 0
    for burst in (3, 30, 1, 100, 11):
        for _ in range(burst):
            queue.put(frame(put))
            put += 1
        for _ in range(4):
            item = await queue.get() if queue._items else None
            got += isinstance(item, Frame)
            dropped += item.dropped if isinstance(item, LinkEvent) else 0
    while queue._items:
        item = await queue.get()
        got += isinstance(item, Frame)
        dropped += item.dropped if isinstance(item, LinkEvent) else 0
    assert got + dropped == put


async def test_a_link_that_flaps_for_ever_does_not_fill_the_memory():
    queue = LinkQueue(4)
    for n in range(1000):
        queue.put(event("lost" if n % 2 else "open", n))
    assert len(queue._items) < 100
    last = None
    while queue._items:
        last = await queue.get()
    assert last == event("lost", 999), "the newest state is never the one that is dropped"


async def test_closing_wakes_who_waits_and_lets_the_rest_go():
    queue = LinkQueue(4)
    waiting = asyncio.create_task(queue.get())
    await asyncio.sleep(0)
    queue.close()
    assert await waiting is None
    queue.put(frame(1))
    assert await queue.get() is None


async def test_who_empties_a_full_queue_lets_others_have_their_turn():
    queue = LinkQueue(200)
    for n in range(200):
        queue.put(frame(n))
    turns = 0

    async def another() -> None:
        nonlocal turns
        while True:
            turns += 1
            await asyncio.sleep(0)

    other = asyncio.create_task(another())
    await taken(queue, 200)
    other.cancel()
    assert turns >= 4


async def test_a_flood_from_a_thread_does_not_pile_up_wake_ups():
    queue = LinkQueue(64)
    stop = threading.Event()

    def flood() -> None:
        n = 0
        while not stop.is_set():
            queue.put(frame(n))
            n += 1

    thread = threading.Thread(target=flood)
    thread.start()
    last = -1
    for _ in range(2000):
        item = await queue.get()
        if isinstance(item, Frame):
            assert item.time_ns > last
            last = item.time_ns
    hold_up(0.1)
    assert len(asyncio.get_running_loop()._ready) < 10, "while the loop is busy, one wake-up is enough"
    stop.set()
    thread.join()


def hold_up(seconds: float) -> None:
    time.sleep(seconds)

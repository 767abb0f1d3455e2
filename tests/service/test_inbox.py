"""The queue between links and session: one order for all, and every drop counted."""

import asyncio

import pytest

from livealign.service.inbox import COMMAND_LIMIT, Asked, Inbox, InboxFullError
from livealign.session.events import Command
from livealign.stream.contracts import Frame, LinkEvent


def _inbox(limit: int = 4) -> Inbox:
    return Inbox(["S", "M"], lambda: 99, limit=limit)


def _taken(inbox: Inbox) -> list[object]:
    taken = []
    while (entry := inbox.take()) is not None:
        taken.append(entry)
    return taken


def _frame(link: str, number: int) -> Frame:
    return Frame(link, b"%d" % number, number)


def test_the_order_over_all_links_is_kept() -> None:
    inbox = _inbox()
    sent = [_frame("S", 1), _frame("M", 2), LinkEvent("S", "lost", 3), _frame("M", 4)]
    for item in sent:
        inbox.put(item)
    assert _taken(inbox) == sent
    assert inbox.empty


def test_a_flooding_link_loses_its_oldest_frames_and_no_other_link_any() -> None:
    inbox = _inbox(limit=4)
    inbox.put(LinkEvent("S", "open", 0))
    inbox.put(_frame("M", 0))
    assert [inbox.take(), inbox.take()] == [LinkEvent("S", "open", 0), _frame("M", 0)]
    for number in range(10):
        inbox.put(_frame("S", number))
    inbox.put(_frame("M", 1))
    told = LinkEvent("S", "open", 99, dropped=6)
    assert _taken(inbox) == [told, *(_frame("S", n) for n in range(6, 10)), _frame("M", 1)]
    assert inbox.counters() == {"S": {"waiting": 0, "dropped": 6}, "M": {"waiting": 0, "dropped": 0}}


def test_link_events_outlive_frames() -> None:
    inbox = _inbox(limit=3)
    inbox.put(LinkEvent("S", "open", 0))
    for number in range(5):
        inbox.put(_frame("S", number))
    inbox.put(LinkEvent("S", "lost", 9))
    kept = [e for e in _taken(inbox) if isinstance(e, LinkEvent) and not e.dropped]
    assert kept == [LinkEvent("S", "open", 0), LinkEvent("S", "lost", 9)]


async def test_a_file_waits_for_room_instead_of_losing_frames() -> None:
    inbox = _inbox(limit=2)

    async def read_file() -> None:
        for number in range(50):
            await inbox.put_patiently(_frame("S", number))

    reading = asyncio.create_task(read_file())
    taken: list[object] = []
    while len(taken) < 50:
        await inbox.wait(5)
        taken += _taken(inbox)
    await reading
    assert taken == [_frame("S", n) for n in range(50)]


async def test_commands_are_refused_when_too_many_wait() -> None:
    inbox = _inbox()
    answer: asyncio.Future[str | None] = asyncio.get_running_loop().create_future()
    for _ in range(COMMAND_LIMIT):
        inbox.ask(Asked(Command("note", 0, text="x"), answer))
    with pytest.raises(InboxFullError):
        inbox.ask(Asked(Command("note", 0, text="x"), answer))


async def test_waiting_ends_with_the_time_or_with_the_inbox() -> None:
    inbox = _inbox()
    await inbox.wait(0.01)
    waiting = asyncio.create_task(inbox.wait(60))
    await asyncio.sleep(0)
    inbox.close()
    async with asyncio.timeout(5):
        await waiting


async def test_while_a_snapshot_is_due_anyway_frames_wait_together_but_events_and_a_flood_do_not() -> None:
    inbox = _inbox(limit=4)
    for wakes in ([LinkEvent("S", "lost", 2)], [_frame("S", 2)]):
        waiting = asyncio.create_task(inbox.wait(60, frames=False))
        await asyncio.sleep(0)
        inbox.put(_frame("S", 1))
        for _ in range(5):
            await asyncio.sleep(0)
        assert not waiting.done()
        for item in wakes:
            inbox.put(item)
        async with asyncio.timeout(5):
            await waiting
        assert _taken(inbox) == [_frame("S", 1), *wakes]

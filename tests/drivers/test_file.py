"""Files as a link."""

import asyncio

import pytest

from livealign.stream.contracts import Frame
from livealign_drivers.file import FileDriver, FileOptions


async def test_a_file_is_read_to_its_end_once_and_then_waits(file_part, clock, listen, wait_until, leftovers):
    await file_part.send(b"1,2\n3,4\n5")
    driver = file_part.driver(clock, chunk_bytes=4)
    listener = listen(driver)
    await wait_until(lambda: "ended" in listener.states)
    await asyncio.sleep(0.05)
    assert [getattr(i, "payload", None) or i.state for i in listener.items] == [
        "open",
        b"1,2\n",
        b"3,4\n",
        b"5",
        "ended",
    ]
    assert not listener.task.done()
    await driver.close()
    await listener.task
    await leftovers.none()


async def test_an_empty_file_has_just_an_end(file_part, clock, listen, wait_until):
    listener = listen(file_part.driver(clock))
    await wait_until(lambda: "ended" in listener.states)
    assert listener.states == ["open", "ended"]
    assert listener.received == b""


async def test_a_missing_file_is_refused_with_advice(file_part, clock, listen, wait_until):
    await file_part.vanish()
    listener = listen(file_part.driver(clock))
    await wait_until(lambda: listener.states)
    assert listener.states == ["refused"]
    assert str(file_part.path) in listener.events[0].detail
    assert "correct `path`" in listener.events[0].detail
    assert not listener.task.done()


async def test_a_folder_is_no_file(tmp_path, clock, listen, wait_until):
    listener = listen(FileDriver("S", FileOptions(path=tmp_path), clock))
    await wait_until(lambda: listener.states)
    assert listener.states == ["refused"]
    assert "not a plain file" in listener.events[0].detail


async def test_others_get_their_turn_between_chunks(file_part, clock, listen, wait_until):
    await file_part.send(bytes(100))
    turns = 0

    async def another() -> None:
        nonlocal turns
        while "ended" not in listener.states:
            turns += 1
            await asyncio.sleep(0)

    listener = listen(file_part.driver(clock, chunk_bytes=1))
    await another()
    assert turns >= 100


async def test_closing_in_the_middle_gives_no_end(file_part, clock, leftovers):
    await file_part.send(bytes(100))
    driver = file_part.driver(clock, chunk_bytes=10)
    seen = []
    async for item in driver:
        seen.append(item)
        if isinstance(item, Frame):
            await driver.close()
    assert [getattr(i, "state", "frame") for i in seen] == ["open", "frame"]
    await leftovers.none()


def test_chunks_have_a_size():
    with pytest.raises(ValueError, match="chunk_bytes"):
        FileOptions(path="x", chunk_bytes=0)

"""What every driver has to do, tried with a real part at its other end."""

import asyncio

import pytest

from livealign.stream.contracts import Driver, Frame, LinkEvent


@pytest.fixture(params=["serial", "tcp", "mqtt", "udp", "file"])
def part(request):
    """The other end of each kind of link."""
    return request.getfixturevalue(f"{request.param}_part")


@pytest.fixture(params=["serial", "tcp", "mqtt"])
def live_part(request):
    """The other end of links that come and go."""
    return request.getfixturevalue(f"{request.param}_part")


@pytest.fixture(params=["serial", "tcp", "mqtt", "udp"])
def streaming_part(request):
    """The other end of links over which data come by themselves."""
    return request.getfixturevalue(f"{request.param}_part")


async def test_it_is_a_driver_and_opens_nothing_yet(part, clock, leftovers):
    driver = part.driver(clock)
    assert isinstance(driver, Driver)
    assert driver.options_model.model_config["extra"] == "forbid"
    await leftovers.none()


async def test_it_opens_and_gives_all_bytes_in_order(part, clock, listen, wait_until):
    sent = b"".join(b"%d,12.5\n" % i for i in range(100))
    if hasattr(part, "path"):
        await part.send(sent)
    listener = listen(part.driver(clock))
    await wait_until(lambda: "open" in listener.states)
    if not hasattr(part, "path"):
        for at in range(0, len(sent), 50):
            await part.send(sent[at : at + 50])
            await asyncio.sleep(0)
    await wait_until(lambda: listener.received == sent)

    times = [i.time_ns for i in listener.items]
    assert times == sorted(times)
    assert {i.link for i in listener.items} == {"head S"}
    first = [type(i) for i in listener.items].index(Frame)
    assert isinstance(listener.items[first - 1], LinkEvent), (
        "no byte comes before the link is said to be open"
    )
    assert listener.items[first - 1].state == "open"


async def test_it_says_a_loss_once_and_the_return_once(live_part, clock, listen, wait_until):
    listener = listen(live_part.driver(clock))
    await wait_until(lambda: "open" in listener.states)
    await live_part.send(b"before\n")
    await wait_until(lambda: listener.received == b"before\n")

    await live_part.vanish()
    await wait_until(lambda: "lost" in listener.states)
    await asyncio.sleep(0.3)  # it tries in vain, several times
    await live_part.appear()
    await wait_until(lambda: listener.states.count("open") == 2)
    await live_part.send(b"after\n")
    await wait_until(lambda: listener.received.endswith(b"after\n"))

    assert listener.states == ["connecting", "open", "lost", "open"]
    assert listener.received == b"before\nafter\n"
    assert listener.events[2].detail, "a loss comes with its cause and advice"
    assert [e.dropped for e in listener.events] == [0, 0, 0, 0]


async def test_it_waits_for_a_peer_that_is_not_there_yet(live_part, clock, listen, wait_until):
    await live_part.vanish()
    listener = listen(live_part.driver(clock))
    await wait_until(lambda: "lost" in listener.states)
    await asyncio.sleep(0.3)
    assert listener.states == ["connecting", "lost"]
    await live_part.appear()
    await wait_until(lambda: "open" in listener.states)
    assert listener.states == ["connecting", "lost", "open"]


async def test_it_loses_its_peer_many_times_and_keeps_nothing(
    live_part, clock, listen, wait_until, leftovers
):
    driver = live_part.driver(clock)
    listener = listen(driver)
    for n in range(1, 6):
        await wait_until(lambda n=n: listener.states.count("open") == n)
        await live_part.send(b".")
        await wait_until(lambda n=n: listener.received == n * b".")
        await live_part.vanish()
        await wait_until(lambda n=n: listener.states.count("lost") == n)
        await live_part.appear()
    await wait_until(lambda: listener.states.count("open") == 6)
    await driver.close()
    await listener.task
    assert listener.states == ["connecting"] + 5 * ["open", "lost"] + ["open"]
    await leftovers.none()


async def test_closing_ends_the_iteration_and_leaves_nothing(part, clock, listen, wait_until, leftovers):
    driver = part.driver(clock)
    listener = listen(driver)
    await wait_until(lambda: "open" in listener.states)
    async with asyncio.timeout(10):
        await driver.close()
        await listener.task
    await leftovers.none()


async def test_closing_does_not_wait_for_the_next_attempt(live_part, clock, listen, wait_until, leftovers):
    await live_part.vanish()
    driver = live_part.driver(clock, reconnect_max_s=3600)
    listener = listen(driver)
    driver._pauses._next_s = 3600
    await wait_until(lambda: "lost" in listener.states)
    async with asyncio.timeout(10):
        await driver.close()
        await listener.task
    await leftovers.none()


async def test_closing_again_or_at_once_or_never_opened_is_fine(part, clock, listen, leftovers):
    never = part.driver(clock)
    await never.close()
    assert [item async for item in never] == []

    driver = part.driver(clock)
    listener = listen(driver)
    await asyncio.sleep(0)
    await asyncio.gather(driver.close(), driver.close())
    await driver.close()
    await listener.task
    await leftovers.none()


async def test_closing_from_inside_the_loop_ends_it(part, clock, leftovers):
    driver = part.driver(clock)
    seen = 0
    async for _ in driver:
        seen += 1
        await driver.close()
    assert seen == 1
    await leftovers.none()


async def test_a_cancelled_listener_leaves_nothing_and_another_may_follow(
    part, clock, listen, wait_until, leftovers
):
    driver = part.driver(clock)
    for _ in range(3):
        listener = listen(driver)
        await wait_until(lambda heard=listener: "open" in heard.states)
        listener.task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await listener.task
        await leftovers.none()


async def test_an_abandoned_iteration_is_cleared_up_by_close(part, clock, leftovers):
    driver = part.driver(clock)
    items = aiter(driver)
    await anext(items)
    await driver.close()
    assert [item async for item in items] == []
    await leftovers.none()


async def test_one_listener_at_a_time(streaming_part, clock, listen, wait_until):
    driver = streaming_part.driver(clock)
    listener = listen(driver)
    await wait_until(lambda: "open" in listener.states)
    with pytest.raises(RuntimeError, match="being read already"):
        await anext(aiter(driver))
    await streaming_part.send(b"still here\n")
    await wait_until(lambda: listener.received == b"still here\n")


async def test_a_flood_drops_the_oldest_and_says_so(
    streaming_part, clock, monkeypatch, wait_until, leftovers
):
    driver = streaming_part.driver(clock)
    monkeypatch.setattr(type(driver), "most_frames", 16)
    items = aiter(driver)
    while (await anext(items)).state != "open":
        pass

    # Nobody takes anything while 200 pieces come, one frame each.
    delivered = []
    put = driver._queue.put
    monkeypatch.setattr(driver._queue, "put", lambda item: (put(item), delivered.append(item)))
    for n in range(200):
        await streaming_part.send(b"%03d\n" % n)
        await wait_until(lambda n=n: b"".join(f.payload for f in delivered).endswith(b"%03d\n" % n))

    told = await anext(items)
    assert isinstance(told, LinkEvent)
    assert told.state == "open"
    assert told.dropped > 0
    assert "could not keep up" in told.detail
    kept = [await anext(items) for _ in range(len(delivered) - told.dropped)]
    assert kept == delivered[told.dropped :], "the newest stay, in their order, none missing"
    assert len(kept) <= 16
    await driver.close()
    await leftovers.none()

"""Every client at its own pace; the latest snapshot at once."""

import asyncio

from livealign.service.hub import Hub


async def test_a_client_begins_with_the_latest_and_gets_every_next_one() -> None:
    hub = Hub()
    hub.publish(b"1")
    hub.publish(b"2")
    with hub.listener() as listener:
        hub.publish(b"3")
        hub.close()
        assert [text async for text in listener] == ["2", "3"]
    assert hub.counters() == []


async def test_a_slow_client_loses_the_oldest_and_it_is_counted() -> None:
    hub = Hub(queue=4)
    with hub.listener() as slow, hub.listener() as quick:
        got: list[str] = []

        async def read() -> None:
            async for text in quick:
                got.append(text)  # noqa: PERF401 - seen while it grows

        reading = asyncio.create_task(read())
        for number in range(20):
            hub.publish(b"%d" % number)
            await asyncio.sleep(0)
            await asyncio.sleep(0)
        assert got == [str(n) for n in range(20)]
        counted = {c["client"]: c["dropped"] for c in hub.counters()}
        assert counted == {slow.number: 16, quick.number: 0}
        hub.close()
        await reading
        assert [text async for text in slow] == ["16", "17", "18", "19"]

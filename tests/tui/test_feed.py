"""The contact with the service: newest only, gone, and back by itself."""

import asyncio
from collections.abc import Callable
from dataclasses import replace

import pytest
from websockets.asyncio.server import ServerConnection, serve

from livealign.client import Client
from livealign.errors import PersonError
from livealign.snapshot import Snapshot, encode
from livealign_tui.feed import Feed
from tests.tui.stage import Service, Stage


async def settle(true: Callable[[], bool]) -> None:
    for _ in range(2000):
        if true():
            return
        await asyncio.sleep(0.01)
    pytest.fail("did not come true")


async def test_only_the_newest_snapshot_is_decoded(job: Snapshot, service: Service) -> None:
    feed = Feed(lambda: service)
    running = asyncio.create_task(feed.run())
    service.send_text("no snapshot at all")
    service.send(*(replace(job, sequence=i) for i in range(500)))
    await settle(lambda: service._texts.empty() and feed.trouble == "")
    taken = feed.take()
    assert taken is not None
    assert taken.sequence == 499
    assert feed.take() is None
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)


async def test_a_service_of_another_version_is_said_so(service: Service) -> None:
    feed = Feed(lambda: service)
    running = asyncio.create_task(feed.run())
    service.send_text('{"schema": "something/9"}')
    await settle(lambda: feed.trouble == "")
    with pytest.raises(PersonError, match="another version"):
        feed.take()
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)


async def test_without_contact_a_command_is_refused_not_lost(service: Service) -> None:
    feed = Feed(lambda: service)
    with pytest.raises(PersonError, match="no contact"):
        await feed.command("hold", on=True)
    assert service.asked == []


async def test_it_tries_again_and_says_why_it_has_to(job: Snapshot, service: Service) -> None:
    feed = Feed(lambda: service, retry_s=0.01)
    service.away = PersonError("no running service was found")
    running = asyncio.create_task(feed.run())
    await settle(lambda: "no running service was found" in feed.trouble)
    assert feed.trouble.startswith("no contact with the service, trying again")
    service.away = None
    service.send(job)
    await settle(lambda: feed.trouble == "")
    assert feed.take() == job
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)


async def test_a_service_that_falls_silent_is_noticed(job: Snapshot, service: Service) -> None:
    feed = Feed(lambda: service, quiet_s=0.05)
    running = asyncio.create_task(feed.run())
    service.send(job)
    await settle(lambda: feed.take() is not None)
    await settle(lambda: feed.trouble.startswith("no news from the service"))
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)


async def test_the_dashboard_says_that_the_service_is_gone_and_comes_back(
    job: Snapshot, service: Service, stage: Stage
) -> None:
    async with stage.open(connect=lambda: service):
        service.send(replace(job, phase="adjust"))
        await stage.until(lambda: "+0.342 ± 0.012 mm" in stage.text())
        assert "no contact" not in stage.text()
        service.go()
        await stage.until(lambda: "no contact with the service, trying again" in stage.text())
        # The last values stay, marked as old, and every row still has its place.
        assert "+0.342 ± 0.012 mm" in stage.text()
        assert "6 Adjust" in stage.text().splitlines()[23]
        service.send(replace(job, phase="adjust", sequence=2))
        await stage.until(lambda: "no contact" not in stage.text())


async def test_through_the_real_client_and_a_real_socket(job: Snapshot, stage: Stage) -> None:
    async def play(socket: ServerConnection) -> None:
        assert socket.request is not None
        assert socket.request.headers["Authorization"] == "Bearer word"
        for i in range(1, 10_000):
            text = encode(replace(job, phase="adjust", sequence=i, time_s=i / 50)).decode()
            await socket.send(text)
            await asyncio.sleep(0.02)

    async with serve(play, "127.0.0.1", 0) as server:
        port = next(iter(server.sockets)).getsockname()[1]
        async with stage.open(connect=lambda: Client(f"http://127.0.0.1:{port}", "word")):
            await stage.until(lambda: "+0.342 ± 0.012 mm" in stage.text())
            server.close()
            await server.wait_closed()
            await stage.until(lambda: "no contact with the service, trying again" in stage.text())
            async with serve(play, "127.0.0.1", port):
                await stage.until(lambda: "no contact" not in stage.text())

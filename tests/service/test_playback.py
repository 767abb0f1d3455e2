"""A recorded session served to look at: the same as it was, byte for byte, however one goes to and fro."""

import asyncio

import httpx
import pytest

from livealign.cli.solve import fresh_session
from livealign.client import Client
from livealign.errors import PersonError
from livealign.record.reader import RecordedSnapshot, Recording
from livealign.service.playback import Playback
from livealign.service.replay_api import add_replay
from livealign.service.server import listen, serve
from livealign.snapshot import decode
from record.recorded import record

TOKEN = "only-for-this-test"


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    """The recording, and its snapshots with their times."""
    path = tmp_path_factory.mktemp("recording") / "fan.mcap"
    record(path)
    found = Recording(path)
    return found, [(i.time_ns / 1e9, i.encoded) for i in found.items() if isinstance(i, RecordedSnapshot)]


def playback_of(recording, **options) -> Playback:
    events = [i for i in recording.items() if not isinstance(i, RecordedSnapshot)]
    return Playback(lambda: fresh_session(recording, None, None), events, **options)


def known_at(snapshots, time_s):
    return [encoded for at_s, encoded in snapshots if at_s <= time_s][-1]


async def test_what_is_seen_is_what_was_concluded_to_and_fro(recording):
    found, snapshots = recording
    playback = playback_of(found, paused=True)
    shown = []
    playback.hub.publish = shown.append
    running = asyncio.create_task(playback.run())
    async with asyncio.timeout(60):
        for to_s in (3.05, 1.2, 3.5, 0.2):
            await playback.seek(to_s)
            assert shown[-1] == playback.encoded == known_at(snapshots, to_s)
            assert playback.state()["time_s"] == pytest.approx(to_s)
        here = playback.count
        for steps in (1, 12, -2, -40):
            await playback.step(steps)
            here = max(1, here + steps)
            assert playback.count == here
            assert shown[-1] == snapshots[here - 1][1]
        await playback.seek(-5)
        shown.clear()
        playback.set_speed(1000)
        playback.pause(paused=False)
        while not playback.state()["at_end"]:  # noqa: ASYNC110
            await asyncio.sleep(0.01)
        assert shown == [encoded for _, encoded in snapshots][-len(shown) :]
        assert len(shown) >= len(snapshots) - 1
        await playback.seek(999)
        assert shown[-1] == snapshots[-1][1]
        playback.stop()
        await running


async def test_whoever_watches_is_served_and_may_go_to_and_fro_but_change_nothing(recording, tmp_path):
    found, snapshots = recording
    playback = playback_of(found, speed=1000, loop=True)
    ready = asyncio.get_running_loop().create_future()
    serving = asyncio.create_task(
        serve(
            playback,
            listen(("127.0.0.1", 0)),
            token=TOKEN,
            note=tmp_path / "replay.json",
            ready=ready.set_result,
            extend=lambda app: add_replay(app, playback),
        )
    )
    try:
        async with asyncio.timeout(60):
            note = await ready
            async with (
                Client(note.url, TOKEN) as client,
                httpx.AsyncClient(base_url=note.url, headers={"Authorization": f"Bearer {TOKEN}"}) as http,
            ):

                async def asked(**what):
                    answer = await http.post("/api/replay", json=what)
                    assert answer.status_code == 200, answer.text
                    return answer.json()

                times = []
                async for snapshot in client.stream():
                    times.append(snapshot.time_s)
                    if times[-1] < times[0]:
                        break  # it has begun again
                assert (await asked(do="pause"))["paused"]
                await asked(do="speed", times=1)
                assert (await asked(do="seek", to_s=2.0))["time_s"] == pytest.approx(2.0)
                assert await client.snapshot() == decode(known_at(snapshots, 2.0))
                assert (await asked(do="skip", by_s=-0.5))["time_s"] == pytest.approx(1.5)
                before = (await http.get("/api/replay")).json()["snapshots"]
                assert (await asked(do="step", snapshots=-1))["snapshots"] == before - 1
                assert (await http.post("/api/replay", json={"do": "seek"})).status_code == 422
                with pytest.raises(PersonError, match="what was done then is done"):
                    await client.command("begin_rotation")
                await client.command("hold")
                assert not (await http.get("/api/replay")).json()["paused"], "the dashboard's pause goes on"
                assert (await http.get("/api/replay", headers={"Authorization": ""})).status_code == 401
                assert (await client.health())["replay"]["until_s"] == pytest.approx(4.0)
    finally:
        playback.stop()
        await serving

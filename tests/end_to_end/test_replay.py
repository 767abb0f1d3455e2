"""A recorded session on virtual ports: whoever reads them concludes what was concluded live."""

import asyncio
import json
import os
import sys
from dataclasses import asdict

import pytest

from end_to_end.workshop import link
from livealign.client import Client
from livealign.config.load import load_pair
from livealign.errors import PersonError
from livealign.record.reader import Recording
from livealign.record.timeline import Cut, timeline
from livealign.service.daemon import Daemon, session_clock
from livealign.service.links import build_drivers
from livealign.session.engine import Session
from livealign.session.events import Command
from livealign.snapshot import decode
from livealign_simulators.commanding import Commander
from livealign_simulators.player import Player
from livealign_simulators.port_kinds import Means, close_ports, make_ports
from livealign_simulators.ports import have_ptys
from livealign_simulators.rigfile import write_rig
from record.recorded import record
from service.processes import environment, running

pytestmark = pytest.mark.real


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    """The recording, and what was concluded in the end."""
    path = tmp_path_factory.mktemp("recording") / "fan.mcap"
    live = decode(record(path)[-1])
    return Recording(path), live


def assert_concluded_the_same(again, live):
    assert again.as_found.verdict.state == live.as_found.verdict.state == "not conforming"
    for plane in ("vertical", "horizontal"):
        was, now = (asdict(getattr(x.as_found.pose, plane)) for x in (live, again))
        assert now["offset_mm"] == pytest.approx(was["offset_mm"], abs=2 * was["offset_u_mm"])
        assert now["slope_mm_per_m"] == pytest.approx(was["slope_mm_per_m"], abs=2 * was["slope_u_mm_per_m"])
    assert again.notes == live.notes == ("all bolts tight",)
    assert [x.counters.reconnects for x in again.links] == [0, 1]
    assert [x.counters.bad for x in again.links] == [0, 0]


async def test_the_whole_program_concludes_the_same_over_tcp_four_times_as_fast(recording, tmp_path):
    found, live = recording
    note = tmp_path / "note.json"
    replay = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "livealign", "replay", str(found.path), "--as", "tcp", "--speed", "4"),
        *("--command-service", str(note), "--json"),
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
        env=environment() | {"TMPDIR": str(tmp_path)},
    )
    async with asyncio.timeout(60):
        first = json.loads(await replay.stdout.readline())
        files = ("--job", first["job"], "--rig", first["rig"])
        async with running(tmp_path, *files, "--bind", "127.0.0.1:0") as service:
            said, trouble = await replay.communicate()
            async with Client.of(service.note) as client:
                again = await client.snapshot()
    assert (replay.returncode, trouble) == (0, b"")
    lines = [json.loads(line) for line in said.splitlines()]
    did = [line.get("did") for line in lines[:-1]]
    assert [d for d in did if d != "command"] == ["unplug", "replug"]
    assert did.count("command") == 3
    assert lines[-1]["done"]
    assert lines[-1]["dropped"] == 0
    assert_concluded_the_same(again, live)
    assert link(again, "S").counters.records == link(live, "S").counters.records
    assert [p.name for p in tmp_path.iterdir()] == ["note.json"], "nothing is left of the ports and files"


async def test_serial_ports_say_the_same_as_the_heads_did(recording, tmp_path, missing):
    if not have_ptys():
        missing("this platform has no pseudo terminals")
    found, live = recording
    (tmp_path / "job.toml").write_text(found.job_text)
    (tmp_path / "was.toml").write_text(found.rig_text)
    job, rig = load_pair(tmp_path / "job.toml", tmp_path / "was.toml")
    ports = make_ports({x.name: b"" for x in rig.links}, Means("serial"), tmp_path)
    asked, words = asyncio.Queue(), []
    player = Player(ports, speed=4, ask=asked.put_nowait, say=lambda said, _: words.append(said))
    await player.plug_all()
    write_rig(rig, {name: port.address for name, port in ports.items()}, tmp_path / "rig.toml")
    _, rig = load_pair(tmp_path / "job.toml", tmp_path / "rig.toml")
    clock, states = session_clock(), []
    daemon = Daemon(Session(job, rig), build_drivers(rig, clock), clock, say=states.append)
    serving = asyncio.create_task(daemon.run())

    async def obey():
        while True:
            command = await asked.get()
            await daemon.command(command.name, text=command.text)

    obeying = asyncio.create_task(obey())
    try:
        async with asyncio.timeout(60):
            while sum(x.endswith(": open") for x in states) < 2:  # noqa: ASYNC110
                await asyncio.sleep(0.01)
            await player.play(timeline(found.items(), Cut()))
            while "link M: back after" not in "\n".join(states):  # noqa: ASYNC110
                await asyncio.sleep(0.01)
            await asyncio.sleep(0.2)
    finally:
        obeying.cancel()
        await asyncio.gather(obeying, return_exceptions=True)
        daemon.stop()
        await serving
        await close_ports(ports.values())
    assert words == ["link M is lost, as it was", "link M is back, as it was"]
    assert player.dropped == 0
    assert any(isinstance(item, Command) for _, item in timeline(found.items(), Cut()))
    assert_concluded_the_same(decode(daemon.hub.latest), live)


async def test_a_replay_that_nobody_reads_says_so_and_disturbs_no_older_service(tmp_path):
    note = tmp_path / "note.json"
    note.write_text("{}")
    os.utime(note, (1, 1))
    with pytest.raises(PersonError, match="older than this replay"):
        await Commander(note, ["S"], lambda *_: None).ready(0.2)

"""`livealign run` as people run it: a process on real sockets, ended by signals and worse."""

import asyncio
import signal
import socket
import sys
from contextlib import aclosing
from pathlib import Path

import pytest

from livealign.client import Client
from livealign.config.load import parse_checklist, parse_pair
from livealign.record.reader import RecordedSnapshot, Recording
from livealign.record.replay import verify
from livealign.session.engine import Session
from livealign.snapshot import Snapshot, decode
from service.processes import Process, running
from service.rigs import HORIZONTAL, VERTICAL, speaking_heads, tcp_rig

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals of another kind")


def _files(job_path: Path, ports: dict[str, int]) -> list[str]:
    rig_path = job_path.with_name("rig.toml")
    rig_path.write_text(tcp_rig(ports), encoding="utf-8")
    return ["--job", str(job_path), "--rig", str(rig_path), "--bind", "127.0.0.1:0"]


async def _follow(child: Process, until: float, seen: list[Snapshot]) -> None:
    async with Client.of(child.note) as client, aclosing(client.stream()) as stream, asyncio.timeout(30):
        async for snapshot in stream:
            seen.append(snapshot)
            if snapshot.time_s >= until:
                return


def _verified(path: Path) -> tuple[int, str | None]:
    recording = Recording(path)
    job, rig = parse_pair(recording.job_text, recording.rig_text, "job", "rig")
    checklist = parse_checklist(recording.checklist_text or "", "recording:checklist.toml")
    rate = recording.header.snapshots_per_s
    result = verify(Session(job, rig, checklist, snapshots_per_s=rate), recording)
    return result.compared, result.difference


@pytest.mark.real
async def test_a_rotation_over_tcp_is_served_recorded_and_the_same_when_replayed(
    tmp_path: Path, job_path: Path
) -> None:
    async with speaking_heads() as ports:
        arguments = _files(job_path, ports)
        async with running(tmp_path, *arguments, "--record", str(tmp_path / "rec"), "--rate", "20") as child:
            assert oct(child.note_path.stat().st_mode & 0o777) == "0o600"
            assert child.note.url in child.out
            async with Client.of(child.note) as client, asyncio.timeout(30):
                await client.command("begin_rotation")
                while (await client.snapshot()).rotation.arc_deg < 120:  # noqa: ASYNC110
                    await asyncio.sleep(0.05)
                await client.command("end_rotation")
                pose = (await client.snapshot()).pose
            child.process.send_signal(signal.SIGTERM)
            assert await child.ended() == 0
            assert not child.note_path.exists(), "no note is left"
            assert sorted(x for x in child.err.splitlines() if x.startswith("link")) == [
                "link M: open",
                "link S: open",
            ]
    assert pose.vertical.offset_mm == pytest.approx(VERTICAL[0], abs=0.02)
    assert pose.horizontal.offset_mm == pytest.approx(HORIZONTAL[0], abs=0.02)
    (path,) = (tmp_path / "rec").glob("*-grain-dryer-fan-2.mcap")
    compared, difference = _verified(path)
    assert difference is None
    assert compared > 20


@pytest.mark.real
async def test_kill_9_loses_no_more_than_a_fifth_of_a_second(tmp_path: Path, job_path: Path) -> None:
    seen: list[Snapshot] = []
    async with speaking_heads() as ports:
        arguments = _files(job_path, ports)
        async with running(tmp_path, *arguments, "--record", str(tmp_path / "rec")) as child:
            await _follow(child, until=1.5, seen=seen)
            child.process.kill()
            assert await child.ended() == -signal.SIGKILL
    (path,) = (tmp_path / "rec").glob("*.mcap")
    recording = Recording(path)
    recorded = [decode(x.encoded) for x in recording.items() if isinstance(x, RecordedSnapshot)]
    assert recording.torn is not None
    assert seen[-1].time_s - recorded[-1].time_s <= 0.2
    assert [s.sequence for s in recorded] == list(range(1, len(recorded) + 1)), "a prefix without holes"
    assert _verified(path) == (len(recorded), None)


@pytest.mark.real
async def test_ctrl_c_ends_it_cleanly_and_a_lost_link_is_told(tmp_path: Path, job_path: Path) -> None:
    async with speaking_heads() as ports:
        arguments = _files(job_path, ports)
        process = running(tmp_path, *arguments)
        child = await process.__aenter__()
        await _follow(child, until=0.5, seen=[])
    try:
        async with asyncio.timeout(30):
            while child.err.count("lost, will be tried again") < 2:  # noqa: ASYNC110
                await asyncio.sleep(0.02)
        child.process.send_signal(signal.SIGINT)
        assert await child.ended() == 0
        assert "Traceback" not in child.err
        assert not child.note_path.exists()
    finally:
        await process.__aexit__(None, None, None)


async def test_a_port_that_is_taken_and_files_that_are_wrong_are_refused_in_words(
    tmp_path: Path, job_path: Path
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        arguments = [*_files(job_path, {"S": 1, "M": 2})[:4], "--bind", f"127.0.0.1:{port}"]
        async with running(tmp_path, *arguments) as child:
            assert await child.ended() == 1
    assert f"127.0.0.1:{port}" in child.err
    assert "--bind 127.0.0.1:0" in child.err
    async with running(tmp_path, "--job", str(tmp_path / "none.toml"), *arguments[2:4]) as child:
        assert await child.ended() == 1
    assert "none.toml" in child.err
    assert "Traceback" not in child.err
    async with running(tmp_path, *arguments[:4], "--bind", "here") as child:
        assert await child.ended() == 2

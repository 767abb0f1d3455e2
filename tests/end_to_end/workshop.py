"""A whole job on real parts: the simulated rig and the service as processes of their own, and a client."""

import asyncio
import signal
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from livealign.cli import main
from livealign.client import Client
from livealign.snapshot import LinkStatus, PlanePose, Pose, Snapshot
from livealign_simulators.parts import Simulator, running_simulator
from livealign_simulators.ports import have_ptys
from service.processes import Process, running

PATIENCE_S = 30
WITHIN_U = 3.0
DEG_PER_S = 90
SEED = 7
"""Fixes what no fit can find out, such as true zeros and gains, whose part in the error is then the same each time."""

needs_ptys = pytest.mark.skipif(not have_ptys(), reason="this platform has no pseudo-terminals")


@dataclass
class Workshop:
    mechanic: Simulator
    service: Process
    client: Client
    recordings: Path

    async def until(self, wanted: Callable[[Snapshot], bool]) -> Snapshot:
        """The first snapshot that is as wanted."""
        async with asyncio.timeout(PATIENCE_S):
            while not wanted(snapshot := await self.client.snapshot()):  # noqa: ASYNC110
                await asyncio.sleep(0.02)
            return snapshot

    async def until_told(self, words: str) -> None:
        """Wait until the service has said this to the person."""
        async with asyncio.timeout(PATIENCE_S):
            while words not in self.service.err:  # noqa: ASYNC110
                await asyncio.sleep(0.02)

    async def turn(self, to_deg: float) -> None:
        await self.mechanic.do("turn", to_deg=to_deg, deg_per_s=DEG_PER_S)

    async def rotation(self, to_deg: float) -> Snapshot:
        """Read a rotation in which nothing goes wrong."""
        await self.client.command("begin_rotation")
        await self.turn(to_deg)
        return await self.end_rotation()

    async def end_rotation(self) -> Snapshot:
        await self.client.command("end_rotation")
        return await self.client.snapshot()

    async def truth(self) -> dict[str, Any]:
        return (await self.mechanic.do("truth"))["pose"]

    def told_of(self, link: str) -> list[str]:
        """What the service has said about a link after it was first opened."""
        lines = [x for x in self.service.err.splitlines() if x.startswith(f"link {link}: ")]
        assert lines[0] == f"link {link}: open"
        return lines[1:]

    async def end(self) -> Path:
        """End the service as people do; return the recording."""
        self.service.process.send_signal(signal.SIGINT)
        assert await self.service.ended() == 0
        assert "Traceback" not in self.service.err
        return self.recording()

    def recording(self) -> Path:
        (path,) = self.recordings.glob("*.mcap")
        return path


@asynccontextmanager
async def workshop(folder: Path, kind: str = "serial") -> AsyncIterator[Workshop]:
    """The example job with both heads connected and speaking; everything is recorded."""
    recordings = folder / "recordings"
    async with running_simulator(kind, SEED, folder) as mechanic:
        files = ("--job", str(mechanic.job), "--rig", str(mechanic.rig))
        where = ("--bind", "127.0.0.1:0", "--record", str(recordings))
        async with running(folder, *files, *where) as service, Client.of(service.note) as client:
            shop = Workshop(mechanic, service, client, recordings)
            try:
                await shop.until(lambda s: all(c.value is not None for c in s.channels))
                yield shop
            except BaseException as e:
                e.add_note(f"The service has said:\n{service.err}")
                raise


def link(snapshot: Snapshot, name: str) -> LinkStatus:
    return next(x for x in snapshot.links if x.name == name)


def uncertainties(pose: Pose) -> list[float]:
    planes = (pose.vertical, pose.horizontal)
    return [u for p in planes for u in (p.offset_u_mm, p.slope_u_mm_per_m) if u is not None]


def assert_true(pose: Pose, truth: dict[str, Any]) -> None:
    """Hold all four numbers of a pose to the truth."""
    assert_plane_true(pose.vertical, truth["vertical"])
    assert_plane_true(pose.horizontal, truth["horizontal"])


def assert_plane_true(plane: PlanePose, truth: dict[str, Any]) -> None:
    assert plane.offset_mm == pytest.approx(truth["offset_mm"], abs=WITHIN_U * plane.offset_u_mm)
    assert plane.slope_mm_per_m == pytest.approx(
        truth["slope_mm_per_m"], abs=WITHIN_U * plane.slope_u_mm_per_m
    )


def livealign(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments], catch_exceptions=False)


def assert_replays_the_same(recording: Path) -> None:
    verified = livealign("solve", recording, "--verify")
    assert verified.stderr == ""
    assert verified.exit_code == 0
    assert "all the same as recorded" in verified.stdout

"""CPU: the service and the dashboard while a machine is measured and moved, beside a bare echo and a bare screen."""

import asyncio
import fcntl
import os
import struct
import sys
import tempfile
import termios
import time
from asyncio.subprocess import Process
from collections.abc import AsyncIterator, Awaitable, Sequence
from contextlib import asynccontextmanager
from pathlib import Path

import psutil
from figures import Figure
from parts import HERE, Simulator, running_daemon, running_echo, running_simulator, started
from websockets.asyncio.client import ClientConnection, connect

from livealign.client import Client

__all__ = ["measure"]

AIM_PERCENT = 20.0
COLUMNS, LINES = 80, 24
STARTS_S = 3.0
BARE_S = 6.0


def measure() -> list[Figure]:
    return asyncio.run(_measure())


async def _measure() -> list[Figure]:
    async with running_simulator() as simulator:
        with tempfile.TemporaryDirectory() as name:
            async with (
                running_daemon(simulator.job, simulator.rig, Path(name)) as (daemon, note, path),
                Client.of(note) as client,
                on_a_terminal("-m", "livealign", "watch", "--note", str(path)) as screen,
            ):
                await asyncio.sleep(STARTS_S)
                both = (daemon, screen)
                await client.command("begin_rotation")
                rotation = await _percent(both, simulator.do("turn", to_deg=360, deg_per_s=45))
                await client.command("end_rotation")
                await client.command("adjust", plane="vertical")
                await asyncio.sleep(1.0)
                await simulator.do("shim", foot="near feet", mm=0.1)
                adjust = await _percent(both, _shim(simulator))
        bare = await _bare(simulator.ports)
    names = ("echo", "bare screen")
    return [
        Figure(
            f"{what}, {phase}",
            value,
            "%",
            reference,
            name,
            f"under {AIM_PERCENT:g} % of a core",
            value < AIM_PERCENT,
        )
        for phase, values in (("rotation", rotation), ("adjust", adjust))
        for what, value, reference, name in zip(("service", "dashboard"), values, bare, names, strict=True)
    ]


async def _shim(simulator: Simulator) -> None:
    for foot, mm in (("far feet", 0.2), ("near feet", -0.1)):
        await simulator.do("shim", foot=foot, mm=mm)
        await simulator.do("wait", s=4.0)


async def _bare(ports: list[str]) -> list[float]:
    """Do the least that could be done with the same ports and the same terminal."""
    async with (
        running_echo(*ports) as (echo, url),
        connect(url, proxy=None, compression=None) as socket,
        on_a_terminal(str(HERE / "plain_screen.py")) as screen,
    ):
        await asyncio.sleep(STARTS_S)
        listening = asyncio.create_task(_listen(socket))
        try:
            return await _percent((echo, screen), asyncio.sleep(BARE_S))
        finally:
            listening.cancel()


async def _listen(socket: ClientConnection) -> None:
    async for _ in socket:
        pass


async def _percent(processes: Sequence[Process], meanwhile: Awaitable[None]) -> list[float]:
    """Return how much of a core each process uses meanwhile."""
    watched = [psutil.Process(p.pid) for p in processes]
    before, begin = [_seconds(p) for p in watched], time.perf_counter()
    await meanwhile
    took = time.perf_counter() - begin
    return [100.0 * (_seconds(p) - b) / took for p, b in zip(watched, before, strict=True)]


def _seconds(process: psutil.Process) -> float:
    times = process.cpu_times()
    return times.user + times.system


@asynccontextmanager
async def on_a_terminal(*arguments: str) -> AsyncIterator[Process]:
    """Run a Python program on a terminal of 80 x 24, whose output is thrown away."""
    near, far = os.openpty()
    fcntl.ioctl(far, termios.TIOCSWINSZ, struct.pack("HHHH", LINES, COLUMNS, 0, 0))
    loop = asyncio.get_running_loop()
    loop.add_reader(near, os.read, near, 65536)
    more = {"stdin": far, "stdout": far, "stderr": far, "start_new_session": True}
    environment = {**os.environ, "TERM": "xterm-256color"}
    try:
        async with started(sys.executable, *arguments, env=environment, **more) as process:
            yield process
            if process.returncode is not None:
                raise RuntimeError(f"{arguments[-1]} has ended early")
    finally:
        loop.remove_reader(near)
        os.close(near)
        os.close(far)

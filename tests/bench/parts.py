"""The programs that benchmarks start, and end again whatever happens."""

import asyncio
import json
import os
import sys
import tty
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

from livealign.paths import ServiceNote, read_note

__all__ = ["Pty", "Simulator", "running_daemon", "running_echo", "running_simulator", "started"]

HERE = Path(__file__).parent
STARTS_S = 30.0


class Pty:
    """A pseudo-terminal in place of a serial port; this end is written."""

    def __init__(self) -> None:
        self.descriptor, self._far = os.openpty()
        tty.setraw(self._far)
        os.set_blocking(self.descriptor, False)
        self.name = os.ttyname(self._far)

    def close(self) -> None:
        os.close(self.descriptor)
        os.close(self._far)


@asynccontextmanager
async def started(*command: str, **more: Any) -> AsyncIterator[asyncio.subprocess.Process]:
    process = await asyncio.create_subprocess_exec(*command, **more)
    try:
        yield process
    finally:
        if process.returncode is None:
            process.terminate()
            try:
                async with asyncio.timeout(5):
                    await process.wait()
            except TimeoutError:
                process.kill()
        await process.wait()


@asynccontextmanager
async def running_daemon(
    job: Path, rig: Path, folder: Path
) -> AsyncIterator[tuple[asyncio.subprocess.Process, ServiceNote, Path]]:
    """`livealign run`: the process, the note and its file."""
    path, words = folder / "note.json", folder / "words.txt"
    with words.open("wb") as f:
        async with started(
            sys.executable, "-m", "livealign", "run", "--job", str(job), "--rig", str(rig),
            "--bind", "127.0.0.1:0", "--note", str(path),
            stdout=asyncio.subprocess.PIPE, stderr=f,
        ) as process:  # fmt: skip
            try:
                await _line(process)
                yield process, read_note(path), path
                ended = process.returncode is not None
            except Exception as e:
                raise RuntimeError(f"the service said: {words.read_text()}") from e
            if ended:
                raise RuntimeError(f"the service has ended early: {words.read_text()}")


@asynccontextmanager
async def running_echo(*ports: str) -> AsyncIterator[tuple[asyncio.subprocess.Process, str]]:
    """The plain reference: the process and the URL of its stream."""
    pipe = asyncio.subprocess.PIPE
    async with started(sys.executable, str(HERE / "echo.py"), *ports, stdout=pipe) as process:
        yield process, f"ws://127.0.0.1:{int(await _line(process))}"


class Simulator:
    """`livealign simulate --control`."""

    def __init__(self, process: asyncio.subprocess.Process, told: dict[str, Any]) -> None:
        self._process = process
        self.job = Path(told["job"])
        self.rig = Path(told["rig"])
        self.ports = [str(address["port"]) for address in told["links"].values()]

    async def do(self, name: str, **args: Any) -> None:
        if self._process.stdin is None:
            raise RuntimeError("the simulator has no standard input")
        self._process.stdin.write(json.dumps({"do": name, **args}).encode() + b"\n")
        answer = json.loads(await _line(self._process, 120.0))
        if "error" in answer:
            raise RuntimeError(answer["error"])


@asynccontextmanager
async def running_simulator() -> AsyncIterator[Simulator]:
    pipe = asyncio.subprocess.PIPE
    async with started(
        sys.executable, "-m", "livealign", "simulate", "--control", stdin=pipe, stdout=pipe
    ) as process:
        yield Simulator(process, json.loads(await _line(process)))
        if process.stdin is not None:
            process.stdin.close()
            with suppress(TimeoutError):
                async with asyncio.timeout(5):
                    await process.wait()


async def _line(process: asyncio.subprocess.Process, patience_s: float = STARTS_S) -> bytes:
    if process.stdout is None:
        raise RuntimeError("the standard output is not read")
    async with asyncio.timeout(patience_s):
        line = await process.stdout.readline()
    if not line:
        raise RuntimeError("a program has ended at its start")
    return line

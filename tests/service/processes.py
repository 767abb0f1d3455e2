"""`livealign` as a process of its own."""

import asyncio
import os
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

from livealign.paths import ServiceNote, read_note


def environment() -> dict[str, str]:
    """What a child needs to find the same code that this test runs."""
    return {**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p), "NO_COLOR": "1"}


@dataclass
class Process:
    process: asyncio.subprocess.Process
    note_path: Path
    out: str = ""
    err: str = ""
    _reading: list[asyncio.Task[None]] = field(default_factory=list)

    @property
    def note(self) -> ServiceNote:
        return read_note(self.note_path)

    async def ended(self) -> int:
        async with asyncio.timeout(30):
            await asyncio.gather(*self._reading)
            return await self.process.wait()

    async def _read(self, name: str) -> None:
        stream = getattr(self.process, "stdout" if name == "out" else "stderr")
        async for line in stream:
            setattr(self, name, getattr(self, name) + line.decode())


@asynccontextmanager
async def running(folder: Path, *arguments: str) -> AsyncIterator[Process]:
    """`livealign run` with a note in this folder; waits until it serves or has ended."""
    note_path = folder / "note.json"
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "livealign", "run", "--note", str(note_path), *arguments,
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE, env=environment(),
    )  # fmt: skip
    child = Process(process, note_path)
    child._reading = [asyncio.create_task(child._read("out")), asyncio.create_task(child._read("err"))]
    try:
        async with asyncio.timeout(30):
            while "Serving at" not in child.out and process.returncode is None:  # noqa: ASYNC110
                await asyncio.sleep(0.02)
        yield child
    finally:
        if process.returncode is None:
            process.kill()
        await child.ended()
        process._transport.close()  # type: ignore[attr-defined]

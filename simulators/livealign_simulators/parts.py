"""The processes a demonstration is made of; whatever happens, none outlives it."""

import asyncio
import contextlib
import json
import os
import sys
from collections import deque
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any, Self

from livealign.errors import PersonError
from livealign.paths import ServiceNote, read_note

__all__ = ["Part", "PartEndedError", "Simulator", "running_service", "running_simulator"]

_LAST_WORDS = 12
_LONGEST_ANSWER = 1 << 20
_START_S = 30.0
_STOP_S = 5.0


class PartEndedError(PersonError):
    """A process of the demonstration has ended when it should not have."""


class Part:
    """A `livealign` command as a process of its own."""

    def __init__(self, name: str, process: asyncio.subprocess.Process) -> None:
        """Begin to listen to what the process says on standard error."""
        self.name = name
        self.process = process
        self._words: deque[str] = deque(maxlen=_LAST_WORDS)
        self._listener = asyncio.create_task(self._listen(), name=f"words of the {name}")

    @classmethod
    async def start(cls, name: str, folder: Path, *arguments: str) -> Self:
        """Start the command with a folder for its temporary files; its standard input and output are pipes."""
        # A process group of its own: Ctrl-C at the terminal is for us, who then stop the parts in order.
        alone: dict[str, Any] = {"process_group": 0} if os.name == "posix" else {}
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "livealign", *arguments),
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
            limit=_LONGEST_ANSWER,
            env={**os.environ, "TMPDIR": str(folder)},
            **alone,
        )
        return cls(name, process)

    async def said_something(self) -> None:
        """Wait for the first line on standard output: the service is ready then.

        Raises:
            PersonError: if it ends instead, or takes too long.
        """
        try:
            async with asyncio.timeout(_START_S):
                await self.line()
        except TimeoutError:
            raise PersonError(f"the {self.name} does not start within {_START_S:.0f} s") from None

    async def line(self) -> bytes:
        """Return the next line on standard output.

        Raises:
            PartEndedError: if none will come.
        """
        line = b"" if self.process.stdout is None else await self.process.stdout.readline()
        if not line:
            raise await self.ended()
        return line

    async def ended(self) -> PartEndedError:
        """Wait until the process ends; return that as an error with its last words."""
        code = await self.process.wait()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(1):
                await asyncio.shield(self._listener)
        said = "\n  ".join(self._words) or "It said nothing."
        return PartEndedError(
            f"the {self.name} has ended (exit code {code})", advice=f"Its last words:\n  {said}"
        )

    async def stop(self) -> None:
        """End the process: politely, then by force."""
        if self.process.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                self.process.terminate()
            try:
                async with asyncio.timeout(_STOP_S):
                    await self.process.wait()
            except TimeoutError:
                with contextlib.suppress(ProcessLookupError):
                    self.process.kill()
                await self.process.wait()
        self._listener.cancel()
        await asyncio.gather(self._listener, return_exceptions=True)

    async def _listen(self) -> None:
        if self.process.stderr is not None:
            async for line in self.process.stderr:
                self._words.append(line.decode(errors="replace").rstrip())


class Simulator(Part):
    """A simulated rig and its mechanic."""

    job: Path
    rig: Path
    practice: str | None
    """The address of the practice stand, if there is one."""

    async def introduce(self) -> None:
        """Wait for the first line, which says where the files are."""
        first = await self._answer()
        self.job, self.rig = Path(first["job"]), Path(first["rig"])
        self.practice = first.get("control", {}).get("page")

    async def do(self, action: str, **details: Any) -> dict[str, Any]:
        """Have the mechanic do something; return the answer when it is done.

        Raises:
            PersonError: if it cannot be done, or the simulator has ended.
        """
        if self.process.stdin is None:
            raise RuntimeError("the simulator was started without an input")
        self.process.stdin.write(json.dumps({"do": action, **details}).encode() + b"\n")
        with contextlib.suppress(ConnectionError):  # the missing answer tells
            await self.process.stdin.drain()
        answer = await self._answer()
        if "error" in answer:
            raise PersonError(answer["error"], where="simulator", advice=answer["advice"])
        return answer

    async def _answer(self) -> dict[str, Any]:
        answer: dict[str, Any] = json.loads(await self.line())
        return answer


@contextlib.asynccontextmanager
async def running_simulator(
    kind: str, seed: int, folder: Path, *, practice: bool = False
) -> AsyncIterator[Simulator]:
    """Start the simulated rig under control, also as a practice stand if so asked, and stop it at the end."""
    how = ("--control", "--as", kind, "--seed", str(seed), *(("--control-http",) if practice else ()))
    part = await Simulator.start("simulator", folder, "simulate", *how)
    try:
        await part.introduce()
        yield part
    finally:
        await part.stop()


@contextlib.asynccontextmanager
async def running_service(
    job: Path, rig: Path, folder: Path, record: Path | None
) -> AsyncIterator[tuple[Part, ServiceNote]]:
    """Start the service on a free port, wait until it can be reached, and stop it at the end.

    Raises:
        PersonError: if it ends instead, or takes too long.
    """
    note = folder / "service.json"
    where = ("--job", str(job), "--rig", str(rig), "--bind", "127.0.0.1:0", "--note", str(note))
    part = await Part.start("service", folder, "run", *where, *(("--record", str(record)) if record else ()))
    try:
        await part.said_something()
        yield part, read_note(note)
    finally:
        await part.stop()

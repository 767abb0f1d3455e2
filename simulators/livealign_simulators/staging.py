"""A scenario on real ports and in real time: waits for the service that reads them, plays, and says what came of it."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from livealign.client import Client
from livealign.snapshot import Snapshot
from livealign_simulators.acting import Actor, Program, scenario_scene
from livealign_simulators.attaching import Attachment
from livealign_simulators.bench import Bench
from livealign_simulators.conclusion import Seen, unmet
from livealign_simulators.port_kinds import Means
from livealign_simulators.rigfile import write_job, write_rig
from livealign_simulators.scenario import Scenario

__all__ = ["play_live"]

_POLL_S = 0.1
_EXPANDED = 3.0
"""In real time the noise is another each time: at twice u one figure in twenty would be called wrong."""
_KEYS = {
    "begin_rotation": "begin a rotation",
    "end_rotation": "end the rotation",
    "adjust": "choose the plane",
    "hold": "hold the readings, or release them",
}


async def play_live(
    scenario: Scenario,
    made_of: Means,
    note: Path,
    *,
    rate_hz: float | None,
    practice: bool,
    tell: Callable[[dict[str, Any]], None],
    say: Callable[[str], None],
) -> list[str]:
    """Play a scenario once; return what the program did not conclude although it should.

    Args:
        scenario: to play.
        made_of: what the heads appear as.
        note: where the service will say where it is.
        rate_hz: records a second; None: as the scenario says.
        practice: the person presses the keys of the program, and is waited for.
        tell: is given the first line, the ports and the files.
        say: is given what happens, line by line.

    Raises:
        PersonError: if something cannot be done, or the service is lost.
    """
    async with Bench(scenario_scene(scenario), made_of, rate_hz or scenario.file.rate_hz) as bench:
        job, rig = bench.folder / "job.toml", bench.folder / "rig.toml"
        write_job(scenario.job, job)
        write_rig(scenario.rig, bench.addresses, rig)
        tell({"links": bench.addresses, "job": str(job), "rig": str(rig)})
        say(f"{scenario.file.name}\n{scenario.file.lesson.strip()}")
        say(f"Waiting for: livealign run --job {job} --rig {rig} --note {note}")
        attachment = Attachment(note, bench.addresses, "scenario")
        try:
            client = await attachment.ready(None)
            async with _watched(client) as seen:
                program: Program = _Practice(client, say) if practice else client
                actor = Actor(bench, program, say)
                await actor.play(scenario)
                seen.take(await client.snapshot())
        finally:
            await attachment.close()
        return unmet(scenario.file.conclusion, seen, actor.truth, _EXPANDED)


@asynccontextmanager
async def _watched(client: Client) -> AsyncIterator[Seen]:
    """Keep what the program says meanwhile."""
    seen = Seen()

    async def watch() -> None:
        async for snapshot in client.stream():
            seen.take(snapshot)

    watching = asyncio.create_task(watch(), name="what the program says")
    try:
        yield seen
    finally:
        watching.cancel()
        await asyncio.gather(watching, return_exceptions=True)


class _Practice:
    """The program in the hands of a person, who is told what to press and waited for."""

    def __init__(self, client: Client, say: Callable[[str], None]) -> None:
        self._client = client
        self._say = say

    async def command(self, name: str, **args: Any) -> None:
        if name not in _KEYS:
            return
        self._say(f"Now: {_KEYS[name]}{'' if 'plane' not in args else ' ' + args['plane']}.")
        while not _obeyed(await self._client.snapshot(), name, args):  # noqa: ASYNC110 - another process
            await asyncio.sleep(_POLL_S)

    async def snapshot(self) -> Snapshot:
        return await self._client.snapshot()


def _obeyed(s: Snapshot, name: str, args: dict[str, Any]) -> bool:
    match name:
        case "begin_rotation":
            return s.phase == "rotation"
        case "end_rotation":
            return s.phase == "findings"
        case "adjust":
            return s.phase == "adjust" and s.plane == args["plane"]
        case _:
            return bool(s.hold == args["on"])

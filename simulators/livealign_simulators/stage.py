"""A demonstration's parts on their places: simulated rig, service, client."""

import asyncio
import contextlib
import tempfile
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from pathlib import Path

from livealign.client import Client
from livealign.paths import ServiceNote
from livealign_simulators.operator import Outcome, Pace, operate
from livealign_simulators.parts import Part, PartEndedError, Simulator, running_service, running_simulator

__all__ = ["Stage", "set_up"]

_BLAME_S = 1.0


@dataclass(frozen=True, slots=True)
class Stage:
    """Everything runs and waits for the operator."""

    simulator: Simulator
    service: Part
    client: Client
    note: ServiceNote

    async def watch(self) -> None:
        """Wait until a part ends, which it should not.

        Raises:
            PartEndedError: with the part's last words.
        """
        ends = [asyncio.create_task(part.ended()) for part in (self.simulator, self.service)]
        try:
            done, _ = await asyncio.wait(ends, return_when=asyncio.FIRST_COMPLETED)
            raise done.pop().result()
        finally:
            for task in ends:
                task.cancel()
            await asyncio.gather(*ends, return_exceptions=True)

    async def play(self, pace: Pace, say: Callable[[str], None]) -> Outcome:
        """Have the operator do the whole job.

        Raises:
            PartEndedError: if a part has ended meanwhile, with its last words.
            PersonError: if the operator cannot go on.
        """
        operator = asyncio.create_task(operate(self.client, self.simulator, pace, say))
        ends = [asyncio.create_task(part.ended()) for part in (self.simulator, self.service)]
        try:
            return await _first_of(operator, ends)
        finally:
            for task in (operator, *ends):
                task.cancel()
            await asyncio.gather(operator, *ends, return_exceptions=True)


@contextlib.asynccontextmanager
async def set_up(
    kind: str, seed: int, record: Path | None, *, practice: bool = False
) -> AsyncIterator[Stage]:
    """Start the parts; at the end, however it comes, stop them.

    Args:
        kind: what the heads appear as, `serial` or `tcp`.
        seed: of the machine.
        record: folder for a recording, or none.
        practice: the simulated machine takes orders from a page and from the dashboard too.

    Raises:
        PersonError: if a part does not start.
    """
    with tempfile.TemporaryDirectory(prefix="livealign-") as name:
        folder = Path(name)
        async with (
            running_simulator(kind, seed, folder, practice=practice) as simulator,
            running_service(simulator.job, simulator.rig, folder, record) as (service, note),
            Client(note.url, note.token) as client,
        ):
            yield Stage(simulator, service, client, note)


async def _first_of(operator: "asyncio.Task[Outcome]", ends: "list[asyncio.Task[PartEndedError]]") -> Outcome:
    """Return the outcome, or raise what went wrong: a part that ended is the cause of what the operator met."""
    await asyncio.wait([operator, *ends], return_when=asyncio.FIRST_COMPLETED)
    if operator.done() and operator.exception() is None:
        return operator.result()
    await asyncio.wait(ends, timeout=_BLAME_S, return_when=asyncio.FIRST_COMPLETED)
    for end in ends:
        if end.done():
            raise end.result()
    return operator.result()

"""Scenarios played in process, as fast as the processor: the session is fed by the simulated links themselves."""

import asyncio
from dataclasses import dataclass
from typing import Any

from livealign.errors import PersonError
from livealign.session.engine import Session
from livealign.session.events import Command, Event, Tick
from livealign.snapshot import Pose, Snapshot
from livealign_simulators.acting import Actor, scenario_scene
from livealign_simulators.conclusion import Seen
from livealign_simulators.scenario import Scenario
from livealign_simulators.virtual_bench import VirtualBench

SNAPSHOTS_PER_S = 3.0
BEAT_S = 0.25


@dataclass(frozen=True)
class Played:
    """What came of it."""

    events: list[Event]
    snapshots: list[Snapshot]
    truth: dict[str, Pose]
    seen: Seen
    said: list[str]


class InProcess:
    """A session that is fed directly, and keeps what it was fed with."""

    def __init__(self, scenario: Scenario) -> None:
        self.events: list[Event] = []
        self.snapshots: list[Snapshot] = []
        self._session = Session(scenario.job, scenario.rig, snapshots_per_s=SNAPSHOTS_PER_S)
        self.bench = VirtualBench(
            scenario_scene(scenario),
            scenario.file.rate_hz,
            self.feed,
            lambda ns: self.feed(Tick(ns)),
            beat_s=BEAT_S,
        )

    def feed(self, event: Event) -> None:
        self.events.append(event)
        if (snapshot := self._session.feed(event)) is not None:
            self.snapshots.append(snapshot)

    async def command(self, name: str, **args: Any) -> None:
        command = Command(name, self.bench.now_ns(), **args)  # type: ignore[arg-type]
        if (objection := self._session.objection(command)) is not None:
            raise PersonError(objection)
        self.feed(command)

    async def snapshot(self) -> Snapshot:
        return self.snapshots[-1]


def play(scenario: Scenario) -> Played:
    """Play a scenario to its end."""
    program = InProcess(scenario)
    said: list[str] = []
    actor = Actor(program.bench, program, said.append)
    asyncio.run(actor.play(scenario))
    seen = Seen()
    for snapshot in program.snapshots:
        seen.take(snapshot)
    return Played(program.events, program.snapshots, actor.truth, seen, said)

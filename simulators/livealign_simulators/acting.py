"""Plays a scenario: the mechanic does what is written, and what the program says where that is asked for."""

from collections.abc import Callable
from typing import Any, Protocol

from livealign.snapshot import Pose, Snapshot
from livealign_simulators.actions import perform
from livealign_simulators.faults import disturbances, true_rig
from livealign_simulators.moves import GOOD_ENOUGH_MM, Tool, moves, worst_mm
from livealign_simulators.scenario import Follow, LookForSoftFeet, Press, Rotate, Scenario, Step, Until
from livealign_simulators.scene import Scene, build_scene
from livealign_simulators.workbench import Workbench

__all__ = ["Actor", "Program", "scenario_scene"]

_LOOK_S = 0.2
_NOTICED_S = 0.7
_REST_S = 0.5
_READY_S = 20.0
_MEAN_S = 1.0
_COMMANDS = {"begin rotation": "begin_rotation", "end rotation": "end_rotation"}


class Program(Protocol):
    """The program that reads the rig."""

    async def command(self, name: str, **args: Any) -> None:
        """Press a key of it; PersonError if it refuses."""
        ...

    async def snapshot(self) -> Snapshot:
        """Return what it says now."""
        ...


def scenario_scene(scenario: Scenario) -> Scene:
    """Set up the machine and the rig of a scenario, as they truly are.

    Raises:
        PersonError: if the parts of the scenario do not go together.
    """
    file = scenario.file
    rig = true_rig(scenario.rig, file.faults)
    wrong = disturbances(file.faults, scenario.job, rig, file.seed)
    start = None if file.start is None else file.start.line()
    return build_scene(scenario.job, rig, file.seed, file.starts_at_deg, wrong, start=start)


class Actor:
    """The mechanic and the person in one; goes through a timeline once."""

    def __init__(self, bench: Workbench, program: Program, say: Callable[[str], None]) -> None:
        """Take the bench, the program, and where to tell what happens."""
        self.truth: dict[str, Pose] = {}
        """The true pose, averaged over the last second of the rotations "as found" and "as left"."""
        self._bench = bench
        self._program = program
        self._say = say
        self._adjusted = False

    async def play(self, scenario: Scenario) -> None:
        """Wait until the heads are read, then do everything.

        Raises:
            PersonError: if the program refuses, or something cannot be done.
        """
        await self._until(lambda s: all(x.counters.records > 0 for x in s.links), _READY_S)
        for step in scenario.file.timeline:
            await self._do(step)

    async def _do(self, step: Step) -> None:
        match step:
            case Rotate():
                await self._press(Press(do="begin rotation"))
                self._say(f"Turning both shafts to {step.to_deg:g} deg.")
                done_s = self._bench.scene.mechanic.turn(step.to_deg, step.deg_per_s, self._bench.now())
                await self._bench.wait_until(done_s + _REST_S)
                await self._press(Press(do="end rotation"))
            case Press():
                await self._press(step)
            case LookForSoftFeet():
                args = step.model_dump(exclude={"do"}, exclude_none=True)
                self._say(f"Told the program: soft foot, {' '.join(args.values())}.")
                await self._program.command("soft_foot", **args)
            case Follow():
                await self._follow(step)
            case Until():
                said = await self._until(
                    lambda s: step.says in {s.machine_state, s.verdict.state}, step.at_most_s
                )
                self._say(f"The program {'says' if said else 'does not say'}: {step.says}.")
            case _:
                details = step.model_dump(exclude={"do"}, exclude_defaults=True)
                told = ", ".join(f"{key} {value}" for key, value in details.items())
                self._say(f"{step.do.capitalize()}{': ' if told else ''}{told}.")
                await perform(self._bench, step)

    async def _press(self, step: Press) -> None:
        args: dict[str, Any] = {}
        if step.do == "adjust":
            args["plane"] = step.plane or "vertical"
            self._adjusted = True
        elif step.do == "hold":
            args["on"] = step.on
        elif step.do == "note":
            args["text"] = step.text
        self._say(f"Told the program: {step.do}{f' {step.plane}' if step.plane else ''}.")
        if step.do == "end rotation":
            when = "as left" if self._adjusted else "as found"
            self.truth[when] = self._bench.scene.tell(self._bench.now(), over_s=_MEAN_S)[0]
        await self._program.command(_COMMANDS.get(step.do, step.do), **args)

    async def _follow(self, step: Follow) -> None:
        for _ in range(step.rounds):
            snapshot = await self._program.snapshot()
            if worst_mm(snapshot.feet, snapshot.plane) <= GOOD_ENOUGH_MM:
                return
            for tool, foot, amount in moves(snapshot.feet, snapshot.plane):
                self._say(f"{foot.name.capitalize()}: {tool} {amount:+.2f} mm.")
                await self._use(tool, foot.name, amount)
            await self._bench.wait_until(self._bench.now() + _NOTICED_S)
            await self._until(lambda s: s.machine_state == "settled", step.settle_s)

    async def _use(self, tool: Tool, foot: str, mm: float) -> None:
        bench = self._bench
        use = bench.scene.mechanic.shim if tool == "shim" else bench.scene.mechanic.shift
        await bench.wait_until(use(foot, mm, bench.now()))

    async def _until(self, wanted: Callable[[Snapshot], bool], most_s: float) -> bool:
        until_s = self._bench.now() + most_s
        while not wanted(await self._program.snapshot()):
            if self._bench.now() > until_s:
                return False
            await self._bench.wait_until(self._bench.now() + _LOOK_S)
        return True

"""A person with the program in hand, as a script: reads what it says, and has the mechanic do that."""

import asyncio
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any

from livealign.client import Client
from livealign.errors import PersonError
from livealign.snapshot import Finding, Foot, Plane, Snapshot
from livealign_simulators.moves import GOOD_ENOUGH_MM, moves, worst_mm
from livealign_simulators.parts import Simulator

__all__ = ["LEISURELY", "QUICK", "Outcome", "Pace", "operate"]

_LINKS_S = 20.0
_POLL_S = 0.1
_NOTICED_S = 0.7


@dataclass(frozen=True, slots=True)
class Pace:
    """How much time the person takes."""

    sweep_deg_per_s: float
    turn_deg_per_s: float
    look_s: float
    """To read what has been found before going on."""
    settle_s: float
    """Longest wait for the machine to settle."""


QUICK = Pace(sweep_deg_per_s=45.0, turn_deg_per_s=60.0, look_s=0.3, settle_s=7.0)
LEISURELY = Pace(sweep_deg_per_s=20.0, turn_deg_per_s=20.0, look_s=6.0, settle_s=20.0)


@dataclass(frozen=True, slots=True)
class Outcome:
    """The truth and what the program made of it, before and after."""

    truth_start: dict[str, Any]
    truth_end: dict[str, Any]
    estimate_start: dict[str, Any]
    estimate_end: dict[str, Any]
    verdict: str

    def as_json(self) -> dict[str, Any]:
        """Return it under the keys of the demo's JSON output."""
        return {
            "truth": {"start": self.truth_start, "end": self.truth_end},
            "estimate": {"start": self.estimate_start, "end": self.estimate_end},
            "verdict": self.verdict,
        }


async def operate(client: Client, mechanic: Simulator, pace: Pace, say: Callable[[str], None]) -> Outcome:
    """Do a whole job: as found, up and down, sideways, as left.

    Raises:
        PersonError: if the program refuses or says nothing that can be followed.
    """
    return await _Operator(client, mechanic, pace, say).whole_job()


class _Operator:
    def __init__(self, client: Client, mechanic: Simulator, pace: Pace, say: Callable[[str], None]) -> None:
        self._client = client
        self._mechanic = mechanic
        self._pace = pace
        self._say = say

    async def whole_job(self) -> Outcome:
        await self._until_links_are_open()
        truth_start = await self._mechanic.do("truth")
        await self._sweep(to_deg=360)
        found = _required((await self._client.snapshot()).as_found, "as found")
        self._tell("As found", found)
        await asyncio.sleep(self._pace.look_s)
        await self._adjust("vertical")
        self._say("Turning the shafts to 3 o'clock.")
        await self._mechanic.do("turn", to_deg=450, deg_per_s=self._pace.turn_deg_per_s)
        await self._adjust("horizontal")
        await self._sweep(to_deg=180)
        left = _required((await self._client.snapshot()).as_left, "as left")
        self._tell("As left", left)
        truth_end = await self._mechanic.do("truth")
        return Outcome(truth_start, truth_end, _plain(found), _plain(left), left.verdict.state)

    async def _until_links_are_open(self) -> None:
        self._say("Waiting for both heads.")

        def ready(s: Snapshot) -> bool:
            return bool(s.links) and all(x.state == "open" for x in s.links) and all(_alive(s))

        snapshot = await self._until(ready, _LINKS_S)
        if not ready(snapshot):
            states = ", ".join(f"{x.name} {x.state} {x.detail}".strip() for x in snapshot.links)
            raise PersonError("the heads do not send", where="service", advice=f"Links: {states}.")

    async def _sweep(self, to_deg: float) -> None:
        await self._client.command("begin_rotation")
        self._say("Rotation: turning both shafts by 270 deg.")
        await self._mechanic.do("turn", to_deg=to_deg, deg_per_s=self._pace.sweep_deg_per_s)
        await self._client.command("end_rotation")

    async def _adjust(self, plane: Plane) -> None:
        await self._client.command("adjust", plane=plane)
        before = await self._client.snapshot()
        await self._move_feet(plane, before.feet)
        after = await self._settled()
        worst = worst_mm(after.feet, plane)
        if worst > GOOD_ENOUGH_MM:
            self._say(f"Still {worst:.3f} mm to go: once more.")
            await self._move_feet(plane, after.feet)
            after = await self._settled()
        left = "; ".join(f"{f.name}: {_words(f, plane)}" for f in after.feet)
        self._say(f"Machine {after.machine_state}. {left}.")
        await asyncio.sleep(self._pace.look_s)

    async def _move_feet(self, plane: Plane, feet: tuple[Foot, ...]) -> None:
        for tool, foot, amount in moves(feet, plane):
            self._say(f"{foot.name.capitalize()}: {_done(plane, amount)}.")
            await self._mechanic.do(tool, foot=foot.name, mm=amount)

    async def _settled(self) -> Snapshot:
        await asyncio.sleep(_NOTICED_S)
        return await self._until(lambda s: s.machine_state == "settled", self._pace.settle_s)

    async def _until(self, wanted: Callable[[Snapshot], bool], most_s: float) -> Snapshot:
        """Return the first snapshot that is as wanted, or the last one when the time is over."""
        until = time.monotonic() + most_s
        while True:
            snapshot = await self._client.snapshot()
            if wanted(snapshot) or time.monotonic() > until:
                return snapshot
            await asyncio.sleep(_POLL_S)

    def _tell(self, when: str, finding: Finding) -> None:
        up, aside = finding.pose.vertical, finding.pose.horizontal
        self._say(
            f"{when}: {finding.verdict.state}; offset {_number(up.offset_mm)} mm up, {_number(aside.offset_mm)} mm "
            f"toward 3 o'clock; slope {_number(up.slope_mm_per_m)} and {_number(aside.slope_mm_per_m)} mm/m."
        )
        for foot in finding.feet:
            self._say(f"  {foot.name}: {foot.vertical_words}; {foot.horizontal_words}.")


def _alive(snapshot: Snapshot) -> list[bool]:
    return [c.value is not None for c in snapshot.channels] or [False]


def _required(finding: Finding | None, name: str) -> Finding:
    if finding is None:
        raise PersonError(f"the rotation gave no finding {name}", where="service")
    return finding


def _plain(finding: Finding) -> dict[str, Any]:
    return {"pose": asdict(finding.pose), "feet": [asdict(f) for f in finding.feet]}


def _words(foot: Foot, plane: Plane) -> str:
    return foot.vertical_words if plane == "vertical" else foot.horizontal_words


def _done(plane: Plane, amount_mm: float) -> str:
    if plane == "vertical":
        return f"{'added' if amount_mm > 0 else 'took out'} {abs(amount_mm):.2f} mm of shims"
    return f"pushed {abs(amount_mm):.2f} mm toward {3 if amount_mm > 0 else 9} o'clock"


def _number(value: float | None) -> str:
    return "?" if value is None else f"{value:+.3f}"

"""Keys that work at a simulated machine: the real stand answers them, in counted time."""

import json
import tomllib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest
from textual.pilot import Pilot

from livealign.config.job import Job
from livealign.config.rig import Rig
from livealign.errors import PersonError
from livealign.snapshot import Phase, Snapshot
from livealign_simulators.actions import read_action
from livealign_simulators.scene import build_scene
from livealign_simulators.stand import Stand
from livealign_simulators.stand_server import create_stand_app
from livealign_simulators.virtual_bench import VirtualBench
from livealign_tui.bars import KeyButton
from livealign_tui.main_screen import MainScreen
from livealign_tui.practice import PracticeScreen
from livealign_tui.stand_client import StandClient
from tests.tui.stage import Stage

EXAMPLES = Path(__file__).parents[2] / "docs" / "examples"
HOST = "http://127.0.0.1:8000"
PHASES: list[Phase] = ["ready", "rotation", "findings", "adjust"]


class Machine:
    """A simulated machine in the person's hands, and the dashboard beside it."""

    def __init__(self, stage: Stage) -> None:
        job = Job.model_validate(tomllib.loads((EXAMPLES / "job.toml").read_text(encoding="utf-8")))
        rig = Rig.model_validate(tomllib.loads((EXAMPLES / "rig.toml").read_text(encoding="utf-8")))
        self.bench = VirtualBench(build_scene(job, rig, 2), 20.0, lambda _: None, lambda _: None)
        self.stand = Stand(self.bench)
        self.app = create_stand_app(self.stand, token="t")
        self.gone = False
        self._stage = stage

    async def _answer(self, scope: Any, receive: Any, send: Any) -> None:
        if self.gone:
            raise httpx.ConnectError("nobody there")
        await self.app(scope, receive, send)

    @asynccontextmanager
    async def open(self, size: tuple[int, int] = (80, 24)) -> AsyncIterator[Pilot[None]]:
        client = StandClient(f"{HOST}/#t", transport=httpx.ASGITransport(self._answer))
        async with self._stage.open(size, screen=lambda ask, now: PracticeScreen(ask, now, client)) as pilot:
            await self._stage.until(lambda: "near feet, both" in self._stage.text())
            yield pilot

    async def do(self, **action: Any) -> None:
        await self.stand.act(read_action(json.dumps(action)))

    def state(self) -> dict[str, Any]:
        return self.stand.state()


@pytest.fixture
def machine(stage: Stage) -> Machine:
    return Machine(stage)


async def test_keys_turn_shim_push_loosen_and_unplug(machine: Machine, job: Snapshot, stage: Stage) -> None:
    async with machine.open() as pilot:
        await stage.show(job)
        await pilot.press("D", "D", "R", "A")
        await stage.until(lambda: machine.state()["goal_deg"] == 90 + 30 + 30 - 90)
        assert machine.state()["turning"]
        # One after the other: the second turn has not begun.
        await machine.bench.wait_until(1.4)
        assert machine.state()["angle_deg"] < 121
        await pilot.press("X")
        await stage.until(lambda: machine.state()["goal_deg"] < 125)
        await pilot.press("W")
        await stage.until(lambda: "near feet, both: shims +0.10" in stage.text())
        await pilot.press("F", "G", "+", "S", "less_than_sign")
        await stage.until(lambda: "far feet, left: shims -0.20, pushed -0.20 mm, tight" in stage.text())
        await pilot.press("B")
        await stage.until(lambda: "-0.20 mm, loose" in stage.text())
        await pilot.press("G", "G")
        await stage.until(lambda: "far feet, both: shims uneven" in stage.text())
        await pilot.press("B", "-", "-", "greater_than_sign")
        await stage.until(lambda: "pushed -0.15" in stage.text())
        near, far = machine.state()["feet"]
        assert near["shims_mm"] == {"left": 0.1, "right": 0.1}
        assert far["shims_mm"] == {"left": -0.2, "right": 0.0}
        assert far["bolts"] == {"left": "tight", "right": "tight"}
        for out in ([False, True], [True, True], [True, False]):
            await pilot.press("U")
            await stage.until(lambda out=out: [x["plugged"] for x in machine.state()["links"]] == out)
            await stage.until(lambda out=out: ("U out" in stage.text()) != all(out))


async def test_at_80_by_24_nothing_of_it_is_cut(machine: Machine, job: Snapshot, stage: Stage) -> None:
    async with machine.open() as pilot:
        await pilot.press("D", "G", "G", "G", "F", "W")
        await machine.do(do="loosen", foot="far feet", side="right", wait=False)
        await machine.do(do="shim", foot="far feet", side="left", mm=-1.25, wait=False)
        await stage.until(lambda: "uneven" in stage.text())
        for phase in PHASES:
            await stage.show(replace(job, phase=phase))
            rows = stage.text().splitlines()
            assert rows[20].startswith(" SIMULATION  ")
            assert rows[20].endswith(", 1 loose")
            assert rows[21].startswith(" A -30 D +30 W +0.10 S -0.10 < push > push")
            assert rows[21].endswith("T truth")
            assert "end rotation" in rows[22] or "begin rotation" in rows[22]
            assert rows[23].endswith("q quit")
            buttons = pilot.app.screen.query("#practice-keys KeyButton").results(KeyButton)
            assert all(button.region.right <= 80 for button in buttons)
        # The words about what to do next stand above the panel, whole.
        assert any(row.startswith(" Next: near feet: remove 0.24 mm") for row in rows[:20])
        await pilot.click("#hand-add")
        await stage.until(lambda: machine.state()["feet"][1]["shims_mm"]["right"] == 0.2)


async def test_the_truth_is_hidden_until_it_is_asked_for(
    machine: Machine, job: Snapshot, stage: Stage
) -> None:
    pose, _ = machine.bench.scene.tell(0.0)
    assert pose.vertical.offset_mm is not None
    near = replace(job.pose.vertical, offset_mm=pose.vertical.offset_mm + 0.005, offset_u_mm=0.003)
    seen = replace(job, pose=replace(job.pose, vertical=near))
    async with machine.open() as pilot:
        await stage.show(seen)
        assert f"{pose.vertical.offset_mm:+.3f}" not in stage.text()
        await pilot.press("T")
        await stage.until(lambda: "as it truly lies" in stage.text())
        rows = stage.text().splitlines()
        (offset,) = [row for row in rows if "offset up and down" in row]
        assert offset.split("│")[1].split()[-4:] == [
            f"{pose.vertical.offset_mm:+.3f}",
            f"{pose.vertical.offset_mm + 0.005:+.3f}",
            "0.006",
            "within",
        ]
        assert sum("not within" in row for row in rows) == 7  # the job's other numbers are of another machine
        await pilot.press("escape")
        await stage.until(lambda: "as it truly lies" not in stage.text())


async def test_what_the_stand_refuses_or_does_not_answer_is_said(
    machine: Machine, job: Snapshot, stage: Stage
) -> None:
    async with machine.open() as pilot:
        await stage.show(job)
        await machine.do(do="turn", by_deg=1200, wait=False)
        await pilot.press("D")
        await stage.until(lambda: "still being turned" in stage.text())
        pilot.app.clear_notifications()
        machine.gone = True
        await stage.until(lambda: "the practice stand does not answer" in stage.text())
        await pilot.press("B", "U", "F")
        machine.gone = False
        await stage.until(lambda: "near feet, both" in stage.text())


async def test_help_lists_the_keys_and_none_is_one_of_the_dashboards(machine: Machine, stage: Stage) -> None:
    async with machine.open((80, 60)) as pilot:
        await pilot.press("question_mark")
        await pilot.pause()
        text = stage.text()
    shown = {"less_than_sign": "<", "greater_than_sign": ">", "plus": "+", "minus": "-"}
    own = {binding.key for binding in PracticeScreen.__dict__["BINDINGS"]}
    # In the help two keys stand side by side, or one is named among the words.
    assert all(f" {shown.get(key, key)}" in text for key in own)
    assert "begin a rotation, or end it" in text
    proper = {key for b in MainScreen.__dict__["BINDINGS"] for key in b.key.split(",")}
    assert not own & proper
    assert all(binding.id for binding in PracticeScreen.__dict__["BINDINGS"])


@pytest.mark.parametrize("address", ["over there", "http://127.0.0.1:8000", "http:///#t"])
def test_an_address_without_its_token_is_refused(address: str) -> None:
    with pytest.raises(PersonError, match="not the address of a practice stand"):
        StandClient(address)

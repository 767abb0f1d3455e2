"""How the pages look at 80 x 24; `pytest tests/tui --snapshot-update` keeps a new look once a person has seen it."""

from collections.abc import Callable
from dataclasses import replace

import pytest
from textual.pilot import Pilot

from livealign.snapshot import Phase, PlanePose, Snapshot
from livealign_tui.app import Arrived, Dashboard
from tests.tui.stage import NOON


def settling(job: Snapshot) -> list[Snapshot]:
    """A minute in which the machine is lowered and settles."""
    made = []
    for i in range(120):
        low = 0.342 if i < 60 else max(0.092, 0.342 - 0.05 * (i - 60))
        u = 0.006 if i < 60 else 0.03 / (1 + max(0, i - 65)) + 0.006
        pose = replace(job.pose, vertical=PlanePose(low, u, -0.31, 0.024))
        made.append(replace(job, phase="adjust", sequence=i, time_s=40 + i / 2, pose=pose))
    return made


@pytest.mark.parametrize("phase", ["ready", "rotation", "findings", "adjust"])
def test_page(phase: Phase, job: Snapshot, snap_compare: Callable[..., bool]) -> None:
    shown = settling(job) if phase == "adjust" else [replace(job, phase=phase)]

    async def play(pilot: Pilot[None]) -> None:
        dashboard = pilot.app
        assert isinstance(dashboard, Dashboard)
        for snapshot in shown[:-1]:
            dashboard._main._history.add(snapshot)
        dashboard.post_message(Arrived(shown[-1]))
        await pilot.pause()
        await pilot.pause()

    assert snap_compare(Dashboard(None, now=lambda: NOON), terminal_size=(80, 24), run_before=play)

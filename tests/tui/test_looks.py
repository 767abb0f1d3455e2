"""How the pages look at 80 x 24; `pytest tests/tui --snapshot-update` keeps a new look once a person has seen it."""

from collections.abc import Callable
from dataclasses import replace

import pytest
from textual.pilot import Pilot

from livealign.snapshot import Phase, Snapshot
from livealign_tui.app import Arrived, Dashboard
from tests.tui import picture
from tests.tui.jobs import disturbed, readied, settling
from tests.tui.stage import NOON

Compare = Callable[..., bool]


def look(compare: Compare, shown: list[Snapshot], *keys: str) -> bool:
    async def play(pilot: Pilot[None]) -> None:
        dashboard = pilot.app
        assert isinstance(dashboard, Dashboard)
        for snapshot in shown[:-1]:
            dashboard._main._history.add(snapshot)
        dashboard.post_message(Arrived(shown[-1]))
        await pilot.pause()
        await pilot.press(*keys)
        await pilot.pause()

    return compare(Dashboard(None, now=lambda: NOON), terminal_size=(80, 24), run_before=play)


@pytest.mark.parametrize("phase", ["ready", "rotation", "findings", "adjust"])
def test_page(phase: Phase, job: Snapshot, snap_compare: Compare) -> None:
    assert look(snap_compare, settling(job) if phase == "adjust" else [replace(job, phase=phase)])


@pytest.mark.parametrize("phase", ["rotation", "findings"])
def test_page_after_a_disturbed_turn(phase: Phase, job: Snapshot, snap_compare: Compare) -> None:
    assert look(snap_compare, [replace(disturbed(job), phase=phase)])


def test_budget(job: Snapshot, snap_compare: Compare) -> None:
    assert look(snap_compare, [replace(disturbed(job), phase="findings")], "b")


@pytest.mark.parametrize("view", ["checks", "f", "t"])
def test_readiness(view: str, job: Snapshot, snap_compare: Compare) -> None:
    assert look(snap_compare, [readied(job)], "3", "down", *({view} - {"checks"}))


async def test_the_picture_in_the_readme_is_the_dashboard_as_it_is_and_fetches_nothing() -> None:
    drawn = picture.PICTURE.read_text(encoding="utf-8")
    assert "url(http" not in drawn
    assert "@import" not in drawn
    assert drawn == await picture.draw(), "draw it again: python -m tests.tui.picture"

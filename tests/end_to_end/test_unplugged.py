"""A cable is pulled in the middle of the work and put back: the service says so, goes on, and is right."""

from pathlib import Path

import pytest

from end_to_end.workshop import (
    DEG_PER_S,
    assert_plane_true,
    assert_replays_the_same,
    assert_true,
    link,
    livealign,
    needs_ptys,
    uncertainties,
    workshop,
)
from livealign.snapshot import Snapshot, decode

pytestmark = [pytest.mark.real, needs_ptys]


def move_noticed(now: Snapshot, before: Snapshot) -> bool:
    """Does the first foot's move differ from before, or is it not known while the machine moves?"""
    mm = now.feet[0].vertical_mm
    return mm is None or abs(mm - before.feet[0].vertical_mm) > 0.1


async def test_pulled_in_the_middle_of_a_rotation(tmp_path: Path) -> None:
    async with workshop(tmp_path) as shop:
        undisturbed = await shop.rotation(to_deg=360)
        assert_true(undisturbed.pose, await shop.truth())

        await shop.client.command("begin_rotation")
        await shop.mechanic.do("turn", to_deg=-40, deg_per_s=DEG_PER_S, wait=False)
        await shop.until(lambda s: s.rotation.arc_deg > 60)
        await shop.mechanic.do("unplug", link="S")
        await shop.until_told("link S: lost, will be tried again: ")
        lost = await shop.until(lambda s: s.time_s - link(s, "S").since_s > 0.4)
        assert link(lost, "S").state == "lost"
        assert link(lost, "M").state == "open"
        assert lost.machine_state == "turning", "the other head tells it"
        assert any("S" in words for words in lost.advice)
        await shop.mechanic.do("replug", link="S")
        await shop.until_told("link S: back after ")
        await shop.turn(to_deg=-280)
        await shop.until(lambda s: s.machine_state != "turning")
        final = await shop.end_rotation()

        assert_true(final.pose, await shop.truth())
        for u, before in zip(uncertainties(final.pose), uncertainties(undisturbed.pose), strict=True):
            assert u < 1.3 * before
        assert [x.counters.reconnects for x in final.links] == [1, 0]
        assert [x.state for x in final.links] == ["open", "open"]
        path = await shop.end()
        was_lost, was_back = shop.told_of("S")
        assert was_lost.startswith("link S: lost, will be tried again: ")
        assert was_back.startswith("link S: back after ")
        assert shop.told_of("M") == []

    assert_replays_the_same(path)
    solved = decode(livealign("solve", path, "--json").stdout)
    assert (solved.pose, solved.feet, solved.as_found) == (final.pose, final.feet, final.as_found)
    assert solved.rotation == final.rotation


async def test_pulled_while_shims_go_in(tmp_path: Path) -> None:
    async with workshop(tmp_path) as shop:
        found = await shop.rotation(to_deg=360)
        await shop.client.command("adjust", plane="vertical")
        near, far = found.feet
        offset_mm = abs(found.pose.vertical.offset_mm)
        await shop.mechanic.do("shim", foot=near.name, mm=near.vertical_mm, wait=False)
        await shop.until(lambda s: move_noticed(s, found))
        await shop.mechanic.do("unplug", link="M")
        await shop.until_told("link M: lost, will be tried again: ")
        await shop.mechanic.do("shim", foot=far.name, mm=far.vertical_mm / 2)
        await shop.mechanic.do("replug", link="M")
        await shop.until_told("link M: back after ")
        await shop.mechanic.do("shim", foot=far.name, mm=far.vertical_mm / 2)
        settled = await shop.until(
            lambda s: s.machine_state == "settled" and abs(s.pose.vertical.offset_mm) < offset_mm / 5
        )
        truth = await shop.truth()
        assert_plane_true(settled.pose.vertical, truth["vertical"])
        assert_plane_true(settled.pose.horizontal, truth["horizontal"])
        assert [x.counters.reconnects for x in settled.links] == [0, 1]
        path = await shop.end()
        assert len(shop.told_of("M")) == 2

    assert_replays_the_same(path)

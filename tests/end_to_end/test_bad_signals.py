"""Garbage on the wire, a head in the dark, heads that say nothing: told, counted, and kept out of the result."""

import signal
from pathlib import Path

import pytest

from end_to_end.workshop import assert_replays_the_same, assert_true, link, needs_ptys, workshop
from livealign.snapshot import Snapshot

pytestmark = [pytest.mark.real, needs_ptys]
DARK = "head S position"


def flags(snapshot: Snapshot, channel: str) -> tuple[str, ...]:
    return next(c.flags for c in snapshot.channels if c.name == channel)


async def test_one_line_in_a_hundred_is_garbage(tmp_path: Path) -> None:
    async with workshop(tmp_path) as shop:
        before = await shop.client.snapshot()
        for name in ("S", "M"):
            await shop.mechanic.do("corrupt", link=name, fraction=0.01)
        final = await shop.rotation(to_deg=360)
        assert_true(final.pose, await shop.truth())
        assert [x.counters.bad for x in before.links] == [0, 0]
        bad = sum(x.counters.bad for x in final.links)
        records = sum(x.counters.records for x in final.links) - sum(x.counters.records for x in before.links)
        # 7 or 8 are to be expected of 700 to 800.
        assert 0.001 < bad / records < 0.03
        for x in final.links:
            assert x.state == "open"
            assert bool(x.last_bad) == bool(x.counters.bad)
        assert any("checksum" in x.last_bad for x in final.links)
        assert final.rotation.left_out <= 0.005 * final.rotation.readings
        assert max(abs(r.residual_mm) for r in final.rotation.residuals) < 0.02
        path = await shop.end()
    assert_replays_the_same(path)


async def test_a_head_in_the_dark_and_heads_that_say_nothing(tmp_path: Path) -> None:
    async with workshop(tmp_path) as shop:
        await shop.mechanic.do("dim", link="S", on=True)
        await shop.until(lambda s: "dim" in flags(s, DARK))
        one_eyed = await shop.rotation(to_deg=270)
        assert "dim" in flags(one_eyed, DARK)
        assert {r.detector for r in one_eyed.rotation.residuals} == {"head M position"}
        assert not one_eyed.rotation.observable
        assert one_eyed.pose.vertical.slope_mm_per_m is None, "one plane cannot tell"
        assert one_eyed.as_found is None

        await shop.mechanic.do("dim", link="S", on=False)
        await shop.until(lambda s: "dim" not in flags(s, DARK))
        final = await shop.rotation(to_deg=90)
        assert_true(final.pose, await shop.truth())

        shop.mechanic.process.send_signal(signal.SIGSTOP)
        try:
            silent = await shop.until(lambda s: all(x.state == "silent" for x in s.links))
            assert {c.flags for c in silent.channels} == {("silent",)}
            assert {c.value for c in silent.channels} == {None}
            assert silent.pose == final.pose, "what was measured is kept"
        finally:
            shop.mechanic.process.send_signal(signal.SIGCONT)
        again = await shop.until(lambda s: all(x.state == "open" for x in s.links))
        assert link(again, "S").counters.reconnects == 0
        await shop.end()
        for name in ("S", "M"):
            was_silent, was_back = shop.told_of(name)
            assert was_silent.startswith(f"link {name}: silent: ")
            assert was_back.startswith(f"link {name}: back after ")

"""The same over the network: a rotation, an interruption, a rotation."""

from pathlib import Path

import pytest

from end_to_end.workshop import assert_true, link, workshop

pytestmark = pytest.mark.real


async def test_a_short_rotation_over_tcp_links_that_break(tmp_path: Path) -> None:
    async with workshop(tmp_path, "tcp") as shop:
        found = await shop.rotation(to_deg=210)
        assert_true(found.pose, await shop.truth())
        await shop.mechanic.do("unplug", link="M")
        await shop.until(lambda s: link(s, "M").state == "lost")
        await shop.mechanic.do("replug", link="M")
        await shop.until_told("link M: back after")
        again = await shop.rotation(to_deg=90)
        assert_true(again.pose, await shop.truth())
        assert [x.counters.reconnects for x in again.links] == [0, 1]
        assert [x.counters.bad for x in again.links] == [0, 0]
        await shop.end()
        assert len(shop.told_of("M")) == 2

"""A rig read without a job, over real ports."""

import asyncio
from pathlib import Path

import numpy as np
import psutil
import pytest

from livealign.config.load import parse_rig
from livealign.errors import PersonError
from livealign.service.live_rig import LiveRig, Progress
from livealign_simulators.ports import PtyPort, have_ptys
from service.rigs import Head, rig_text, speaking_heads, tcp_rig


async def test_all_channels_come_raw_and_calibrated_from_the_links_that_were_named():
    told: list[Progress] = []
    async with speaking_heads() as ports, LiveRig(parse_rig(tcp_rig(ports), "rig"), links=["M"]) as live:
        assert await live.opened(5.0)
        first = await live.gather(0.5, progress=told.append)
        second = await live.gather(0.4)
    assert list(first.links) == ["M"]
    assert list(first.channels) == ["head M angle", "head M position"]
    angle, spot = first.channels.values()
    assert np.degrees(angle.value[angle.good]) % 360 == pytest.approx(angle.raw[angle.good] % 360)
    assert spot.value == pytest.approx(spot.raw * 1e-6)
    assert spot.good.all()
    assert spot.light is not None
    assert (spot.light == 900).all()
    link = first.links["M"]
    assert link.status.state == "open"
    assert link.counters.records == link.time_s.size == angle.raw.size > 10
    assert link.counts is not None
    assert np.all(np.diff(link.counts) == 10)
    paired = first.paired["head M position"]
    assert paired.position_m.size == spot.raw.size
    assert [c.name for c in told[-1].channels] == list(first.channels)
    # The second gathering goes on where the first one ended, and counts from there.
    assert second.links["M"].counts is not None
    assert second.links["M"].counts[0] == link.counts[-1] + 10
    assert second.links["M"].counters.records == second.links["M"].time_s.size


@pytest.mark.real
@pytest.mark.skipif(not have_ptys(), reason="no pseudo-terminals here")
async def test_a_port_that_is_missing_is_told_and_the_other_is_read(tmp_path: Path):
    port = PtyPort(tmp_path / "S")
    drivers = {link: f'{{ kind = "serial", port = "{tmp_path / link}" }}' for link in ("S", "M")}
    await port.plug()
    descriptors = psutil.Process().num_fds()
    try:
        async with LiveRig(parse_rig(rig_text(**drivers), "rig")) as live:
            assert not await live.opened(0.3)
            head, sent = Head("S"), 0
            gathering = asyncio.create_task(live.gather(5.0, stop=lambda: sent >= 20))
            while not gathering.done():
                port.write(head.lines(2))
                sent += 1
                await asyncio.sleep(0.01)
            found = await gathering
        assert found.links["S"].status.state == "open"
        assert found.links["S"].counters.records > 0
        assert "there is no port" in found.links["M"].status.detail
        assert not found.channels["head M angle"].raw.size
    finally:
        await port.unplug()
    assert psutil.Process().num_fds() == descriptors - 2


async def test_a_file_is_read_whole_and_ends_the_gathering(tmp_path: Path):
    for link in ("S", "M"):
        (tmp_path / link).write_bytes(Head(link).lines(3000))
    drivers = {
        link: f'{{ kind = "file", path = "{tmp_path / link}", chunk_bytes = 700 }}' for link in ("S", "M")
    }
    async with LiveRig(parse_rig(rig_text(**drivers), "rig")) as live:
        found = await live.gather(60.0)
    assert found.end_s - found.start_s < 30
    assert {link.status.state for link in found.links.values()} == {"ended"}
    assert {link.counters.records for link in found.links.values()} == {3000}
    assert found.channels["head S angle"].value[-1] == pytest.approx(np.radians(60.0 * 29.99))


def test_a_link_that_is_not_there_is_refused():
    with pytest.raises(PersonError, match="no link X"):
        LiveRig(parse_rig(rig_text(), "rig"), links=["S", "X"])

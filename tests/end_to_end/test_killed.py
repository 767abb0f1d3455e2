"""The service is killed in the middle of a rotation: what it had seen is in the recording."""

import asyncio
import contextlib
import signal
from pathlib import Path

import pytest

from end_to_end.workshop import DEG_PER_S, Workshop, livealign, needs_ptys, workshop
from livealign.errors import PersonError
from livealign.record.reader import RecordedSnapshot, Recording
from livealign.snapshot import decode
from livealign.stream.contracts import Frame

pytestmark = [pytest.mark.real, needs_ptys]
LEAST_S = 0.2
"""What is older than this when the service is killed may not be missing."""


async def _watch(shop: Workshop, seen: list[str]) -> None:
    """Keep every snapshot as it came, until the service is gone."""
    with contextlib.suppress(PersonError):
        async for text in shop.client.stream_raw():
            seen.append(text)  # noqa: PERF401 - a list made at once would be lost with the service


async def test_kill_9_in_the_middle_of_a_rotation(tmp_path: Path) -> None:
    seen: list[str] = []
    async with workshop(tmp_path) as shop:
        watching = asyncio.create_task(_watch(shop, seen))
        await shop.client.command("begin_rotation")
        await shop.mechanic.do("turn", to_deg=360, deg_per_s=DEG_PER_S, wait=False)
        await shop.until(lambda s: s.rotation.arc_deg > 150)
        shop.service.process.kill()
        assert await shop.service.ended() == -signal.SIGKILL
        async with asyncio.timeout(30):
            await watching
        path = shop.recording()

    last = decode(seen[-1])
    assert (last.phase, last.machine_state) == ("rotation", "turning")
    recording = Recording(path)
    items = list(recording.items())
    assert recording.torn is not None
    recorded = {x.encoded.decode() for x in items if isinstance(x, RecordedSnapshot)}
    old = [text for text in seen if last.time_s - decode(text).time_s >= LEAST_S]
    assert len(old) > 10
    assert [text for text in old if text not in recorded] == []
    for x in decode(old[-1]).links:
        assert sum(isinstance(f, Frame) and f.link == x.name for f in items) >= x.counters.frames > 0

    verified = livealign("solve", path, "--verify")
    assert (verified.exit_code, "torn" in verified.stderr) == (0, True)
    solved = livealign("solve", path, "--json")
    assert (solved.exit_code, "torn" in solved.stderr) == (0, True)
    result = decode(solved.stdout)
    assert result.rotation.observable
    assert result.rotation.arc_deg > 100
    assert result.pose.vertical.offset_mm == pytest.approx(last.pose.vertical.offset_mm, abs=0.02)

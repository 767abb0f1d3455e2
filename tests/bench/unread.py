"""Memory: a flood over each transport while nobody reads what its driver brings."""

import asyncio
import gc
import tempfile
import time
from pathlib import Path

import psutil
from far_ends import TRANSPORTS, Transport
from figures import Figure

__all__ = ["measure"]

MOST_GROWTH_MB = 8.0
QUIET_S = 0.3


def measure() -> list[Figure]:
    return [figure for transport in TRANSPORTS for figure in asyncio.run(_measured(transport))]


async def _measured(transport: Transport) -> list[Figure]:
    with tempfile.TemporaryDirectory() as name:
        async with transport.far_end(Path(name)) as (talk, place):
            driver = transport.driver(place, time.perf_counter_ns)
            items = aiter(driver)
            while (item := await anext(items)) and getattr(item, "state", "") != "open":
                pass
            # Nobody asks for another item from here on.
            before_mb = _resident_mb()
            part = max(1, transport.million_bytes // 4)
            await talk("pour", part)
            await _digested()
            full_mb = _resident_mb()
            await talk("pour", transport.million_bytes - part)
            await _digested()
            after_mb = _resident_mb()
            dropped = (await anext(items)).dropped
            await driver.close()
            await items.aclose()
    grown = after_mb - full_mb
    what = f"{transport.name}, {transport.million_bytes} million bytes unread, {dropped} frames dropped"
    return [
        Figure(f"{what}: in its first quarter", full_mb - before_mb, "MB"),
        Figure(
            f"{what}: from then on",
            grown,
            "MB",
            aim=f"under {MOST_GROWTH_MB:g} MB",
            reached=grown < MOST_GROWTH_MB,
        ),
    ]


async def _digested() -> None:
    """Wait until this process has nothing to do any more."""
    used = -1.0
    while time.process_time() - used > 0.02:
        used = time.process_time()
        await asyncio.sleep(QUIET_S)


def _resident_mb() -> float:
    gc.collect()
    return psutil.Process().memory_info().rss / 1e6

"""The whole way of a reading but for the antenna: a GATT head, two controllers, the system's bus, the driver."""

import asyncio
import os
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[3]


@pytest.fixture
async def radio(bus):
    paths = os.pathsep.join([str(ROOT / "tests"), str(ROOT), str(ROOT / "drivers")])
    program = Path(__file__).with_name("virtual_radio.py")
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        str(program),
        bus,
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        env=os.environ | {"PYTHONPATH": paths},
    )
    assert await process.stdout.readline() == b"ready\n"
    yield process
    process.stdin.close()
    async with asyncio.timeout(20):
        await process.communicate()


async def test_a_head_is_found_read_lost_and_found_again(radio, driver, listen, wait_until):
    reading = driver(name="head-S", scan_timeout_s=10)
    listener = listen(reading)
    await wait_until(lambda: "open" in listener.states)
    sent = [f"{n},{n / 8}" for n in range(200)]
    radio.stdin.write("".join(f"say {text}\n" for text in sent).encode())
    await wait_until(lambda: listener.received.decode().splitlines() == sent)

    radio.stdin.write(b"cut\n")
    await wait_until(lambda: listener.states == ["connecting", "open", "lost", "open"])
    assert "broke" in listener.events[2].detail
    radio.stdin.write(b"say again\n")
    await wait_until(lambda: listener.received.endswith(b"again\n"))
    await reading.close()
    await listener.task

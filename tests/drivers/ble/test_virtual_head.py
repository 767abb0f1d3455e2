"""A simulated head on the air: its own program's GATT server over a radio of its own, read by the real driver."""

import asyncio
import os
import socket
import sys
from pathlib import Path

import pytest

from livealign.errors import PersonError
from livealign_simulators.ble_port import BlePort

ROOT = Path(__file__).parents[3]


@pytest.fixture
async def radio(bus):
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    paths = os.pathsep.join([str(ROOT / "tests"), str(ROOT), str(ROOT / "drivers")])
    program = Path(__file__).with_name("virtual_radio.py")
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        str(program),
        bus,
        str(port),
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        env=os.environ | {"PYTHONPATH": paths},
    )
    assert await process.stdout.readline() == b"ready\n"
    yield f"tcp-client:127.0.0.1:{port}"
    process.stdin.close()
    async with asyncio.timeout(20):
        await process.communicate()


async def test_a_simulated_head_is_found_read_switched_off_and_found_again(radio, driver, listen, wait_until):
    head = BlePort(radio, 1)
    try:
        await head.plug()
        assert head.address == {"kind": "ble", "name": "livealign-1"}
        reading = driver(name="livealign-1", scan_timeout_s=10)
        listener = listen(reading)
        await wait_until(lambda: "open" in listener.states)
        records = [b"%05d,%s\n" % (n, b"x" * 40) for n in range(100)]
        for record in records:
            head.write(record)
        await wait_until(lambda: listener.received.endswith(records[-1]))
        assert listener.received == b"".join(records)
        frames = [i.payload for i in listener.items if hasattr(i, "payload")]
        assert len(frames) > 100, "a record longer than a notification comes in pieces"

        await head.unplug()
        await wait_until(lambda: listener.states[-1] == "lost")
        head.write(b"into the air\n")
        await head.plug()
        await wait_until(lambda: listener.states == ["connecting", "open", "lost", "open"])
        head.write(b"back\n")
        await wait_until(lambda: listener.received.endswith(b"back\n"))
        await reading.close()
        await listener.task
    finally:
        await head.close()
    assert head.dropped == 0


async def test_a_radio_that_is_not_there_is_named():
    with pytest.raises(PersonError, match=r"tcp-client:127\.0\.0\.1:1: the radio cannot be used"):
        await BlePort("tcp-client:127.0.0.1:1", 1).plug()

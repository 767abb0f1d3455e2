"""Virtual devices: what they say in the rig's own format, and the ports on which they say it."""

import asyncio
import contextlib
import itertools
import os
import socket
import time
import tomllib

import numpy as np
import pytest

from livealign.config.rig import DeviceClock, Rig
from livealign.errors import PersonError
from livealign.stream.contracts import Frame
from livealign.stream.registry import driver_class, format_class
from livealign_simulators.bench import Bench
from livealign_simulators.devices import Device
from livealign_simulators.ports import PtyPort, TcpPort, have_ptys
from livealign_simulators.rigfile import write_rig
from livealign_simulators.scene import build_scene

needs_ptys = pytest.mark.skipif(not have_ptys(), reason="this platform has no pseudo-terminals")


def decoder(rig, link="S"):
    spec = next(x.format for x in rig.links if x.name == link)
    made = format_class(spec.kind)
    return made(made.options_model.model_validate(spec.options))


def device(job, rig, seed=1):
    scene = build_scene(job, rig, seed)
    return scene, Device(scene, rig.links[0], 100.0, np.random.SeedSequence(7))


def test_what_a_device_says_is_read_back_by_the_rigs_format(job, rig):
    scene, s = device(job, rig)
    scene.mechanic.turn(360, 90, 0.5)
    got = decoder(rig).decode(b"".join(s.produce(t) for t in np.arange(0, 5, 0.025)))
    assert got.bad == 0
    assert got.count == s.records == pytest.approx(500, abs=3)
    assert set(got.columns) >= {"count", "ms", "angle", "spot", "light"}
    assert np.all(np.diff(got.columns["count"]) % 65536 == 1)
    assert np.diff(got.columns["ms"]).mean() == pytest.approx(10, abs=0.01)
    angle = got.columns["angle"]
    assert angle.min() >= 0
    assert angle.max() <= 360
    assert angle[:40].mean() == pytest.approx(90, abs=1)
    # A quarter of the swing or more is seen at this pose.
    assert np.ptp(got.columns["spot"]) > 200


def test_however_it_is_asked_a_device_takes_every_sample_once(job, rig):
    _, s = device(job, rig)
    pieces = b"".join(s.produce(t) for t in [0.004, 0.1, 0.1, 0.05, 0.7])
    counts = decoder(rig).decode(pieces).columns["count"]
    assert counts.size == s.records == pytest.approx(70, abs=1)
    assert np.all(np.diff(counts) % 65536 == 1)


def test_a_device_that_is_very_late_leaves_a_gap_instead_of_a_flood(job, rig):
    _, s = device(job, rig)
    s.produce(0.1)
    before = s.records
    s.produce(1000.0)
    assert s.records - before <= 101
    assert s.produce(1000.0) == b""


def test_the_clock_wraps_where_the_rig_file_says(job, rig):
    link = rig.links[0].model_copy(update={"clock": DeviceClock(field="ms", unit="ms", wrap_bits=8)})
    scene = build_scene(job, rig.model_copy(update={"links": (link, rig.links[1])}), 1)
    s = Device(scene, link, 100.0, np.random.SeedSequence(7))
    ms = decoder(rig).decode(s.produce(0.9)).columns["ms"]
    assert ms.max() < 256
    assert np.sum(np.diff(ms) < 0) in {3, 4}
    assert set(np.diff(ms) % 256) <= {9.0, 10.0, 11.0}


def test_one_seed_one_stream_of_bytes(job, rig):
    assert device(job, rig)[1].produce(1.0) == device(job, rig)[1].produce(1.0)
    assert device(job, rig)[1].produce(1.0) != device(job, rig, seed=2)[1].produce(1.0)


def test_garbage_on_the_way_is_refused_by_the_checksum(job, rig):
    _, s = device(job, rig)
    s.faults.corrupt_fraction = 0.2
    fmt = decoder(rig)
    parts = [fmt.decode(s.produce(t)) for t in np.arange(0, 20, 0.5)]
    assert 200 < sum(p.bad for p in parts) < 800
    spots = np.concatenate([p.columns["spot"] for p in parts])
    assert np.ptp(spots) < 200  # the shaft stands still: nothing false got through


def test_dim_light_is_told_and_makes_the_spot_noisy(job, rig):
    _, s = device(job, rig)
    bright = decoder(rig).decode(s.produce(0.9)).columns
    s.faults.dim = True
    dim = decoder(rig).decode(s.produce(1.8)).columns
    assert bright["light"].min() > 200 > dim["light"].max()
    assert dim["spot"].std() > 5 * bright["spot"].std()


def test_the_rig_file_written_is_the_rig_with_other_drivers(job, rig, tmp_path):
    path, port = tmp_path / "rig.toml", 'C:\\odd "port" \x7f'
    write_rig(
        rig, {"S": {"kind": "serial", "port": port}, "M": {"kind": "tcp", "host": "h", "port": 1}}, path
    )
    again = Rig.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    assert again.links[0].driver.options == {"port": port, "baud": 115200}
    assert again.links[1].driver.options == {"host": "h", "port": 1}
    assert again.heads == rig.heads
    assert [x.format for x in again.links] == [x.format for x in rig.links]


# Ports


async def read_some(descriptor, want, within_s=10.0):
    got, until = b"", time.monotonic() + within_s
    while len(got) < want and time.monotonic() < until:
        try:
            got += os.read(descriptor, 4096)
        except BlockingIOError:
            await asyncio.sleep(0.01)
    return got


@needs_ptys
async def test_a_terminal_nobody_reads_drops_whole_chunks_and_never_blocks(tmp_path):
    port = PtyPort(tmp_path / "S", b"hello\n")
    await port.plug()
    lines = [b"%06d,%s\n" % (i, b"x" * 200) for i in range(500)]
    for line in lines:
        port.write(line)
    assert port.dropped > 300
    reader = os.open(tmp_path / "S", os.O_RDONLY | os.O_NONBLOCK | os.O_NOCTTY)
    try:
        stale = await read_some(reader, 10**6, 0.5)
        port.write(b"after\n")
        port.write(b"at last\n")
        got = (stale + await read_some(reader, 14, 2.0)).split(b"\n")
    finally:
        os.close(reader)
        await port.unplug()
    assert got[0] == b"hello"
    assert got[-3:] == [b"after", b"at last", b""]
    assert set(got[1:-3]) <= {line.rstrip(b"\n") for line in lines}  # no line is torn


@needs_ptys
async def test_pulling_the_plug_fails_the_reader_and_the_same_name_comes_back(tmp_path):
    port = PtyPort(tmp_path / "S")
    await port.plug()
    first = os.open(tmp_path / "S", os.O_RDONLY | os.O_NOCTTY)
    await port.unplug()
    await port.unplug()
    assert not (tmp_path / "S").exists()
    with contextlib.suppress(OSError):  # an error on some systems, the end of the file on others
        assert os.read(first, 10) == b""
    os.close(first)
    port.write(b"into the air\n")
    await port.plug()
    again = os.open(tmp_path / "S", os.O_RDONLY | os.O_NONBLOCK | os.O_NOCTTY)
    port.write(b"back\n")
    assert await read_some(again, 5) == b"back\n"
    os.close(again)
    await port.unplug()
    assert list(tmp_path.iterdir()) == []


async def test_a_tcp_client_that_does_not_read_loses_chunks_and_holds_nobody_up():
    port = TcpPort(b"hello\n")
    await port.plug()
    address = ("127.0.0.1", port.address["port"])
    good, writer = await asyncio.open_connection(*address)
    assert await good.readline() == b"hello\n"
    with socket.socket() as lazy:
        lazy.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        lazy.connect(address)
        await asyncio.sleep(0.05)
        for i in range(2000):
            port.write(b"%05d" % i + b"." * 5000 + b"\n")
            assert (await good.readline()).startswith(b"%05d" % i)
        assert port.dropped > 0
    await port.unplug()
    writer.close()


async def test_a_tcp_port_comes_back_under_its_number():
    port = TcpPort()
    await port.plug()
    number = port.address["port"]
    reader, writer = await asyncio.open_connection("127.0.0.1", number)
    await port.unplug()
    with pytest.raises((ConnectionError, asyncio.IncompleteReadError)):
        await reader.readexactly(1)
    writer.close()
    with pytest.raises(ConnectionRefusedError):
        await asyncio.open_connection("127.0.0.1", number)
    await port.plug()
    assert port.address["port"] == number
    reader, writer = await asyncio.open_connection("127.0.0.1", number)
    await asyncio.sleep(0.05)
    port.write(b"back\n")
    assert await reader.readline() == b"back\n"
    writer.close()
    await port.unplug()


# The bench: devices on ports in real time, read by the real drivers


async def states_and_records(bench, rig, link, steps):
    """Read a link with its driver; between the steps wait until 30 more records have come."""
    address = bench.addresses[link]
    made = driver_class(address["kind"])
    options = {k: v for k, v in address.items() if k != "kind"}
    driver = made(link, made.options_model.model_validate(options), time.monotonic_ns)
    fmt, states, counts, due = decoder(rig, link), [], [], 30
    steps = iter(steps)
    try:
        async with asyncio.timeout(30):
            async for item in driver:
                if not isinstance(item, Frame):
                    states.append(item.state)
                    if item.state == "lost":
                        fmt.reset()
                        await bench.ports[link].plug()
                    continue
                counts += fmt.decode(item.payload).columns["count"].tolist()
                if len(counts) >= due:
                    due = len(counts) + 30
                    step = next(steps, None)
                    if step is None:
                        return states, np.array(counts)
                    await step()
    finally:
        await driver.close()
    raise AssertionError("the driver ended by itself")


@pytest.mark.parametrize("kind", [pytest.param("serial", marks=needs_ptys), "tcp"])
async def test_unplugged_and_plugged_in_again_the_driver_finds_the_device(job, rig, kind):
    async with Bench(build_scene(job, rig, 1), kind, 200.0) as bench:
        unplug = bench.ports["S"].unplug
        states, counts = await states_and_records(bench, rig, "S", [unplug])
        folder = bench.folder
    kept = [s for s, _ in itertools.groupby(states)]
    assert [s for s in kept if s != "connecting"] == ["open", "lost", "open"]
    assert np.sum(np.diff(counts) % 65536 != 1) <= 1  # one gap, where the plug was out
    assert not folder.exists()


async def test_an_unknown_link_is_named_with_the_known_ones(job, rig):
    async with Bench(build_scene(job, rig, 1), "tcp", 50.0) as bench:
        with pytest.raises(PersonError, match="S, M"):
            bench.device("X")

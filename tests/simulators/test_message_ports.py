"""Virtual devices that send messages: datagrams and an MQTT broker. Those on the air are in drivers/ble."""

import asyncio
import shutil

import numpy as np
import pytest
from click import UsageError

from drivers.broker import PASSWORD, PROGRAM, USER, MqttPart
from livealign.contract import Listener, session_clock, until
from livealign.errors import PersonError
from livealign.stream.registry import driver_class
from livealign_simulators.bench import Bench
from livealign_simulators.mqtt_port import Broker, MqttPort
from livealign_simulators.port_kinds import Means, make_ports, means, pieces
from livealign_simulators.ports import TcpPort
from livealign_simulators.scene import build_scene
from livealign_simulators.udp_port import UdpPort
from simulators.test_devices import decoder


def listening_at(address):
    made = driver_class(address["kind"])
    options = {k: v for k, v in address.items() if k != "kind"} | {"reconnect_max_s": 0.05}
    return Listener(made("S", made.options_model.model_validate(options), session_clock()))


async def read_unplugged_and_replugged(bench, rig):
    """Read link S of a bench; return the counts before and after its plug was out."""
    listener = listening_at(bench.addresses["S"])
    fmt = decoder(rig)
    try:
        await until(lambda: len(listener.received) > 3000)
        await bench.port("S").unplug()
        await asyncio.sleep(0.3)
        before = len(listener.received)
        await asyncio.sleep(0.1)
        assert len(listener.received) == before
        await bench.port("S").plug()
        await until(lambda: len(listener.received) > before + 3000)
    finally:
        await listener.driver.close()
        await listener.task
    decoded = fmt.decode(listener.received)
    assert decoded.bad == 0
    gaps = np.flatnonzero(np.diff(decoded.columns["count"]) % 65536 != 1)
    assert gaps.size == 1, "one gap, where the plug was out"
    return [i.payload for i in listener.items if hasattr(i, "payload")]


async def test_a_head_sends_a_record_a_datagram(job, rig):
    async with Bench(build_scene(job, rig, 1), "udp", 200.0) as bench:
        frames = await read_unplugged_and_replugged(bench, rig)
    assert all(f.count(b"\n") == 1 for f in frames)


async def test_a_head_publishes_to_a_broker_as_the_user_it_was_told(job, rig, tmp_path, missing):
    if PROGRAM is None or shutil.which("mosquitto_passwd") is None:
        missing("MQTT is tested with a real broker: install the package mosquitto")
    part = MqttPart(tmp_path)
    await part.appear()
    secret = tmp_path / "secret"
    secret.write_text(PASSWORD + "\n")
    try:
        made_of = Means("mqtt", Broker("127.0.0.1", part.port, USER, secret), records_a_message=2)
        async with Bench(build_scene(job, rig, 1), made_of, 200.0) as bench:
            assert PASSWORD not in str(bench.addresses)
            frames = await read_unplugged_and_replugged(bench, rig)
        assert {f.count(b"\n") for f in frames} <= {1, 2}
        nobody = MqttPort(Broker("127.0.0.1", part.port), "S")
        with pytest.raises(PersonError, match="--broker-user"):
            await nobody.plug()
    finally:
        await part.vanish()


async def test_what_a_device_says_first_is_repeated_to_those_who_come_late():
    port = UdpPort(b"# a header\n")
    await port.plug()
    port.write(b"1\n")
    listener = listening_at(port.address)
    try:
        await until(lambda: "open" in listener.states)
        await asyncio.sleep(1.0)
        port.write(b"2\n")
        port.write(b"3\n")
        await until(lambda: listener.received.endswith(b"3\n"))
    finally:
        await listener.driver.close()
        await port.close()
        await listener.task
    assert listener.received == b"# a header\n2\n3\n"


def test_streams_take_all_records_together_and_messages_so_many(tmp_path):
    records = [b"1", b"2", b"3"]
    assert list(pieces(records, TcpPort(), 2)) == [b"123"]
    assert list(pieces(records, UdpPort(), 2)) == [b"12", b"3"]
    assert list(pieces([], TcpPort(), 2)) == []


def test_what_does_not_fit_together_is_said(tmp_path):
    nothing = {"broker": None, "user": None, "password_file": None, "radios": ()}
    with pytest.raises(UsageError, match="need --as mqtt"):
        means("tcp", **nothing | {"broker": "b"})
    with pytest.raises(UsageError, match=r"HOST\[:PORT\]"):
        means("mqtt", **nothing | {"broker": "b:x"})
    assert means("mqtt", **nothing | {"broker": "[::1]:1884"}).broker == Broker("::1", 1884)
    with pytest.raises(PersonError, match="in this order: S, M"):
        make_ports({"S": b"", "M": b""}, Means("ble", radios=("usb:0",)), tmp_path)

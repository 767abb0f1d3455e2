"""UDP: what is special about it."""

import asyncio
import socket
import struct
from itertools import pairwise

import pytest
from pydantic import ValidationError

from livealign.stream.contracts import Frame
from livealign_drivers.delimited import DelimitedFormat, DelimitedOptions
from livealign_drivers.udp import UdpDriver, UdpOptions

GROUP = "239.255.77.1"


def payloads(listener) -> list[bytes]:
    return [i.payload for i in listener.items if isinstance(i, Frame)]


async def test_a_datagram_is_a_frame_and_a_line(udp_part, clock, listen, wait_until):
    listener = listen(udp_part.driver(clock, add_line_end=True))
    await wait_until(lambda: "open" in listener.states)
    for sent in (b"1,2.5", b"", b"2,2.5\n", b"3,2.5\n4,2.5"):
        await udp_part.send(sent)
    await wait_until(lambda: listener.received.endswith(b"4,2.5\n"))
    assert payloads(listener) == [b"1,2.5\n", b"2,2.5\n", b"3,2.5\n4,2.5\n"]


async def test_a_burst_comes_whole_and_in_order_and_leaves_the_loop_its_turns(
    udp_part, clock, listen, wait_until
):
    listener = listen(udp_part.driver(clock))
    await wait_until(lambda: "open" in listener.states)
    sent = [b"%d\n" % n for n in range(200)]
    for datagram in sent:  # the loop does not come round meanwhile
        udp_part._sock.sendto(datagram, ("127.0.0.1", udp_part.port))
    taken = []
    while len(payloads(listener)) < 200:
        await asyncio.sleep(0)
        taken.append(len(payloads(listener)))
    assert payloads(listener) == sent
    assert max(b - a for a, b in pairwise([0, *taken])) <= 32


async def test_datagrams_stay_as_they_are_for_binary_formats(udp_part, clock, listen, wait_until):
    listener = listen(udp_part.driver(clock, add_line_end=False))
    await wait_until(lambda: "open" in listener.states)
    for sent in (b"\xaa\x55\x0a\x00", b"\xaa\x55\x00\x0a", b"x" * 60_000):
        await udp_part.send(sent)
    await wait_until(lambda: len(listener.received) == 60_008)
    assert payloads(listener) == [b"\xaa\x55\x0a\x00", b"\xaa\x55\x00\x0a", b"x" * 60_000]


async def test_what_a_slow_reader_loses_is_counted_to_the_datagram(udp_part, clock, monkeypatch):
    monkeypatch.setattr(UdpDriver, "most_frames", 8)
    driver = udp_part.driver(clock, add_line_end=True)
    form = DelimitedFormat(DelimitedOptions(columns=("n", "spot")))
    records, dropped, last = 0, 0, -1
    async for item in driver:
        if isinstance(item, Frame):
            read = form.decode(item.payload)
            records += read.count
            last = int(read.columns["n"][-1]) if read.count else last
        else:
            dropped += item.dropped
            if item.dropped:
                form.reset()
            if item.state == "open" and not item.dropped:
                for n in range(60):
                    await udp_part.send(b"%d,12.5" % n)
                    await asyncio.sleep(0)
        if last == 59:
            await driver.close()
    assert dropped > 0
    assert records + dropped == 60, "the first after a gap is no cut line"


async def test_only_the_named_sender_is_heard(udp_part, clock, listen, wait_until, missing):
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as stranger:
        try:
            stranger.bind(("127.0.0.2", 0))
        except OSError:
            missing("this platform has one loopback address only")
        listener = listen(udp_part.driver(clock, host=None, from_host="localhost"))
        await wait_until(lambda: "open" in listener.states)
        for n in range(10):
            stranger.sendto(b"stranger\n", ("127.0.0.1", udp_part.port))
            await udp_part.send(b"%d\n" % n)
        await wait_until(lambda: listener.received.endswith(b"9\n"))
    assert listener.received == b"".join(b"%d\n" % n for n in range(10))


async def test_a_sender_that_cannot_be_is_told(udp_part, clock, listen, wait_until):
    listener = listen(udp_part.driver(clock, from_host="head..lan", reconnect_max_s=0.05))
    await wait_until(lambda: "lost" in listener.states)
    assert "'head..lan' is not known" in listener.events[-1].detail


async def test_a_port_that_is_taken_is_refused_and_opens_once_it_is_free(
    udp_part, clock, listen, wait_until, leftovers
):
    driver = udp_part.driver(clock, reconnect_max_s=0.05)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
        other.bind(("127.0.0.1", udp_part.port))
        listener = listen(driver)
        await wait_until(lambda: "refused" in listener.states)
        assert f"UDP port {udp_part.port} is in use" in listener.events[-1].detail
        await asyncio.sleep(0.3)
        assert listener.states == ["connecting", "refused"], "it is tried again, and told once"
    await wait_until(lambda: "open" in listener.states)
    await udp_part.send(b"now\n")
    await wait_until(lambda: listener.received == b"now\n")
    await driver.close()
    await leftovers.none()


async def test_an_address_of_another_computer_is_told(udp_part, clock, listen, wait_until):
    listener = listen(udp_part.driver(clock, host="192.0.2.7", reconnect_max_s=0.05))
    await wait_until(lambda: "lost" in listener.states)
    assert "no address 192.0.2.7 now" in listener.events[-1].detail


async def test_a_group_is_heard_by_all_who_join(udp_part, clock, listen, wait_until, leftovers):
    drivers = [udp_part.driver(clock, group=GROUP) for _ in range(2)]
    both = [listen(d) for d in drivers]
    await wait_until(lambda: all("open" in x.states for x in both))
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sender.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton("127.0.0.1"))
        sender.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, struct.pack("b", 0))
        sender.sendto(b"to all\n", (GROUP, udp_part.port))
    await wait_until(lambda: all(x.received == b"to all\n" for x in both))
    for driver in drivers:
        await driver.close()
    await leftovers.none()


async def test_a_group_that_cannot_be_joined_is_told(udp_part, clock, listen, wait_until, leftovers):
    driver = udp_part.driver(clock, group=GROUP, host="192.0.2.7", reconnect_max_s=0.05)
    listener = listen(driver)
    await wait_until(lambda: "lost" in listener.states)
    assert f"the multicast group {GROUP} cannot be joined" in listener.events[-1].detail
    await driver.close()
    await leftovers.none()


async def test_ipv6(clock, listen, wait_until, missing, leftovers):
    with socket.socket(socket.AF_INET6, socket.SOCK_DGRAM) as sender:
        try:
            sender.bind(("::1", 0))
        except OSError:
            missing("this machine has no IPv6 loopback address")
        with socket.socket(socket.AF_INET6, socket.SOCK_DGRAM) as free:
            free.bind(("::1", 0))
            port = free.getsockname()[1]
        driver = UdpDriver("S", UdpOptions(port=port, host="::1", from_host="::1"), clock)  # type: ignore[arg-type]
        listener = listen(driver)
        await wait_until(lambda: "open" in listener.states)
        sender.sendto(b"six", ("::1", port))
        await wait_until(lambda: listener.received == b"six\n")
    await driver.close()
    await leftovers.none()


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({}, "port"),
        ({"port": 0}, "port"),
        ({"port": 4001, "host": "eth0"}, "host"),
        ({"port": 4001, "group": "192.168.4.1"}, "no multicast group"),
        ({"port": 4001, "group": "ff02::1"}, "group"),
        ({"port": 4001, "from": "192.168.4.1"}, "from"),
    ],
)
def test_options_say_what_is_wrong(given, told):
    with pytest.raises(ValidationError, match=told):
        UdpOptions(**given)

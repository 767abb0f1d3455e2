"""TCP: what is special about it."""

import asyncio
import socket

import pytest
from pydantic import ValidationError

from livealign_drivers.tcp import TcpDriver, TcpOptions


async def test_nobody_listening_is_told_as_such(tcp_part, clock, listen, wait_until):
    await tcp_part.vanish()
    listener = listen(tcp_part.driver(clock))
    await wait_until(lambda: "lost" in listener.states)
    assert f"nothing listens at 127.0.0.1:{tcp_part.port}" in listener.events[-1].detail


async def test_a_host_that_cannot_be_is_told_and_tried_again(clock, listen, wait_until):
    driver = TcpDriver("S", TcpOptions(host="head..lan", port=4001, reconnect_max_s=0.05), clock)
    listener = listen(driver)
    await wait_until(lambda: "lost" in listener.states)
    assert "head..lan" in listener.events[-1].detail
    await driver.close()


async def test_a_server_that_hangs_up_at_once_is_tried_less_and_less(clock, listen, wait_until):
    calls = []

    def hang_up(_reader, writer):
        calls.append(clock())
        writer.close()

    server = await asyncio.start_server(hang_up, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    driver = TcpDriver("S", TcpOptions(host="127.0.0.1", port=port, reconnect_max_s=60), clock)
    listener = listen(driver)
    await wait_until(lambda: len(calls) == 3)
    assert driver._pauses._next_s > 0.2
    await driver.close()
    await listener.task
    server.close()
    await server.wait_closed()


async def test_a_link_that_has_worked_is_tried_again_soon(tcp_part, clock, listen, wait_until):
    driver = tcp_part.driver(clock, reconnect_max_s=3600)
    driver._pauses._next_s = 3000  # as after a long absence
    listener = listen(driver)
    await tcp_part.send(b"1,2\n")
    await wait_until(lambda: listener.received)
    await tcp_part.vanish()
    await wait_until(lambda: "lost" in listener.states)
    await tcp_part.appear()
    await wait_until(lambda: listener.states.count("open") == 2)


async def test_a_quiet_connection_is_probed(tcp_part, clock, listen, wait_until, monkeypatch):
    made = []
    connect = asyncio.open_connection

    async def open_connection(*args):
        reader, writer = await connect(*args)
        made.append(writer.get_extra_info("socket"))
        return reader, writer

    monkeypatch.setattr(asyncio, "open_connection", open_connection)
    listener = listen(tcp_part.driver(clock))
    await wait_until(lambda: "open" in listener.states)
    assert made[0].getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE) != 0


async def test_a_broken_connection_is_a_loss(clock, listen, wait_until):
    async def reset(reader, writer):
        sock = writer.get_extra_info("socket")
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
        writer.transport.abort()

    server = await asyncio.start_server(reset, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    driver = TcpDriver("S", TcpOptions(host="127.0.0.1", port=port, reconnect_max_s=60), clock)
    listener = listen(driver)
    await wait_until(lambda: "lost" in listener.states)
    assert listener.events[-1].detail
    await driver.close()
    await listener.task
    server.close()
    await server.wait_closed()


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"port": 4001}, "host"),
        ({"host": "head-s.lan"}, "port"),
        ({"host": "head-s.lan", "port": 70000}, "65535"),
        ({"host": "head-s.lan", "port": 4001, "connect_timeout_s": -1}, "connect_timeout_s"),
        ({"host": "head-s.lan", "port": 4001, "timeout": 1}, "timeout"),
    ],
)
def test_options_say_what_is_wrong(given, told):
    with pytest.raises(ValidationError, match=told):
        TcpOptions(**given)

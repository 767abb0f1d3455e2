"""Heads that only answer when they are asked."""

import asyncio
import os
import socket

import aiomqtt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from drivers.broker import MqttPart
from drivers.conftest import SerialPart, TcpPart
from livealign.stream.contracts import Frame
from livealign_drivers import _request
from livealign_drivers._request import Request, Schedule
from livealign_drivers.ble import BleOptions
from livealign_drivers.mqtt import MqttOptions
from livealign_drivers.serial import SerialDriver, SerialOptions
from livealign_drivers.tcp import TcpDriver, TcpOptions
from livealign_drivers.udp import UdpOptions

READ = Request(text="R\r\n", after_answer=True, answer_within_s=0.05, pause_s=0)
RATHER_OFTEN = Request(hex="52 0d0a", every_s=0.01)


class Head:
    """Answers each whole request but every fifth with its number."""

    def __init__(self) -> None:
        self.heard = b""
        self.asked = 0
        self.answering = True

    def answers(self, data: bytes) -> bytes:
        *requests, self.heard = (self.heard + data).split(b"\r\n")
        assert set(requests) <= {b"R"}
        answers = b""
        for _ in requests:
            self.asked += 1
            if self.answering and self.asked % 5:
                answers += b"%d\n" % self.asked
        return answers


async def check(driver, listen, wait_until) -> None:
    """Twelve answers come, although some are lost."""
    listener = listen(driver)
    await wait_until(lambda: listener.received.count(b"\n") >= 12)
    await driver.close()
    await listener.task
    numbers = [int(line) for line in listener.received.split()]
    assert numbers == [n for n in range(1, numbers[-1] + 1) if n % 5], "asked again after each lost answer"
    assert listener.states == ["connecting", "open"]


def serve(part: SerialPart, head: Head) -> None:
    """Let a head answer at the other end of a port, in the loop."""
    end = part._ends[0]

    def asked() -> None:
        if answers := head.answers(os.read(end, 1000)):
            os.write(end, answers)

    asyncio.get_running_loop().add_reader(end, asked)


@pytest.mark.parametrize("request_", [READ, RATHER_OFTEN], ids=["after each answer", "at an interval"])
async def test_over_a_serial_port(serial_part, clock, listen, wait_until, leftovers, request_):
    head = Head()
    serve(serial_part, head)
    options = SerialOptions(port=str(serial_part.name), request=request_)
    await check(SerialDriver("S", options, clock), listen, wait_until)
    await leftovers.none()
    asyncio.get_running_loop().remove_reader(serial_part._ends[0])


async def test_over_tcp(clock, listen, wait_until, leftovers):
    head = Head()

    async def talk(reader, writer):
        while data := await reader.read(1000):
            writer.write(head.answers(data))
        writer.close()

    server = await asyncio.start_server(talk, "127.0.0.1", 0)
    options = TcpOptions(host="127.0.0.1", port=server.sockets[0].getsockname()[1], request=READ)
    await check(TcpDriver("S", options, clock), listen, wait_until)
    server.close()
    await server.wait_closed()
    await leftovers.none()


async def test_over_udp(udp_part, clock, listen, wait_until, leftovers):
    head, loop = Head(), asyncio.get_running_loop()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.bind(("127.0.0.1", 0))

        def asked() -> None:
            data, who = sock.recvfrom(1000)
            if answer := head.answers(data):
                sock.sendto(answer, who)

        loop.add_reader(sock, asked)
        driver = udp_part.driver(
            clock, request=READ, from_host="localhost", request_port=sock.getsockname()[1]
        )
        await check(driver, listen, wait_until)
        loop.remove_reader(sock)
    await leftovers.none()


async def test_over_mqtt(mqtt_part: MqttPart, clock, listen, wait_until, leftovers):
    head = Head()

    async def answer(client: aiomqtt.Client) -> None:
        async for message in client.messages:
            if answer := head.answers(bytes(message.payload)):  # type: ignore[arg-type]
                await client.publish("heads/S/readings", answer)

    async with mqtt_part.client() as client:
        await client.subscribe("heads/S/ask")
        answering = asyncio.create_task(answer(client))
        driver = mqtt_part.driver(clock, request=READ, request_topic="heads/S/ask")
        await check(driver, listen, wait_until)
        answering.cancel()
        await asyncio.wait({answering})
    await leftovers.none()


@pytest.mark.parametrize("request_", [READ, RATHER_OFTEN], ids=["after each answer", "at an interval"])
async def test_a_head_that_never_answers_is_told_once_and_so_is_its_waking(
    serial_part, clock, listen, wait_until, monkeypatch, request_
):
    monkeypatch.setattr(_request, "PATIENCE_S", 0.1)
    head = Head()
    head.answering = False
    serve(serial_part, head)
    options = SerialOptions(port=str(serial_part.name), request=request_)
    listener = listen(SerialDriver("S", options, clock))
    await wait_until(lambda: len(listener.events) == 3)
    asked = head.asked
    await wait_until(lambda: head.asked > asked + 3)
    assert listener.states == ["connecting", "open", "open"], "told once"
    assert "the head does not answer the request" in listener.events[-1].detail
    assert request_.shown in listener.events[-1].detail

    head.answering = True
    await wait_until(lambda: len(listener.events) == 4)
    assert (listener.events[-1].state, listener.events[-1].detail) == ("open", "")
    head.answering = False
    await wait_until(lambda: len(listener.events) == 5)
    assert "no longer answers" in listener.events[-1].detail
    asyncio.get_running_loop().remove_reader(serial_part._ends[0])


async def test_a_port_that_takes_no_bytes_is_still_read_and_closed(
    serial_part, clock, listen, wait_until, leftovers, monkeypatch
):
    monkeypatch.setattr(_request, "PATIENCE_S", 0.1)
    options = SerialOptions(port=str(serial_part.name), request=Request(text="R" * 500, every_s=0.001))
    driver = SerialDriver("S", options, clock)
    listener = listen(driver)
    await wait_until(lambda: len(listener.events) == 3)
    await serial_part.send(b"by itself\n")
    await wait_until(lambda: listener.received == b"by itself\n")
    await asyncio.sleep(0.2)  # long enough to fill what the system keeps between
    async with asyncio.timeout(10):
        await driver.close()
        await listener.task
    await leftovers.none()


async def test_asking_goes_on_after_a_loss(tcp_part: TcpPart, clock, listen, wait_until):
    options = TcpOptions(host="127.0.0.1", port=tcp_part.port, request=RATHER_OFTEN, reconnect_max_s=0.05)
    listener = listen(TcpDriver("S", options, clock))
    await tcp_part.send(b"1\n")
    await wait_until(lambda: listener.received == b"1\n")
    await tcp_part.vanish()
    await wait_until(lambda: "lost" in listener.states)
    head = Head()

    async def talk(reader, writer):
        while data := await reader.read(1000):
            writer.write(head.answers(data))
        writer.close()

    server = await asyncio.start_server(talk, "127.0.0.1", tcp_part.port)
    await wait_until(lambda: listener.received.count(b"\n") > 5)
    await listener.driver.close()
    server.close()
    await server.wait_closed()
    assert isinstance(listener.items[-1], Frame)


@given(st.lists(st.floats(0, 0.5), min_size=1, max_size=60), st.floats(0.01, 0.3))
def test_an_interval_neither_drifts_nor_catches_up(delays, every_s):
    schedule = Schedule(Request(text="R", every_s=every_s))
    now_s = 1000.0
    schedule.begin(now_s)
    for delay_s in delays:
        assert schedule.due_s >= now_s or schedule.due_s == pytest.approx(now_s)
        turn = (schedule.due_s - 1000.0) / every_s
        assert turn == pytest.approx(round(turn), abs=1e-6), "on the schedule that the start laid down"
        before_s, now_s = schedule.due_s, schedule.due_s + delay_s
        schedule.asked(now_s)
        assert schedule.due_s > before_s
        assert schedule.due_s <= now_s + every_s * (1 + 1e-6)


def test_the_next_question_waits_for_the_end_of_the_answer_but_not_for_ever():
    schedule = Schedule(Request(text="R", after_answer=True, answer_within_s=0.5, pause_s=0.02))
    schedule.begin(0.0)
    schedule.asked(0.0)
    assert schedule.due_s == 0.5
    for at_s in (0.1, 0.11, 0.12):
        schedule.heard(at_s)
    assert schedule.due_s == pytest.approx(0.14), "after the last piece"
    schedule.asked(0.14)
    assert schedule.due_s == pytest.approx(0.64), "a lost answer"


def test_an_interval_that_waits_for_the_answer():
    schedule = Schedule(Request(text="R", every_s=0.1, after_answer=True, answer_within_s=0.25, pause_s=0.02))
    schedule.begin(0.0)
    schedule.asked(0.0)
    assert schedule.due_s == pytest.approx(0.3)
    schedule.heard(0.03)
    assert schedule.due_s == pytest.approx(0.1)
    schedule.asked(0.1)
    schedule.heard(0.19)
    assert schedule.due_s == pytest.approx(0.3), "0.2 would come in less than the pause"


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"every_s": 1}, "`text` or `hex`: give one"),
        ({"text": "R", "hex": "52", "every_s": 1}, "`text` or `hex`: give one"),
        ({"text": "R"}, "give `every_s`, or after_answer = true"),
        ({"hex": "5", "every_s": 1}, "hex"),
        ({"hex": "0x52", "every_s": 1}, "two hexadecimal digits a byte"),
        ({"text": "R", "every_s": 0}, "every_s"),
        ({"text": "R", "every_s": 1, "pause_s": 0.1}, "`pause_s` belongs to after_answer"),
        ({"text": "R", "every_s": 1, "answer_within_s": 0.1}, "`answer_within_s` belongs to after_answer"),
        ({"text": "", "every_s": 1}, "text"),
        ({"text": "R", "every": 1}, "every"),
    ],
)
def test_a_request_says_what_is_wrong(given, told):
    with pytest.raises(ValidationError, match=told):
        SerialOptions.model_validate({"port": "COM3", "request": given})


@pytest.mark.parametrize(
    ("options", "given", "told"),
    [
        (UdpOptions, {"port": 1}, "needs a `request_host`"),
        (MqttOptions, {"host": "h", "topic": "t"}, "`request` and `request_topic` go together"),
        (MqttOptions, {"host": "h", "topic": "heads/#", "request_topic": "heads/ask"}, "its own requests"),
        (MqttOptions, {"host": "h", "topic": "t", "request_topic": "heads/+"}, "published to one topic"),
        (BleOptions, {"name": "head-S", "request_characteristic": "rx"}, "must be a UUID"),
    ],
)
def test_where_to_ask_is_checked(options, given, told):
    with pytest.raises(ValidationError, match=told):
        options.model_validate({"request": {"text": "R", "every_s": 1}} | given)


@pytest.mark.parametrize(
    ("options", "given"),
    [
        (UdpOptions, {"port": 1, "request_port": 2}),
        (MqttOptions, {"host": "h", "topic": "t", "request_topic": "ask"}),
        (BleOptions, {"name": "head-S", "request_characteristic": "ffe1"}),
    ],
)
def test_where_to_ask_needs_what_to_ask(options, given):
    with pytest.raises(ValidationError, match="`request`"):
        options.model_validate(given)

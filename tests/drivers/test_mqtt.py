"""MQTT: what is special about it, with a real Mosquitto, and with peers that are none."""

import asyncio
import logging
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress

import aiomqtt
import pytest
from click.testing import CliRunner
from pydantic import ValidationError

from drivers.broker import PASSWORD, TOPIC, USER
from livealign.cli import main
from livealign.config.rig import Spec
from livealign.stream.contracts import Frame
from livealign.stream.reader import LinkReader
from livealign_drivers import _mqtt_client
from livealign_drivers._mqtt_rivals import Rivals
from livealign_drivers.delimited import DelimitedFormat, DelimitedOptions
from livealign_drivers.mqtt import MqttDriver, MqttOptions

CONNACK, SUBACK_REFUSED = b"\x20\x02\x00\x00", b"\x90\x03\x00\x01\x80"
Talk = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


class Way:
    """What lies between the driver and the broker: it may lose what the driver says, or be cut."""

    def __init__(self, to_port: int) -> None:
        self.port = 0
        self.deaf = False
        self._to_port = to_port
        self._writers: list[asyncio.StreamWriter] = []
        self._pipes: set[asyncio.Task[None]] = set()
        self._server: asyncio.Server | None = None

    async def open(self) -> None:
        self._server = await asyncio.start_server(self._carry, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]

    async def _carry(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self._to_port)
        self._writers += [writer, far_writer]
        for source, sink in ((reader, far_writer), (far_reader, writer)):
            pipe = asyncio.create_task(self._pipe(source, sink))
            self._pipes.add(pipe)
            pipe.add_done_callback(self._pipes.discard)

    async def _pipe(self, source: asyncio.StreamReader, sink: asyncio.StreamWriter) -> None:
        with suppress(OSError):
            while data := await source.read(65536):
                if not (self.deaf and sink is self._writers[-1]):
                    sink.write(data)
        sink.close()

    def cut(self) -> None:
        self.deaf = False
        for writer in self._writers:
            writer.transport.abort()

    async def close(self) -> None:
        assert self._server is not None
        self._server.close()
        self.cut()
        while self._pipes:
            await asyncio.wait(self._pipes)
        await self._server.wait_closed()


@asynccontextmanager
async def peer(talk: Talk) -> AsyncIterator[MqttOptions]:
    """Something that listens; the options to connect to it."""
    talking: set[asyncio.Task[None]] = set()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        talking.add(task)
        try:
            await talk(reader, writer)
        except OSError:
            pass
        finally:
            talking.discard(task)
            writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    yield MqttOptions(host="127.0.0.1", port=port, topic=TOPIC, reconnect_max_s=0.05)
    server.close()
    await asyncio.gather(*talking)
    await server.wait_closed()


async def silent(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    while await reader.read(1000):
        pass


async def no_broker(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    writer.write(b"220 mail.example ready\r\n")
    await silent(reader, writer)


async def hangs_up(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    await reader.read(1000)


async def lets_nobody_read(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    await reader.read(1000)
    writer.write(CONNACK)
    await reader.read(1000)
    writer.write(SUBACK_REFUSED)
    await silent(reader, writer)


async def sends_nonsense(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    await reader.read(1000)
    writer.write(CONNACK)
    await reader.read(1000)
    writer.write(b"\x90\x03\x00\x01\x00" + b"\x30\x01\x00" + b"\xf0\x00" * 3)
    await silent(reader, writer)


async def test_a_broker_that_is_killed_and_started_again(mqtt_part, clock, listen, wait_until):
    listener = listen(mqtt_part.driver(clock))
    await wait_until(lambda: "open" in listener.states)
    await mqtt_part.send(b"before\n")
    await wait_until(lambda: listener.received)
    await mqtt_part.vanish(kill=True)
    await wait_until(lambda: "lost" in listener.states)
    assert "closed the connection" in listener.events[-1].detail
    await mqtt_part.appear()
    await wait_until(lambda: listener.states.count("open") == 2)
    await mqtt_part.send(b"after\n")
    await wait_until(lambda: listener.received == b"before\nafter\n")
    assert listener.states == ["connecting", "open", "lost", "open"]


async def test_a_broker_that_freezes_is_noticed_by_keepalive(mqtt_part, clock, listen, wait_until, leftovers):
    driver = mqtt_part.driver(clock, keepalive=1)
    listener = listen(driver)
    await wait_until(lambda: "open" in listener.states)
    mqtt_part.freeze()
    await wait_until(lambda: "lost" in listener.states)
    assert "no longer answers" in listener.events[-1].detail
    mqtt_part.go_on()
    await wait_until(lambda: listener.states.count("open") == 2)
    await mqtt_part.send(b"after\n")
    await wait_until(lambda: listener.received == b"after\n")
    await driver.close()
    await leftovers.none()


@pytest.mark.parametrize("tls", [False, True])
async def test_closing_does_not_wait_for_a_frozen_broker(
    mqtt_part, clock, listen, wait_until, leftovers, tls
):
    extra = {"tls": True, "ca_file": mqtt_part.folder / "authority.pem"} if tls else {}
    driver = mqtt_part.driver(clock, **extra)
    listener = listen(driver)
    await wait_until(lambda: "open" in listener.states)
    mqtt_part.freeze()
    async with asyncio.timeout(10):
        await driver.close()
        await listener.task
    mqtt_part.go_on()
    await leftovers.none()


async def test_another_client_of_the_same_id_takes_over(mqtt_part, clock, listen, wait_until):
    listener = listen(mqtt_part.driver(clock, client_id="livealign"))
    await wait_until(lambda: "open" in listener.states)
    async with mqtt_part.client("livealign") as other:
        await wait_until(lambda: "lost" in listener.states)
        assert "has another client the same `client_id`" in listener.events[-1].detail
        await wait_until(lambda: listener.states.count("open") == 2)
        with pytest.raises(aiomqtt.MqttError):
            await anext(other.messages)  # now the other one is out


async def test_two_programs_of_one_id_do_not_fight_for_ever(mqtt_part, clock, listen, wait_until):
    both = [listen(mqtt_part.driver(clock, client_id="livealign")) for _ in range(2)]
    await wait_until(lambda: any("refused" in x.states for x in both))
    gave_way = next(x for x in both if "refused" in x.states)
    told = next(e.detail for e in gave_way.events if e.state == "refused")
    assert "another client has the `client_id` 'livealign' too" in told
    other = next(x for x in both if x is not gave_way)
    await other.driver.close()
    opened = gave_way.states.count("open")
    await wait_until(lambda: gave_way.states.count("open") > opened)
    await mqtt_part.send(b"alone\n")
    await wait_until(lambda: gave_way.received.endswith(b"alone\n"))


def test_who_is_thrown_out_gives_way_longer_and_longer():
    rivals = Rivals(5.0)
    pauses = []
    for _ in range(12):
        rivals.ended(0.3)
        pauses.append(rivals.pause_s)
    assert pauses[:5] == [0, 0, 10, 20, 40]
    assert pauses[-1] == 300
    for otherwise in (None, 61.0):
        rivals.ended(otherwise)
        assert rivals.pause_s == 0, "a broker that was away, or a long connection: nobody's rival"
        rivals.ended(0.3)


async def test_what_comes_again_after_a_loss_is_counted_to_the_message(mqtt_part, clock, listen, wait_until):
    """The broker sends again what was not acknowledged: no number is missing, and each repeat is known as one."""
    way = Way(mqtt_part.port)
    await way.open()
    driver = mqtt_part.driver(
        clock, port=way.port, client_id="livealign", clean_session=False, qos=1, add_line_end=True
    )
    listener = listen(driver)

    async def publish(numbers: range) -> None:
        for n in numbers:
            await mqtt_part.send(b"%d,%d" % (n, 7 * n))

    await wait_until(lambda: "open" in listener.states)
    await publish(range(10))
    await wait_until(lambda: listener.received.count(b"\n") == 10)
    await asyncio.sleep(0.1)  # for the acknowledgements
    way.deaf = True
    await publish(range(10, 25))
    await wait_until(lambda: listener.received.count(b"\n") == 25)
    way.cut()
    await wait_until(lambda: "lost" in listener.states)
    await publish(range(25, 40))
    await wait_until(lambda: listener.received.endswith(b"39,273\n"))
    await driver.close()
    await way.close()

    columns = DelimitedOptions(columns=("n", "value"))
    reader = LinkReader(
        DelimitedFormat(columns), clock=None, sequence=("n", 32), nominal_rate_hz=None, device_time=False
    )
    came: list[float] = []
    for item in listener.items:
        if isinstance(item, Frame):
            batch = reader.read(item.payload, item.time_ns / 1e9)
            came += [] if batch is None else batch.columns["n"].tolist()
        elif item.state == "lost":
            reader.interrupted()
    assert came == list(range(40))
    assert (reader.records, reader.repeated, reader.missed) == (40, 15, 0)
    assert (reader.late, reader.restarts, reader.bad) == (0, 0, 0)


async def test_a_session_that_is_kept_brings_what_came_meanwhile(mqtt_part, clock, listen, wait_until):
    options = {"client_id": "livealign", "clean_session": False, "qos": 1}
    first = listen(mqtt_part.driver(clock, **options))
    await wait_until(lambda: "open" in first.states)
    await first.driver.close()
    await mqtt_part.send(b"meanwhile\n")
    second = listen(mqtt_part.driver(clock, **options))
    await wait_until(lambda: second.received == b"meanwhile\n")
    assert second.states == ["connecting", "open"], "no byte comes before the link is said to be open"
    assert isinstance(second.items[-1], Frame)


async def test_wildcards_and_line_ends(mqtt_part, clock, listen, wait_until):
    listener = listen(mqtt_part.driver(clock, topic="heads/+/readings", add_line_end=True))
    await wait_until(lambda: "open" in listener.states)
    await mqtt_part.send(b'{"n": 1}', "heads/S/readings")
    await mqtt_part.send(b'{"n": 2}', "heads/S/status")
    await mqtt_part.send(b"", "heads/S/readings")
    await mqtt_part.send(b'{"n": 3}\n{"n": 4}\n', "heads/M/readings")
    await wait_until(lambda: listener.received.endswith(b'{"n": 4}\n'))
    payloads = [i.payload for i in listener.items if isinstance(i, Frame)]
    assert payloads == [b'{"n": 1}\n', b'{"n": 3}\n{"n": 4}\n']


async def test_messages_stay_as_they_are_for_binary_formats(mqtt_part, clock, listen, wait_until):
    listener = listen(mqtt_part.driver(clock, topic="#", add_line_end=False))
    await wait_until(lambda: "open" in listener.states)
    await mqtt_part.send(b"\xaa\x55\x0a\x00")
    await mqtt_part.send(b"x" * 150_000)
    await wait_until(lambda: len(listener.received) == 150_004)
    payloads = [i.payload for i in listener.items if isinstance(i, Frame)]
    assert payloads[0] == b"\xaa\x55\x0a\x00"
    assert [len(p) for p in payloads[1:]] == [65536, 65536, 18928], "what waits is bounded in bytes too"


@pytest.mark.parametrize(("retained", "expected"), [(False, b"new\n"), (True, b"old\nnew\n")])
async def test_what_the_broker_keeps_is_old_and_taken_only_if_wanted(
    mqtt_part, clock, listen, wait_until, retained, expected
):
    await mqtt_part.send(b"old\n", retain=True)
    listener = listen(mqtt_part.driver(clock, retained=retained))
    await wait_until(lambda: "open" in listener.states)
    await mqtt_part.send(b"new\n")
    await wait_until(lambda: listener.received.endswith(b"new\n"))
    assert listener.received == expected


async def test_an_encrypted_connection(mqtt_part, clock, listen, wait_until, leftovers):
    driver = mqtt_part.driver(clock, tls=True, ca_file=mqtt_part.folder / "authority.pem")
    listener = listen(driver)
    await wait_until(lambda: "open" in listener.states)
    for n in range(50):
        await mqtt_part.send(b"%d\n" % n)
    await wait_until(lambda: listener.received == b"".join(b"%d\n" % n for n in range(50)))
    await mqtt_part.vanish()
    await wait_until(lambda: "lost" in listener.states)
    await mqtt_part.appear()
    await wait_until(lambda: listener.states.count("open") == 2)
    await driver.close()
    await leftovers.none()


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"password": "sworfdish"}, "refuses this user name and password: correct `username`"),
        ({"username": None, "password": None}, "wants a user name and password"),
        ({"tls": True, "ca_file": "stranger.pem"}, "is not trusted"),
        ({"tls": True}, "is not trusted"),
        ({"tls": True, "ca_file": "authority.pem", "host": "127.1"}, "as `host` a name that stands in it"),
        ({"tls": True, "ca_file": "none.pem"}, "none.pem cannot be read"),
        ({"tls": True, "ca_file": "conf"}, "`ca_file` names a file in PEM"),
        ({"password": None, "password_file": "none.txt"}, "none.txt cannot be read"),
        ({"password": None, "password_file": "latin.txt"}, "is no UTF-8 text"),
    ],
    ids=lambda x: x if isinstance(x, str) else "",
)
async def test_what_needs_a_person_is_refused_with_advice(
    mqtt_part, clock, listen, wait_until, leftovers, caplog, changes, told
):
    caplog.set_level(logging.DEBUG)
    (mqtt_part.folder / "latin.txt").write_bytes(b"swordfish\xe4")
    given = dict(changes)
    for key in ("ca_file", "password_file"):
        if key in given:
            given[key] = mqtt_part.folder / given[key]
    driver = mqtt_part.driver(clock, **given)
    listener = listen(driver)
    await wait_until(lambda: "refused" in listener.states)
    assert told in listener.events[-1].detail
    await asyncio.sleep(0.3)
    assert listener.states == ["connecting", "refused"], "it is tried again, and told once"
    await driver.close()
    await listener.task
    for secret in (PASSWORD, "sworfdish"):
        assert secret not in caplog.text + repr(listener.events) + repr(driver._options)
    await leftovers.none()


async def test_ports_with_and_without_tls_are_told_apart(mqtt_part, clock, listen, wait_until, monkeypatch):
    monkeypatch.setattr(_mqtt_client, "ANSWER_S", 0.3)
    crossed = [
        ({"tls": True, "port": mqtt_part.port}, "do `port` and `tls` not belong together?"),
        ({"port": mqtt_part.tls_port}, "check its power, its address, `port` and `tls`"),
    ]
    for options, told in crossed:
        listener = listen(mqtt_part.driver(clock, **options))
        await wait_until(lambda heard=listener: "lost" in heard.states)
        assert told in listener.events[-1].detail


async def test_a_peer_that_does_not_speak_tls_is_refused(clock, listen, wait_until, leftovers):
    async with peer(no_broker) as options:
        driver = MqttDriver("S", options.model_copy(update={"tls": True}), clock)
        listener = listen(driver)
        await wait_until(lambda: "refused" in listener.states)
        assert "no encrypted connection to the broker" in listener.events[-1].detail
        await driver.close()
    await leftovers.none()


async def test_it_opens_by_itself_once_the_password_file_is_right(mqtt_part, clock, listen, wait_until):
    file = mqtt_part.folder / "secret.txt"
    file.write_text("wrong\n")
    listener = listen(mqtt_part.driver(clock, password=None, password_file=file))
    await wait_until(lambda: "refused" in listener.states)
    file.write_text(f"{PASSWORD}\n")
    await wait_until(lambda: "open" in listener.states)
    assert listener.states == ["connecting", "refused", "open"]


async def test_a_flood_and_a_slow_reader(mqtt_part, clock, wait_until, leftovers):
    total, slow_s = 6000, 0.02
    driver = mqtt_part.driver(clock, topic="flood")
    items = aiter(driver)
    while (await anext(items)).state != "open":
        pass
    frames, dropped, most_waiting = [], 0, 0

    async def read() -> None:
        nonlocal dropped, most_waiting
        async for item in items:
            most_waiting = max(most_waiting, len(driver._queue._items))
            if isinstance(item, Frame):
                frames.append(int(item.payload))
            else:
                assert item.state == "open"
                dropped += item.dropped
            if frames and frames[-1] == total - 1:
                return
            if len(frames) < 100:
                await asyncio.sleep(slow_s)

    reading = asyncio.create_task(read())
    for n in range(total):
        await mqtt_part.send(b"%d" % n, "flood", qos=0)
    async with asyncio.timeout(20):
        await reading
    assert dropped > 0
    assert len(frames) + dropped == total, "every message came or was counted"
    assert frames == sorted(frames)
    assert most_waiting <= driver.most_frames + 1
    await driver.close()
    await leftovers.none()


@pytest.mark.parametrize(
    ("talk", "state", "told"),
    [
        (silent, "lost", "does not answer as an MQTT broker"),
        (no_broker, "lost", "does not answer as an MQTT broker"),
        (hangs_up, "lost", "does not answer as an MQTT broker"),
        (lets_nobody_read, "refused", f"does not let this user read '{TOPIC}'"),
    ],
)
async def test_peers_that_are_no_good_broker(
    clock, listen, wait_until, leftovers, monkeypatch, talk, state, told
):
    monkeypatch.setattr(_mqtt_client, "ANSWER_S", 0.3)
    async with peer(talk) as options:
        driver = MqttDriver("S", options, clock)
        listener = listen(driver)
        await wait_until(lambda: state in listener.states)
        await asyncio.sleep(0.5)
        assert told in listener.events[-1].detail
        assert listener.states == ["connecting", state]
        await driver.close()
        await listener.task
    await leftovers.none()


async def test_a_broker_that_sends_nonsense_is_lost_and_leaves_nothing(clock, listen, wait_until, leftovers):
    async with peer(sends_nonsense) as options:
        driver = MqttDriver("S", options, clock)
        listener = listen(driver)
        await wait_until(lambda: listener.states.count("lost") >= 3)
        await driver.close()
        await listener.task
    await leftovers.none()


async def test_closing_does_not_wait_for_a_peer_that_is_silent(clock, listen, leftovers, monkeypatch):
    monkeypatch.setattr(_mqtt_client, "ANSWER_S", 3600)
    called = asyncio.Event()

    async def talk(reader, writer):
        called.set()
        await silent(reader, writer)

    async with peer(talk) as options:
        driver = MqttDriver("S", options, clock)
        listener = listen(driver)
        await called.wait()
        await asyncio.sleep(0.05)
        async with asyncio.timeout(10):
            await driver.close()
            await listener.task
    await leftovers.none()


@pytest.mark.parametrize("host", ["broker..lan", "broker.invalid"])
async def test_a_host_that_cannot_be_is_told_and_tried_again(clock, listen, wait_until, host):
    driver = MqttDriver("S", MqttOptions(host=host, topic="a", reconnect_max_s=0.05), clock)
    listener = listen(driver)
    await wait_until(lambda: "lost" in listener.states)
    assert f"the host of the broker at {host}:1883 is not known" in listener.events[-1].detail
    await driver.close()


async def test_nobody_listening_is_told_as_such(mqtt_part, clock, listen, wait_until):
    await mqtt_part.vanish()
    listener = listen(mqtt_part.driver(clock))
    await wait_until(lambda: "lost" in listener.states)
    assert f"nothing listens at the broker at 127.0.0.1:{mqtt_part.port}" in listener.events[-1].detail


def test_the_port_follows_from_tls():
    assert MqttOptions(host="h", topic="t").place == "h:1883"
    assert MqttOptions(host="h", topic="t", tls=True).place == "h:8883"
    assert MqttOptions(host="h", topic="t", tls=True, port=1).place == "h:1"


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"host": "mqtt://192.168.4.1"}, "alone"),
        ({"topic": "heads/S#"}, "stand alone"),
        ({"topic": "heads/a+/b"}, "stand alone"),
        ({"topic": "heads/#/readings"}, "at the end only"),
        ({"topic": ""}, "topic"),
        ({"qos": 2}, "qos"),
        ({"password": "swordfish"}, "needs a `username`"),
        ({"username": USER, "password": "swordfish", "password_file": "p"}, "not both"),
        ({"username": USER, "password": 1234567}, "write it in quotes"),
        ({"ca_file": "ca.pem"}, "add tls = true"),
        ({"clean_session": False}, "needs a `client_id`"),
        ({"keepalive": 0}, "keepalive"),
        ({"password": "swordfish", "username": 5}, "username"),
        ({"broker": "swordfish"}, "broker"),
    ],
)
def test_options_say_what_is_wrong_and_no_secret(given, told):
    with pytest.raises(ValidationError, match=told) as caught:
        MqttOptions(**({"host": "h", "topic": "t"} | given))
    assert "swordfish" not in str(caught.value)
    assert "1234567" not in str(caught.value)


def test_no_secret_is_shown_by_what_holds_it():
    options = MqttOptions(host="h", topic="t", username=USER, password=PASSWORD)
    spec = Spec(kind="mqtt", password=PASSWORD)  # type: ignore[call-arg]
    assert PASSWORD not in repr(options) + str(options) + options.model_dump_json()
    assert PASSWORD not in repr(spec) + str(spec)
    assert spec.options == {"password": PASSWORD}


@pytest.mark.parametrize(
    "wrong",
    [
        'password = "swordfish"',
        'username = "u", password = 987654321',
        'username = 7, password = "swordfish"',
    ],
)
def test_check_shows_no_secret(tmp_path, wrong):
    rig = tmp_path / "rig.toml"
    rig.write_text(
        f"""schema = "livealign.rig/1"
name = "r"
[[links]]
name = "S"
driver = {{ kind = "mqtt", host = "h", topic = "t", {wrong} }}
format = {{ kind = "json-lines", fields = ["a", "p"] }}
[[heads]]
name = "head S"
shaft = "stationary"
link = "S"
angle = {{ field = "a" }}
detectors = [{{ field = "p", unit = "mm" }}]
"""
    )
    for flags in ([], ["--json"]):
        done = CliRunner().invoke(main, ["check", str(rig), *flags])
        assert done.exit_code == 1
        assert "driver" in done.output
        assert "swordfish" not in done.output
        assert "987654321" not in done.output

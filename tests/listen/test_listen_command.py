"""`livealign listen` on real ports: from a stream that nobody described to a rig that the service reads."""

import asyncio
import json
import os
import select
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from drivers.broker import PASSWORD, PROGRAM, USER, MqttPart
from listen.motion import stream
from livealign.cli import main
from livealign.client import Client
from livealign.config.load import load_rig
from livealign_simulators.parts import running_simulator
from service.processes import environment, running


def livealign(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments], catch_exceptions=False)


def in_thread(*arguments: object):
    return asyncio.to_thread(livealign, *arguments)


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    path = tmp_path / "capture.txt"
    path.write_bytes(stream(1, "delimited").heard.data)
    return path


@pytest.mark.real
async def test_a_simulated_rig_that_turns_is_found_checked_and_read(tmp_path: Path, missing) -> None:
    if not hasattr(os, "openpty"):
        missing("this platform has no pseudo terminals")
    rig = tmp_path / "rig.toml"
    async with running_simulator("serial", 5, tmp_path) as mechanic:
        links = [link.driver.options for link in load_rig(mechanic.rig).links]
        sources = [x["port"] for x in links]
        await mechanic.do("turn", to_deg=720, deg_per_s=60, wait=False)
        told = await in_thread("listen", *sources, "--yes", "--seconds", 2, "--write", rig)
        assert told.exit_code == 0, told.output
        checked = livealign("check", mechanic.job, rig, "--json")
        assert json.loads(checked.stdout)["ok"]
        true, found = load_rig(mechanic.rig), load_rig(rig)
        for ours, theirs in zip(found.heads, true.heads, strict=True):
            assert (ours.name, ours.shaft) == (theirs.name, theirs.shaft)
            assert ours.angle.unit == theirs.angle.unit
            assert [d.unit for d in ours.detectors] == [d.unit for d in theirs.detectors]
            assert ours.detectors[0].light_field == "light"
        assert [x.format.options["checksum"] for x in found.links] == ["xor8", "xor8"]
        assert [(x.clock.unit, x.sequence) for x in found.links] == [("ms", "count")] * 2
        where = ("--job", str(mechanic.job), "--rig", str(rig), "--bind", "127.0.0.1:0")
        async with running(tmp_path, *where) as service, Client.of(service.note) as client:
            async with asyncio.timeout(30):
                s = await client.snapshot()
                while not s.channels or any(c.value is None for c in s.channels):
                    await asyncio.sleep(0.05)
                    s = await client.snapshot()
            assert [x.counters.bad for x in s.links] == [0, 0]
            service.process.send_signal(signal.SIGINT)
            assert await service.ended() == 0


async def test_a_head_on_the_network_is_read_while_it_speaks() -> None:
    true = stream(1, "binary")

    async def speak(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        for piece in true.heard.pieces:
            writer.write(piece)
            await asyncio.sleep(0.005)
        writer.close()

    async with await asyncio.start_server(speak, "127.0.0.1", 0) as server:
        host, port = server.sockets[0].getsockname()
        told = await in_thread("listen", f"tcp://{host}:{port}", "--json", "--seconds", 1)
    (head,) = json.loads(told.stdout)["found"]
    found = head["format"]
    assert (found["kind"], found.get("framing", "sync")) == (
        "binary",
        true.options["framing"],
    )
    assert found["checksum"] == true.options["checksum"]


@pytest.mark.real
async def test_a_head_on_a_broker_is_listed_and_understood(tmp_path: Path, missing) -> None:
    if PROGRAM is None or shutil.which("mosquitto_passwd") is None:
        missing("MQTT is tested with a real broker: install the package mosquitto")
    (tmp_path / "secret").write_text(PASSWORD + "\n")
    lines = [x for x in stream(3, "json-lines").heard.data.split(b"\n") if x]
    broker = MqttPart(tmp_path)
    await broker.appear()

    async def publish() -> None:
        for line in lines * 50:
            await broker.send(line, qos=0)
            await asyncio.sleep(0.01)

    publishing = asyncio.create_task(publish())
    try:
        login = ("--user", USER, "--password-file", tmp_path / "secret")
        place = f"127.0.0.1:{broker.port}"
        listed = await in_thread("listen", "--mqtt", place, *login, "--json", "--seconds", 1)
        source = f"mqtt://{USER}@{place}/heads/+/readings"
        heard = await in_thread("listen", source, "--json", "--seconds", 1.5, *login[2:])
    finally:
        publishing.cancel()
        await asyncio.gather(publishing, return_exceptions=True)
        await broker.vanish()
    topics = json.loads(listed.stdout)["mqtt"]
    assert [t["topic"] for t in topics] == ["heads/S/readings"]
    assert topics[0]["sample"].startswith("{")
    (head,) = json.loads(heard.stdout)["found"]
    assert head["format"]["kind"] == "json-lines"
    assert head["driver"] | {"add_line_end": True, "username": USER} == head["driver"]
    assert PASSWORD not in heard.output


def test_a_capture_gives_a_rig_file_once_and_never_over_another(capture: Path, tmp_path: Path) -> None:
    rig = tmp_path / "rig.toml"
    told = livealign("listen", f"movable={capture}", "--json", "--write", rig)
    values = json.loads(told.stdout)
    assert (told.exit_code, values["written"], values["rig"]) == (0, str(rig), rig.read_text())
    assert values["found"][0]["shaft"] == "movable"
    roles = {c["role"] for c in values["found"][0]["columns"]}
    assert {"angle", "position"} <= roles
    assert "# angle: angle, confidence" in values["rig"]
    assert livealign("check", rig).exit_code == 0
    again = livealign("listen", capture, "--write", rig)
    assert again.exit_code == 2
    assert "--force" in again.stderr
    assert livealign("listen", capture, "--yes", "--write", rig, "--force").exit_code == 0
    assert load_rig(rig).heads[0].shaft == "stationary"


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("nothing-there.txt",), 2, "no port and no file"),
        (("tcp://host",), 2, "tcp://HOST:PORT"),
        (("mqtt://broker",), 2, "lists the topics"),
        (("udp://:70000",), 2, "understood"),
        (("--mqtt", "host:port"), 2, "HOST:PORT"),
        (("{noise}",), 1, "wrong baud rate"),
        (("tcp://127.0.0.1:9", "--seconds", "0.5", "--yes"), 1, "nothing listens"),
        (("--write", "x.toml"), 2, "needs a SOURCE"),
    ],
)
def test_what_cannot_be_done_is_said_with_advice(
    tmp_path: Path, arguments: tuple[str, ...], code: int, words: str
) -> None:
    noise = tmp_path / "noise.bin"
    noise.write_bytes(os.urandom(5000))
    told = livealign("listen", *(a.format(noise=noise) for a in arguments))
    assert told.exit_code == code
    assert words in told.output


def test_what_is_there_is_listed() -> None:
    told = livealign("listen", "--json")
    assert isinstance(json.loads(told.stdout)["serial"], list)


@pytest.mark.real
@pytest.mark.parametrize(("answer", "code"), [(b"movable\n", 0), (None, 130)], ids=["answers", "Ctrl-C"])
def test_a_person_at_a_terminal_is_asked(capture: Path, answer: bytes | None, code: int, missing) -> None:
    if not hasattr(os, "openpty"):
        missing("this platform has no pseudo terminals")
    ours, theirs = os.openpty()
    command = [sys.executable, "-m", "livealign", "listen", str(capture)]
    person = subprocess.Popen(command, stdin=theirs, stdout=theirs, stderr=theirs, env=environment())
    os.close(theirs)
    said, answered = b"", False
    try:
        while person.poll() is None:
            if _more(ours):
                said += os.read(ours, 4096)
            elif b"which shaft" in said and not answered:  # it is quiet now: it waits
                answered = True
                if answer is None:
                    person.send_signal(signal.SIGINT)
                else:
                    os.write(ours, answer)
        while _more(ours):
            said += os.read(ours, 4096)
    except OSError:  # the other end is closed
        pass
    finally:
        person.wait(30)
        os.close(ours)
    assert person.returncode == code, said.decode()
    assert (b'shaft = "movable"' in said) == (code == 0)
    assert b"Traceback" not in said


def _more(descriptor: int) -> bool:
    return bool(select.select([descriptor], [], [], 0.2)[0])

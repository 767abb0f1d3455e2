"""Serial ports at the other end of a network, behind a real ser2net (RFC 2217)."""

import asyncio
import os
import shutil
import signal
import socket
import subprocess
import termios
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from drivers.conftest import SerialPart
from livealign_drivers._request import Request
from livealign_drivers.serial import SerialDriver, SerialOptions

PROGRAM = shutil.which("ser2net", path=os.pathsep.join([os.environ.get("PATH", ""), "/usr/sbin"]))
LISTENING = Path("/proc/net/tcp")
HAS_PROC = LISTENING.exists()
# pyserial names its threads by a way that Python has given up.
pytestmark = pytest.mark.filterwarnings(
    "ignore:setDaemon:DeprecationWarning", "ignore:setName:DeprecationWarning"
)

CONF = """\
%YAML 1.1
---
connection: &head
  accepter: telnet(rfc2217),tcp,127.0.0.1,{port}
  connector: serialdev,{device},9600n81,local
  options:
    kickolduser: true
"""


class RemotePort:
    """A pseudo terminal, and ser2net between it and the network."""

    def __init__(self, folder: Path) -> None:
        self.pty = SerialPart(folder)
        self.folder = folder
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self._process: subprocess.Popen[bytes] | None = None

    async def appear(self) -> None:
        conf = self.folder / "ser2net.yaml"
        conf.write_text(CONF.format(port=self.port, device=self.pty.name))
        assert PROGRAM is not None
        with (self.folder / "log").open("ab") as log:
            command = [PROGRAM, "-n", "-u", "-c", str(conf), "-P", str(self.folder / "pid")]
            self._process = subprocess.Popen(command, stdout=log, stderr=log)  # noqa: ASYNC220

        async with asyncio.timeout(20):
            while not self._listens():
                assert self._process.poll() is None, (self.folder / "log").read_text()
                await asyncio.sleep(0.02)

    def _listens(self) -> bool:
        # Not by connecting: that would open the port.
        return f":{self.port:04X} 00000000:0000 0A" in LISTENING.read_text()

    async def vanish(self) -> None:
        if self._process is not None:
            self._process.send_signal(signal.SIGKILL)
            await asyncio.to_thread(self._process.wait)
            self._process = None

    @property
    def url(self) -> str:
        # A pseudo terminal has no control lines, so nothing answers a request to set them.
        return f"rfc2217://127.0.0.1:{self.port}?ign_set_control"

    @property
    def speed(self) -> int:
        return termios.tcgetattr(self.pty._ends[1])[4]

    def driver(self, clock, **options) -> SerialDriver:
        given = {"port": self.url, "reconnect_max_s": 0.05, "baud": 38400} | options
        return SerialDriver("head S", SerialOptions(**given), clock)


@pytest.fixture
async def remote(serial_part, tmp_path, missing) -> AsyncIterator[RemotePort]:
    if PROGRAM is None or not HAS_PROC:
        missing("ports by RFC 2217 are tested with a real ser2net: install the package ser2net")
    port = RemotePort(tmp_path)
    port.pty = serial_part
    await port.appear()
    yield port
    await port.vanish()


async def test_it_reads_at_the_asked_for_speed_and_comes_back_and_leaves_nothing(
    remote, clock, listen, wait_until, leftovers
):
    sent = b"".join(b"%d,12.5\n" % n for n in range(500)) + bytes(range(256))  # with Telnet's escape, FF
    driver = remote.driver(clock)
    listener = listen(driver)
    await wait_until(lambda: "open" in listener.states)
    assert remote.speed == termios.B38400
    for at in range(0, len(sent), 1000):
        await remote.pty.send(sent[at : at + 1000])
        await asyncio.sleep(0.01)
    await wait_until(lambda: listener.received == sent)

    await remote.vanish()
    await wait_until(lambda: "lost" in listener.states)
    assert "has gone" in listener.events[-1].detail
    await remote.appear()
    await wait_until(lambda: listener.states.count("open") == 2)
    await remote.pty.send(b"after\n")
    await wait_until(lambda: listener.received == sent + b"after\n")
    assert listener.states == ["connecting", "open", "lost", "open"]
    await driver.close()
    await listener.task
    await leftovers.none()


async def test_a_head_behind_it_is_asked(remote, clock, listen, wait_until, leftovers):
    end = remote.pty._ends[0]
    asyncio.get_running_loop().add_reader(end, lambda: os.write(end, os.read(end, 100).upper()))
    driver = remote.driver(clock, request=Request(hex="72ff0a", every_s=0.02))
    listener = listen(driver)
    await wait_until(lambda: listener.received.count(b"R\xff\n") >= 3)
    await driver.close()
    await listener.task
    asyncio.get_running_loop().remove_reader(end)
    await leftovers.none()


async def test_a_server_without_control_lines_is_refused_with_advice(remote, clock, listen, wait_until):
    listener = listen(remote.driver(clock, port=remote.url.partition("?")[0]))
    await wait_until(lambda: "refused" in listener.states)
    assert "add ?ign_set_control to `port`" in listener.events[-1].detail


async def test_nobody_there_is_told(remote, clock, listen, wait_until, leftovers):
    await remote.vanish()
    driver = remote.driver(clock)
    listener = listen(driver)
    await wait_until(lambda: "lost" in listener.states)
    assert "cannot be opened" in listener.events[-1].detail
    await driver.close()
    await leftovers.none()

"""`livealign watch` on the command line."""

import fcntl
import os
import pty
import re
import select
import struct
import subprocess
import sys
import termios
import time
from pathlib import Path

import pytest
from click.testing import CliRunner

from livealign_tui import command
from livealign_tui.command import watch


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the command believe that a person sits before it."""
    monkeypatch.setattr(command, "_is_terminal", lambda: True)


def test_help_shows_how_it_is_called() -> None:
    result = CliRunner().invoke(watch, ["--help"])
    assert result.exit_code == 0
    assert "livealign watch" in result.output


@pytest.mark.usefixtures("terminal")
def test_without_a_service_it_says_so_and_what_to_do(tmp_path: Path) -> None:
    result = CliRunner().invoke(watch, ["--note", str(tmp_path / "none.json")])
    assert result.exit_code == 1
    assert "no running service was found" in result.output
    assert "livealign run" in result.output


@pytest.mark.usefixtures("terminal")
def test_an_address_that_is_none_is_refused() -> None:
    result = CliRunner().invoke(watch, ["--url", "over there", "--token", "x"])
    assert result.exit_code == 1
    assert "not the URL of a service" in result.output


def test_url_and_token_belong_together() -> None:
    result = CliRunner().invoke(watch, ["--url", "http://127.0.0.1:1"])
    assert result.exit_code == 2
    assert "belong together" in result.output


def test_into_a_pipe_it_says_that_it_needs_a_terminal() -> None:
    result = CliRunner().invoke(watch, ["--url", "http://127.0.0.1:1", "--token", "x"])
    assert result.exit_code == 1
    assert "needs a terminal" in result.output


def test_on_a_real_terminal_it_waits_for_the_service_and_leaves_at_q() -> None:
    outer, inner = pty.openpty()
    fcntl.ioctl(inner, termios.TIOCSWINSZ, struct.pack("HHHH", 30, 100, 0, 0))
    arguments = ["watch", "--url", "http://127.0.0.1:1", "--token", "x"]
    run = "from livealign.cli import main; main()"
    environment = {**os.environ, "TERM": "xterm-256color"}
    environment["PYTHONPATH"] = os.pathsep.join(sys.path)
    process = subprocess.Popen(
        [sys.executable, "-c", run, *arguments],
        stdin=inner,
        stdout=inner,
        stderr=inner,
        env=environment,
        close_fds=True,
    )
    os.close(inner)
    try:
        assert b"no contact with the service" in _plain(_read_until(outer, b"trying again"))
        os.write(outer, b"q")
        _read_until(outer, b"")
        assert process.wait(60) == 0
    finally:
        process.kill()
        process.wait()
        os.close(outer)


def _read_until(outer: int, wanted: bytes) -> bytes:
    """Return what the terminal was told up to the wanted words; nothing wanted reads to the end."""
    seen = b""
    until = time.monotonic() + 60
    while not wanted or wanted not in _plain(seen):
        assert time.monotonic() < until, seen
        if select.select([outer], [], [], 0.2)[0]:
            try:
                more = os.read(outer, 65536)
            except OSError:  # how Linux says that the other side has closed
                break
            if not more:
                break
            seen += more
    return seen


def _plain(seen: bytes) -> bytes:
    """Return what a terminal was told, without colours and places."""
    return re.sub(rb"\x1b\[[0-9;?]*[a-zA-Z]", b"", seen)

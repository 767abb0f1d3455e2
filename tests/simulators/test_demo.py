"""`livealign demo` as a real process, with real parts under it; nothing may outlive it."""

import json
import os
import select
import signal
import struct
import subprocess
import sys
import time

import psutil
import pytest
from click.testing import CliRunner

from livealign.cli import main
from livealign_simulators.operator import Outcome
from livealign_simulators.ports import have_ptys
from livealign_simulators.summary import summary

PATIENCE_S = 60
if sys.platform != "win32":
    import fcntl
    import termios

posix = pytest.mark.skipif(sys.platform == "win32", reason="signals differ there")


def start(*options: str) -> subprocess.Popen[str]:
    command = (sys.executable, "-m", "livealign", "demo", *options)
    return subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


def parts_of(process: subprocess.Popen[str]) -> dict[str, psutil.Process]:
    """Wait until both parts run; return them by their subcommand."""
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        found = {}
        for child in psutil.Process(process.pid).children(recursive=True):
            words = child.cmdline()
            if "livealign" in words:
                found[words[words.index("livealign") + 1]] = child
        if {"run", "simulate"} <= found.keys():
            return found
        time.sleep(0.2)
    raise AssertionError(process.communicate(timeout=PATIENCE_S))


def until_it_says(process: subprocess.Popen[str], words: str) -> None:
    for line in process.stdout:
        if words in line:
            return
    raise AssertionError(process.stderr.read())


def assert_gone(parts: dict[str, psutil.Process]) -> None:
    _, alive = psutil.wait_procs(list(parts.values()), timeout=10)
    assert alive == []


@pytest.fixture(scope="module")
def whole_demo(tmp_path_factory: pytest.TempPathFactory) -> dict:
    folder = tmp_path_factory.mktemp("kept")
    started = time.monotonic()
    process = start("--headless", "--json", "--keep", str(folder))
    parts = parts_of(process)
    out, err = process.communicate(timeout=120)
    assert_gone(parts)
    return {
        "code": process.returncode,
        "out": out,
        "err": err,
        "seconds": time.monotonic() - started,
        "kept": sorted(p.name for p in folder.iterdir()),
    }


def test_the_whole_demo_ends_inside_tolerance(whole_demo):
    assert whole_demo["err"] == ""
    assert whole_demo["code"] == 0
    result = json.loads(whole_demo["out"])
    assert result.keys() == {"truth", "estimate", "verdict"}
    assert result["verdict"] == "conforming"
    assert abs(result["truth"]["start"]["pose"]["vertical"]["offset_mm"]) > 0.2
    assert max(abs(f["vertical_mm"]) for f in result["truth"]["end"]["feet"]) < 0.1
    assert len(whole_demo["kept"]) >= 1


def test_what_the_demo_estimates_is_true_within_what_it_says(whole_demo):
    result = json.loads(whole_demo["out"])
    for when in ("start", "end"):
        truth, told = result["truth"][when], result["estimate"][when]
        assert truth.keys() == told.keys() == {"pose", "feet"}
        for plane in ("vertical", "horizontal"):
            true, estimate = truth["pose"][plane], told["pose"][plane]
            assert true.keys() == estimate.keys()
            # Four standard uncertainties, and two micrometres for rounding.
            assert abs(true["offset_mm"] - estimate["offset_mm"]) < 4 * estimate["offset_u_mm"] + 0.002
            for a, b in zip(truth["feet"], told["feet"], strict=True):
                assert a["name"] == b["name"]
                assert abs(a[f"{plane}_mm"] - b[f"{plane}_mm"]) < 4 * b[f"{plane}_u_mm"] + 0.002


@posix
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_stopped_by_a_signal_it_takes_its_parts_with_it(how):
    with start("--headless", "--as", "tcp") as process:
        parts = parts_of(process)
        until_it_says(process, "Rotation")
        process.send_signal(how)
        _, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 130
    assert err == "Error: the demo was stopped\n"
    assert_gone(parts)


@posix
@pytest.mark.parametrize(("subcommand", "name"), [("run", "service"), ("simulate", "simulator")])
def test_a_part_that_dies_is_named_and_the_others_are_stopped(subcommand, name):
    with start("--headless", "--as", "serial" if have_ptys() else "tcp") as process:
        parts = parts_of(process)
        until_it_says(process, "Rotation")
        parts[subcommand].kill()
        _, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 1
    assert f"the {name} has ended (exit code -9)" in err
    assert "Its last words" in err
    assert "Traceback" not in err
    assert_gone(parts)


@posix
@pytest.mark.parametrize(
    ("options", "shown", "last"),
    [
        ((), b"Grain dryer fan 2", b"The demo was left before its end."),
        (("--practice",), b"near feet, both", b"As left by you"),
    ],
)
def test_at_a_terminal_the_dashboard_is_shown_and_leaving_it_ends_everything(options, shown, last):
    master, slave = os.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 30, 100, 0, 0))
    command = (sys.executable, "-m", "livealign", "demo", *options)
    environment = {**os.environ, "TERM": "xterm-256color"}
    process = subprocess.Popen(
        command, stdin=slave, stdout=slave, stderr=slave, start_new_session=True, env=environment
    )
    os.close(slave)
    try:
        parts = parts_of(process)
        screen = read_until(master, shown)
        os.write(master, b"q")
        screen += read_until(master, last)
        assert process.wait(timeout=PATIENCE_S) == 0
    finally:
        process.terminate()
        process.wait(timeout=PATIENCE_S)
        os.close(master)
    assert b"Traceback" not in screen
    assert_gone(parts)


def read_until(terminal: int, words: bytes) -> bytes:
    got, until = b"", time.monotonic() + PATIENCE_S
    while words not in got:
        assert time.monotonic() < until, got[-2000:]
        if select.select([terminal], [], [], 0.5)[0]:
            got += os.read(terminal, 65536)
    return got


def test_practice_without_a_terminal_says_what_to_do_instead():
    result = CliRunner().invoke(main, ["demo", "--practice"])
    assert result.exit_code == 1
    assert "simulate --control-http" in result.output
    assert CliRunner().invoke(main, ["demo", "--practice", "--json"]).exit_code == 2


def test_a_kept_folder_that_is_a_file_is_a_wrong_call(tmp_path):
    (tmp_path / "x").write_text("")
    result = CliRunner().invoke(main, ["demo", "--keep", str(tmp_path / "x")])
    assert result.exit_code == 2


def told(offset: float | None) -> dict:
    plane = {"offset_mm": offset, "offset_u_mm": 0.001, "slope_mm_per_m": 0.5, "slope_u_mm_per_m": 0.01}
    foot = {"name": "near feet", "vertical_mm": 0.25, "vertical_u_mm": 0.004}
    foot |= {"horizontal_mm": -0.1, "horizontal_u_mm": 0.004}
    return {"pose": {"vertical": plane, "horizontal": plane}, "feet": [foot]}


def test_the_summary_shows_truth_beside_estimate_and_what_is_not_known():
    text = summary(Outcome(told(0.301), told(0.0), told(0.3), told(None), "undecided"))
    assert "vertical offset, mm                +0.301    +0.300  0.002" in text
    assert "not known" in text
    assert text.endswith("Verdict: undecided")

"""`livealign calibrate` from readings in files to the rig file that the next job reads, and at a terminal."""

import asyncio
import contextlib
import json
import os
import re
import sys
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from hypothesis import given, settings
from hypothesis import strategies as st

from livealign.cli import main
from livealign.cli.calibrate.readings import number, read_lines, visits
from livealign.config.load import load_rig
from livealign.errors import PersonError
from livealign.session.wiring import wire
from service.processes import environment

EXAMPLES = Path(__file__).parents[2] / "docs" / "examples"


ONE_HEAD = """
schema = "livealign.rig/1"
name = "bench"
[[links]]
name = "S"
driver = DRIVER
format = { kind = "delimited", columns = ["ms", "angle", "spot"] }
clock = { field = "ms", unit = "ms" }
[[heads]]
name = "head S"
shaft = "stationary"
link = "S"
[heads.angle]
field = "angle"
[[heads.detectors]]
field = "spot"
unit = "um"
"""


def calibrate(*args: object) -> Result:
    return CliRunner().invoke(main, ["calibrate", *map(str, args)])


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text((EXAMPLES / "rig-mixed.toml").read_text(encoding="utf-8"), encoding="utf-8")
    return path


def file_of(path: Path, *lines: object) -> Path:
    path.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")
    return path


def bent(true: float) -> float:
    """A detector in mils whose number falls, 2 % too large in the middle and compressed at its ends."""
    return 3.0 - (1.02 * true / 0.0254 - 4e-4 * (true / 0.0254) ** 3 / 8.0)


def test_a_bent_detector_reads_true_after_its_calibration_is_in_the_file(rig: Path, tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    steps = [*np.arange(-0.9, 1.0, 0.2), *np.arange(0.7, -1.0, -0.2)]
    lines = [
        f"{true:.3f}, {bent(true) + rng.normal(0.0, 0.05):.4f}  # micrometer"
        for true in steps
        for _ in range(20)
    ]
    readings = file_of(tmp_path / "steps.txt", "# true mm, raw mil", *lines)
    command = ("detector", rig, "--head", "head M", "--readings", readings, "--gauge-u", 0.0005)
    before = rig.read_text(encoding="utf-8")

    dry = calibrate(*command, "--dry-run")
    assert dry.exit_code == 0, dry.output
    told = " ".join(dry.output.split())
    assert "The number falls by 0.97" in told
    assert "It is not straight" in told
    assert "A polynomial of degree 3 straightens it" in told
    assert "-linearity = { polynomial = [0.0, 1.004, 0.0, -2.0e-7] }" in dry.output
    assert told.endswith("Nothing was written.")
    assert rig.read_text(encoding="utf-8") == before
    asked = CliRunner().invoke(main, ["calibrate", *map(str, command)], input="n\n")
    assert "Write this into the rig file? [y/N]" in asked.output
    assert rig.read_text(encoding="utf-8") == before

    done = calibrate(*command, "--yes", "--json", "--by", "Kim", "--valid-days", 180)
    assert done.exit_code == 0, done.output
    assert json.loads(done.output)["written"] is True
    after = rig.read_text(encoding="utf-8")
    assert "polarity = -1                   # its number falls when the plunger is pushed in" in after
    spec = load_rig(rig).heads[1].detectors[0]
    assert [(c.what, c.by, c.valid_days) for c in spec.calibrations] == [
        ("gain", "Kim", 180),
        ("linearity", "Kim", 180),
    ]
    truth = np.linspace(-0.9, 0.9, 50)
    position, clipped, _ = (
        wire(load_rig(rig)).positions[1].channel.measured(np.array([bent(t) for t in truth]), None)
    )
    assert not clipped.any()
    away = 1e3 * position - truth
    # The file's own limits are 0.05 mil a reading: 0.0013 mm, twenty a step.
    assert np.abs(away - away.mean()).max() < 0.0015
    assert calibrate(*command, "--yes", "--dry-run").exit_code == 2


def test_angle_sag_and_what_is_wrong_are_told(rig: Path, tmp_path: Path) -> None:
    turns = file_of(
        tmp_path / "turns.txt",
        "mounted 0.9",
        "clockwise 348.2",
        "reversed 359.7",
        "mounted 1.0",
        "reversed 359.6",
    )
    angle = calibrate("angle", rig, "--head", "head S", "--readings", turns, "--yes")
    assert angle.exit_code == 0, angle.output
    sensor = load_rig(rig).heads[0].angle
    assert sensor is not None
    assert (sensor.sense, sensor.zero_deg) == ("counterclockwise", 0.3)
    assert [c.what for c in sensor.calibrations] == ["sense", "zero"]
    # A bar: the dial in mils falls when pushed in, and the bracket droops by 3 mil at 6 o'clock.
    bar = file_of(tmp_path / "bar.txt", "0 1.00", "90 2.52", "180 4.01", "270 2.49", "0 1.01")
    sag = calibrate("sag", rig, "--readings", bar, "--yes")
    assert sag.exit_code == 0, sag.output
    assert load_rig(rig).heads[1].detectors[0].sag_mm == pytest.approx(0.0765, abs=0.001)
    assert "Doubt" not in sag.output

    wrong = file_of(tmp_path / "wrong.txt", "0 1.0", "90 ninety")
    assert f"{wrong}:2: found 90 ninety" in calibrate("sag", rig, "--readings", wrong).output
    assert "name one head" in calibrate("detector", rig, "--gauge-u", 0, "--readings", bar).output
    assert calibrate("detector", rig, "--head", "head S").exit_code == 2
    assert "--readings belongs to one head" in calibrate("angle", rig, "--readings", turns).output


def test_noise_of_captured_bytes(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    lines = [f"{10 * i},{12.5 + rng.normal(0, 0.02):.4f},{rng.normal(0, 1.5):.3f}" for i in range(2000)]
    file_of(tmp_path / "capture.txt", *lines)
    driver = f'{{ kind = "file", path = "{(tmp_path / "capture.txt").as_posix()}" }}'
    rig = file_of(tmp_path / "rig.toml", ONE_HEAD.replace("DRIVER", driver))
    result = calibrate("noise", rig, "--yes")
    assert result.exit_code == 0, result.output
    head = load_rig(rig).heads[0]
    assert head.angle is not None
    assert head.detectors[0].noise_mm == pytest.approx(0.0015, rel=0.1)
    assert head.angle.noise_deg == pytest.approx(0.02, rel=0.1)
    told = " ".join(result.output.split())
    assert "(2000 readings, 100 a second)" in told
    # White noise falls to the end of what a record of 20 s can judge: 2.6 s, 1.5 um / 16.
    assert "Averaging 2.6 s leaves 0.0000" in told
    assert "mm; longer may help further" in told


def test_the_tolerance_that_can_be_proven_grows_with_the_arc() -> None:
    result = calibrate("tolerance", EXAMPLES / "job.toml", EXAMPLES / "rig.toml", "--json")
    arcs = json.loads(result.output)["arcs"]
    assert [a["arc_deg"] for a in arcs] == [360, 180, 90, 60]
    offsets = [a["offset_mm"] for a in arcs]
    assert offsets == sorted(offsets)
    words = calibrate("tolerance", EXAMPLES / "job.toml", EXAMPLES / "rig.toml").output
    assert "can be proven by turning 60 deg or more" in " ".join(words.split())
    assert max(map(len, words.splitlines())) <= 80


@settings(max_examples=50)
@given(st.binary(max_size=200))
def test_any_bytes_are_readings_or_refused_with_a_place(
    tmp_path_factory: pytest.TempPathFactory, raw: bytes
) -> None:
    path = tmp_path_factory.getbasetemp() / "any.txt"
    path.write_bytes(raw)
    said, lines = "", []
    try:
        lines = read_lines(path, number, "two numbers")
    except PersonError as e:
        said = str(e)
    assert bool(lines) != bool(said)
    assert str(path) in said or lines
    if lines:
        assert sum(len(group) for _, group in visits(lines)) == len(lines)


class HastyPerson:
    """Presses Enter at a terminal whenever asked; at the second step while the micrometer still turns."""

    def __init__(self) -> None:
        self.raw = self.creep = 0.0
        self.told: list[str] = []

    async def head(self, _: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """What the detector sends meanwhile."""
        with contextlib.suppress(ConnectionError):
            for i in range(100_000):
                self.raw += self.creep
                writer.write(f"{5 * i},0.0,{self.raw + 0.001 * (i % 2):.4f}\n".encode())
                await writer.drain()
                await asyncio.sleep(0.005)
        writer.close()

    async def work(self, lines: asyncio.StreamReader, keyboard: int) -> None:
        """Until the last step has been read, then say yes."""
        while line := (await lines.readline()).decode():
            self.told.append(line)
            step = re.search(r"Step (\d) of 5: set (\S+) mm", line)
            if step:
                self.raw, self.creep = 1.1 * float(step[2]), 0.0005 if step[1] == "2" else 0.0
            elif "Not taken" in line:
                self.raw, self.creep = 1.1, 0.0
            elif sum("  read" in t for t in self.told) == 5:
                os.write(keyboard, b"y\n")
                return
            else:
                continue
            await asyncio.sleep(0.05)
            os.write(keyboard, b"\n")


@pytest.mark.real
@pytest.mark.skipif(os.name != "posix", reason="terminals of POSIX")
async def test_at_a_terminal_what_moves_is_read_again_and_enter_goes_on(tmp_path: Path) -> None:
    person = HastyPerson()
    server = await asyncio.start_server(person.head, "127.0.0.1", 0)
    driver = f'{{ kind = "tcp", host = "127.0.0.1", port = {server.sockets[0].getsockname()[1]} }}'
    rig = file_of(tmp_path / "rig.toml", ONE_HEAD.replace("DRIVER", driver).replace('"um"', '"mm"'))
    keyboard, terminal = os.openpty()
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "livealign", "calibrate", "detector", str(rig), "--steps", "0,1,2",
        "--gauge-u", "0.001", "--seconds", "0.3", "--by", "Kim",
        stdin=terminal, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE, env=environment(),
    )  # fmt: skip
    os.close(terminal)
    assert process.stderr is not None
    assert process.stdout is not None
    try:
        async with asyncio.timeout(60):
            await person.work(process.stderr, keyboard)
            out = (await process.stdout.read()).decode()
            assert await process.wait() == 0, out
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()
        process._transport.close()  # type: ignore[attr-defined]
        os.close(keyboard)
        server.close()
        await server.wait_closed()
    assert sum("Not taken: it moved by" in line for line in person.told) == 1
    assert "Written to" in out
    spec = load_rig(rig).heads[0].detectors[0]
    assert spec.gain == pytest.approx(1.1, rel=1e-3)
    assert spec.calibrations[0].note == "5 visits to 3 positions, 0 to 2 mm, gauge u 0.001 mm"

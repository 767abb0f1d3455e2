"""`livealign simulate` as a real process."""

import json
import signal
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner

from livealign.cli import main
from livealign_simulators.cli import simulate
from livealign_simulators.ports import have_ptys

EXAMPLES = Path(__file__).parents[2] / "docs" / "examples"
COMMAND = (sys.executable, "-m", "livealign", "simulate")
PATIENCE_S = 30


class Simulator:
    """The process, told line by line."""

    def __init__(self, *options: str) -> None:
        self.process = subprocess.Popen(
            (*COMMAND, *options),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self.first = json.loads(self._line())

    def ask(self, **action):
        self.process.stdin.write(json.dumps(action) + "\n")
        self.process.stdin.flush()
        return json.loads(self._line())

    def _line(self):
        line = self.process.stdout.readline()
        assert line, self.process.stderr.read()
        return line

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.process.terminate()
        self.process.communicate(timeout=PATIENCE_S)

    def end(self, how=None):
        """End it by closing its input, or by a signal; return its exit code and what it said on standard error."""
        if how is not None:
            self.process.send_signal(how)
        _, errors = self.process.communicate(timeout=PATIENCE_S)
        return self.process.returncode, errors


def test_a_mechanic_told_by_lines_brings_the_machine_home():
    with Simulator("--control", "--as", "tcp", "--seed", "3") as sim:
        assert set(sim.first["links"]) == {"S", "M"}
        rig = tomllib.loads(Path(sim.first["rig"]).read_text(encoding="utf-8"))
        assert rig["links"][0]["driver"] == sim.first["links"]["S"]
        assert Path(sim.first["job"]).read_bytes() == (EXAMPLES / "job.toml").read_bytes()
        start = sim.ask(do="truth")
        assert abs(start["pose"]["vertical"]["offset_mm"]) > 0.2
        for foot in start["feet"]:
            assert sim.ask(do="shim", foot=foot["name"], mm=foot["vertical_mm"])["done"] == "shim"
        assert sim.ask(do="turn", to_deg=100, deg_per_s=90) == {"done": "turn", "angle_deg": 100.0}
        sim.ask(do="wait", s=3)
        end = sim.ask(do="truth")
        assert max(abs(f["vertical_mm"]) for f in end["feet"]) < 0.05
        assert end["feet"][0].keys() == start["feet"][0].keys()
        folder = Path(sim.first["job"]).parent
        assert sim.end() == (0, "")
        assert not folder.exists()


def test_what_is_not_waited_for_goes_on_while_other_things_happen():
    with Simulator("--control", "--as", "tcp") as sim:
        assert sim.ask(do="turn", to_deg=3600, deg_per_s=1, wait=False) == {
            "done": "turn",
            "angle_deg": 3600.0,
        }
        before = sim.ask(do="truth")["pose"]["vertical"]["offset_mm"]
        assert sim.ask(do="shim", foot="near feet", mm=1, wait=False)["done"] == "shim"
        sim.ask(do="wait", s=0.5)
        assert sim.ask(do="truth")["pose"]["vertical"]["offset_mm"] > before + 0.01
        assert sim.ask(do="unplug", link="S")["done"] == "unplug"


def test_what_cannot_be_done_is_answered_in_words_and_the_rest_goes_on():
    with Simulator("--control", "--as", "tcp") as sim:
        assert "near feet" in sim.ask(do="shim", foot="left feet", mm=1)["advice"]
        assert "no link" in sim.ask(do="unplug", link="X")["error"]
        assert "error" in sim.ask(do="dance")
        assert "mm" in sim.ask(do="shim", foot="near feet")["error"]
        assert sim.ask(do="corrupt", link="S", fraction=0.01) == {"done": "corrupt", "link": "S"}
        assert sim.ask(do="unplug", link="S") == {"done": "unplug", "link": "S"}
        assert sim.ask(do="replug", link="S") == {"done": "replug", "link": "S"}
        assert "pose" in sim.ask(do="truth")


def test_the_same_seed_is_the_same_machine():
    truths = []
    for seed in ("4", "4", "5"):
        with Simulator("--control", "--as", "tcp", "--seed", seed) as sim:
            truths.append(sim.ask(do="truth"))
    assert truths[0] == truths[1] != truths[2]


@pytest.mark.skipif(sys.platform == "win32", reason="signals differ there")
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_stopped_in_the_middle_of_its_script_it_leaves_nothing(how):
    with Simulator(*(["--as", "serial"] if have_ptys() else [])) as sim:
        folder = Path(sim.first["rig"]).parent
        assert Path(sim.first["links"]["S"]["port"]).exists() == have_ptys()
        assert sim.end(how) == (0, "")
        assert not folder.exists()


@pytest.mark.skipif(sys.platform == "win32", reason="/dev/null is not there")
def test_without_control_the_end_of_dev_null_is_not_the_end():
    command = (*COMMAND, "--as", "tcp")
    process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, text=True)
    try:
        assert json.loads(process.stdout.readline())["links"]
        assert json.loads(process.stdout.readline())["done"] == "wait"
    finally:
        process.terminate()
        process.communicate(timeout=PATIENCE_S)


def test_a_job_without_its_rig_is_a_wrong_call():
    result = CliRunner().invoke(main, ["simulate", "--job", "job.toml"])
    assert result.exit_code == 2
    assert "--job and --rig go together" in result.output


def test_a_missing_file_is_told_in_words():
    result = CliRunner().invoke(main, ["simulate", "--job", "no-job.toml", "--rig", "no-rig.toml"])
    assert result.exit_code == 1
    assert "no-job.toml" in result.output
    assert "Traceback" not in result.output


def test_the_built_in_demo_is_the_public_example():
    data = Path(sys.modules[simulate.callback.__module__].__file__).parent / "data"
    assert (data / "demo-job.toml").read_text() == (EXAMPLES / "job.toml").read_text()
    assert (data / "demo-rig.toml").read_text() == (EXAMPLES / "rig.toml").read_text()

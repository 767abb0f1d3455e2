"""Growth of either machine in the job file: understood, told, taken into the target, or refused with what to do."""

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from livealign.cli import main
from livealign.config.doubts import doubts
from livealign.config.load import parse_job, parse_pair, parse_rig
from livealign.session.setup import build
from livealign_simulators.scene import build_scene

Complaints = Callable[..., list[str]]

MOTOR = """
[[growth]]
machine = "movable"
given = "temperatures"
at = "near feet"
material = "steel-or-cast-iron"
height = 400
cold = 20
running = 60

[[growth]]
machine = "movable"
given = "temperatures"
at = "far feet"
material = "steel-or-cast-iron"
height = 400
cold = 68
running = 104
degrees = "F"
"""
FAN = """
[[distances]]
from = "fan's far bearing"
to = "fan's near bearing"
length = 500
u = 1.0

[[distances]]
from = "fan's near bearing"
to = "coupling"
length = 300
u = 1.0

[[growth]]
machine = "stationary"
given = "rise"
at = "fan's far bearing"
up = 0.10
up_u = 0.02
sideways = -0.03
sideways_u = 0.01

[[growth]]
machine = "stationary"
given = "rise"
at = "fan's near bearing"
up = 0.05
up_u = 0.01
"""


def test_both_machines_grow_into_the_target(job_text: str, rig_text: str) -> None:
    """By hand, from 11.3e-6/K: motor near 0.1808, far 0.0904 mm over 330 and 750 mm; fan 0.05 and 0.10 at -300 and -800."""
    job, rig = parse_pair(job_text + MOTOR + FAN, rig_text, "j", "r")
    setup = build(job, rig)
    motor = 0.1808 + 0.0904 * 330 / 420, -0.0904 / 0.42
    fan = 0.05 - 0.05 * 300 / 500, -0.05 / 0.5
    assert setup.target[2:] * 1e3 == pytest.approx([fan[0] - motor[0], fan[1] - motor[1]], abs=1e-6)
    # Sideways only the fan's far bearing moves, by 0.03 toward 9 o'clock over 500 mm.
    assert setup.target[:2] * 1e3 == pytest.approx([0.03 * 300 / 500, 0.03 / 0.5], abs=1e-6)
    assert np.linalg.eigvalsh(setup.target_cov).min() > -1e-18
    fan_u = np.hypot(0.01 * 800 / 500, 0.02 * 300 / 500) * 1e-3
    assert np.sqrt(setup.target_cov[2, 2]) > fan_u
    # What the simulated machine is sent to agrees, though it is worked out there anew.
    scene = build_scene(job, rig, seed=1)
    plain = build_scene(parse_job(job_text + FAN.split("[[growth]]", maxsplit=1)[0], "j"), rig, seed=1)
    for with_growth, without in zip(scene.tell(0.0)[1], plain.tell(0.0)[1], strict=True):
        x = with_growth.x_mm * 1e-3
        wanted = 1e3 * (setup.target[2] + setup.target[3] * x)
        assert with_growth.vertical_mm - without.vertical_mm == pytest.approx(wanted, abs=0.003)
        wanted = 1e3 * (setup.target[0] + setup.target[1] * x)
        assert with_growth.horizontal_mm - without.horizontal_mm == pytest.approx(wanted, abs=0.003)


def test_growth_at_the_coupling_is_a_target_turned_round(job_text: str, rig_text: str) -> None:
    keys = "vertical_offset = 0.05\nvertical_offset_u = 0.01\nhorizontal_slope_mm_per_m = 0.2\n"
    grown = job_text + f'[[growth]]\nmachine = "movable"\ngiven = "coupling"\n{keys}'
    asked = job_text + "[target]\n" + keys.replace("= 0.05", "= -0.05").replace("= 0.2", "= -0.2")
    one, two = (build(parse_job(text, "j"), parse_rig(rig_text, "r")) for text in (grown, asked))
    assert one.target == pytest.approx(two.target)
    assert one.target_cov == pytest.approx(two.target_cov)


def test_check_says_what_grows_and_where_that_leads(tmp_path: Path, job_text: str, rig_text: str) -> None:
    job = tmp_path / "job.toml"
    shims = "\n[shims]\nmost_per_foot = 3\nsizes = [{ thickness = 0.1, count = 20 }, { thickness = 0.5 }]\n"
    job.write_text(job_text + MOTOR + FAN + shims, encoding="utf-8")
    told = CliRunner().invoke(main, ["check", str(job)])
    flat = " ".join(told.output.split())
    for words in (
        "Vertical: movable shaft 0.23 mm low at the coupling, leading up away from it by 0.12 mm/m.",
        "Horizontal: movable shaft 0.02 mm toward 3 o'clock at the coupling",
        'In service motor, 22 kW moves 0.18 mm up (u 0.013 mm) at "near feet": steel or cast iron of 11.3 um/m/K',
        "11.3 um/m/K, 400 mm high, 20 to 60 C.",
        "In service fan moves 0.10 mm up (u 0.020 mm), 0.03 mm toward 9 o'clock (u 0.010 mm) at \"fan's far bearing\"",
        "20 of 0.10 mm, plenty of 0.50 mm; at most 3 under a foot.",
    ):
        assert words in flat
    assert told.output.endswith("Doubts\n  none\n")
    values = json.loads(CliRunner().invoke(main, ["check", str(job), "--json"]).output)
    assert len(values["understood"]["job"]["target"]) == 6


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ('at = "near feet"', 'at = "near foot"', 'no distance leads to "near foot"; did you mean "near feet"?'),
        ('at = "near feet"', 'at = "coupling"', 'growth at the coupling is given with given = "coupling"'),
        ('at = "near feet"', 'at = "far feet"', 'growth at "far feet" is given twice'),
        ('machine = "movable"', 'machine = "stationary"', "is given at one plane only, which gives no slope"),
        ('material = "steel-or-cast-iron"\n', "", "needs material, or expansion_um_per_m_k"),
        ('material = "steel-or-cast-iron"', 'material = "cheese"', 'it takes "steel-or-cast-iron" or "grey-iron"'),
        ("height = 400", "height = 400\nexpansion_um_per_m_k = 9.5", "stands beside material"),
        ('given = "temperatures"', 'given = "dreams"', 'it takes "temperatures" or "rise" or "coupling"'),
    ],
)  # fmt: skip
def test_what_does_not_agree_is_refused(
    job_text: str, changed: Callable[..., str], complaints: Complaints, old: str, new: str, complaint: str
) -> None:
    text = changed(job_text + MOTOR, (old, new))
    assert any(complaint in told for told in complaints(parse_job, text, "j"))


def test_growth_is_given_in_one_way_and_shims_once(job_text: str, complaints: Complaints) -> None:
    whole = '[[growth]]\nmachine = "movable"\ngiven = "coupling"\n'
    shims = "[shims]\nsizes = [{ thickness = 0.5 }, { thickness = 0.5, count = 3 }]\n"
    told = "\n".join(complaints(parse_job, job_text + MOTOR + whole + shims, "j"))
    assert "the movable machine's growth is given at the coupling already" in told
    assert "shims.sizes[2].thickness: this size stands on line" in told


def test_what_is_odd_is_doubted(job_text: str, changed: Callable[..., str]) -> None:
    odd = changed(job_text + MOTOR + FAN, ("height = 400", "height = 4"), ("running = 60", "running = 400"))
    odd = changed(odd, ("up = 0.10", "up = 10"))
    keys = {d.key for d in doubts(parse_job(odd, "j"))}
    assert {"growth[1].height", "growth[1].running", "growth[3].up"} <= keys

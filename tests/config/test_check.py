"""`livealign check` says what it understood, what it doubts, and what is wrong."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st

from livealign.cli import main
from livealign.config.sketch import sketch

EXAMPLES = sorted((Path(__file__).parents[2] / "docs" / "examples").glob("*.toml"))


def _check(*args: object) -> Result:
    return CliRunner().invoke(main, ["check", *map(str, args)])


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.name)
def test_every_example_is_sound_and_raises_no_doubt(path: Path) -> None:
    result = _check(path)
    assert result.exit_code == 0, result.output
    assert result.output.endswith("Doubts\n  none\n")
    assert max(map(len, result.output.splitlines())) <= 80


def test_it_says_what_it_understood(examples: Path) -> None:
    told = _check(examples / "rig.toml", examples / "job.toml").output
    assert told == _check(examples / "job.toml", examples / "rig.toml").output
    flat = " ".join(told.split())
    for words in (
        "stationary machine fan",
        "movable machine motor, 22 kW",
        "speed 1475 rpm",
        "far feet 750.0 mm u 1.4 mm",
        "link S, field 'spot' in um: head S on the stationary shaft, radial, positive outward",
        "link M, field 'angle' in deg: angle of head M, 0 at 12 o'clock",
        "grows clockwise",
        "at most 0.50 mm/m of the distance between them: 0.05 mm (API RP 686, 2nd ed. 2009, cl. 5.4.6.2)",
        "Both shafts in one line.",
        "lost records are noticed by 'count' (16 bits)",
    ):
        assert words in flat


def test_an_inch_job_is_told_in_inches_and_mils(examples: Path) -> None:
    told = " ".join(_check(examples / "job-inch.toml").output.split())
    assert "far feet 29.50 in u 0.06 in" in told
    assert "at most 3.0 mil, slope at most 0.50 mil/in (leaflet of the coupling's maker)" in told
    assert "Vertical: movable shaft 2.0 mil low at the coupling. Horizontal: in line." in told


def test_settings_that_may_be_secret_are_not_shown(tmp_path: Path, rig_text: str) -> None:
    path = tmp_path / "rig.toml"
    path.write_text(rig_text.replace('"serial"', '"radio", password = "swordfish"'), encoding="utf-8")
    assert "swordfish" not in _check(path).output


def test_the_words_for_every_kind_of_detector_and_target(
    tmp_path: Path, job_text: str, rig_text: str
) -> None:
    job, rig = tmp_path / "job.toml", tmp_path / "rig.toml"
    target = "[target]\nvertical_slope_mm_per_m = 0.2\nhorizontal_offset = -0.1\n\n[tolerance]"
    job.write_text(job_text.replace("[tolerance]", target), encoding="utf-8")
    detector = 'axis = "tangential"\npolarity = -1\ndepth_mm = -3\ngain = 1.02\nnoise_mm = 0.002'
    rig.write_text(
        rig_text.replace("noise_mm = 0.002", detector, 1).replace(
            "zero_u_deg", "zero_deg = 90\nzero_u_deg", 1
        ),
        encoding="utf-8",
    )
    told = " ".join(_check(job, rig).output.split())
    assert (
        "Vertical: leading up away from it by 0.20 mm/m. Horizontal: movable shaft 0.10 mm toward 9 o'clock"
        in told
    )
    assert (
        "tangential, positive counterclockwise, 1.02 for every 1 of true change, "
        "3 mm from its mark, toward the stationary machine" in told
    )
    assert "0 at 90 deg clockwise from 12 o'clock" in told


def test_the_words_for_indicators_mountings_and_calibrations(examples: Path) -> None:
    both = " ".join(_check(examples / "rig-rim-and-face.toml").output.split())
    assert "indicator on the other shaft's rim, positive when pushed in" in both
    assert "bracket sag -0.08 mm from 12 to 6 o'clock, sees -4 to 4 mm" in both
    assert (
        "indicator on the other hub's face at radius 75 mm (u 0.3 mm), positive when the gap closes there"
        in both
    )
    assert "180 deg clockwise of where the head tells its angle" in both
    mixed = " ".join(_check(examples / "rig-mixed.toml").output.split())
    assert "axis 45 deg clockwise of outward, positive that way" in mixed
    assert "straightened by a table of 5 points, -5 to 5 mm" in mixed
    assert "positive when let out, straightened by a polynomial of degree 3" in mixed


def test_doubts_are_numbered_and_do_not_refuse(tmp_path: Path, job_text: str) -> None:
    path = tmp_path / "job.toml"
    path.write_text(job_text.replace("u = 0.7", "u = 0"), encoding="utf-8")
    result = _check(path)
    assert result.exit_code == 0
    assert "  1." in result.output  # a long path begins a line of its own
    assert "  2." in result.output
    assert "distances[2].u" in result.output
    doubts = json.loads(_check(path, "--json").output)["doubts"]
    assert [d["key"] for d in doubts] == ["distances[1].u", "distances[2].u"]


def test_a_wrong_file_is_refused(tmp_path: Path, job_text: str, examples: Path) -> None:
    path = tmp_path / "job.toml"
    path.write_text(
        job_text.replace("diameter = 160", "diameter = 0").replace('"mm"', '"m"'), encoding="utf-8"
    )
    result = _check(path, examples / "rig.toml")
    assert result.exit_code == 1
    assert result.stdout == ""
    assert result.stderr.splitlines()[-1] == f"2 errors in {path}"
    told = json.loads(_check("--json", path, examples / "rig.toml").stdout)
    assert (told["ok"], told["doubts"], told["understood"]) == (False, [], None)
    assert [e["key"] for e in told["errors"]] == ["units", "coupling.diameter"]


def test_json_tells_the_same(examples: Path) -> None:
    told = json.loads(_check(examples / "job.toml", examples / "rig.toml", "--json").output)
    assert (told["ok"], told["errors"], told["doubts"]) == (True, [], [])
    job, rig = told["understood"]["job"], told["understood"]["rig"]
    assert job["points"][-1] == {"name": "far feet", "x_mm": 750.0, "u_mm": 1.414214}
    assert [(c["link"], c["field"]) for c in rig["channels"]] == [
        ("S", "angle"), ("S", "spot"), ("M", "angle"), ("M", "spot"),
    ]  # fmt: skip
    assert [d["x_mm"] for d in rig["detectors"]] == [-130.0, 130.0]
    assert json.loads(_check(examples / "rig.toml", "--json").output)["understood"]["job"] is None


def test_usage(examples: Path) -> None:
    assert _check().exit_code == 2
    assert _check(*[examples / "job.toml"] * 3).exit_code == 2
    assert "there is no such file" in _check(examples / "none.toml").stderr


def test_names_cannot_disturb_the_terminal(tmp_path: Path, job_text: str) -> None:
    path = tmp_path / "job.toml"
    path.write_text(job_text.replace("Grain dryer fan 2", "Grain \\u001b[31mdryer"), encoding="utf-8")
    assert "Grain ?[31mdryer" in _check(path).output


def test_help_is_quick(examples: Path) -> None:
    code = (
        "import sys; from livealign.cli import main\n"
        "try: main(['check', '--help'])\n"
        "except SystemExit: pass\n"
        "print(sorted({'numpy', 'pydantic'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.splitlines()[-1] == "[]"
    assert "livealign check job.toml rig.toml" in done.stdout


def test_a_sketch_is_to_scale() -> None:
    points = [
        ("far feet", 750.0),
        ("head S", -130.0),
        ("coupling", 0.0),
        ("head M", 130.0),
        ("near feet", 330.0),
    ]
    assert sketch(points, "fan", "motor", 78) == [
        "fan                                                                      motor",
        "----+---------+--------+--------------+------------------------------+--------",
        "    head S    |        head M         near feet                      far feet",
        "              coupling",
    ]


def test_points_close_together_share_a_label_or_step_down() -> None:
    lines = sketch([("a", 0.0), ("b", 0.1), ("c", 20.0), ("d", 1000.0)], "x" * 99, "y" * 99, 60)
    assert lines[0] == "x" * 27 + "..  " + "y" * 27 + ".."
    assert lines[1:] == [
        "----++-------------------------------------------------+----",
        "    |c                                                 d",
        "    a, b",
    ]


@given(
    st.lists(
        st.tuples(st.text("abc", min_size=1, max_size=60), st.floats(-1e4, 1e4)), min_size=1, max_size=12
    ),
    st.text(max_size=60),
    st.integers(60, 100),
)
def test_a_sketch_is_never_wider_than_asked(
    points: list[tuple[str, float]], machine: str, width: int
) -> None:
    lines = sketch(points, machine, machine, width)
    assert max(map(len, lines)) <= width
    columns = [i for i, c in enumerate(lines[1]) if c == "+"]
    assert 1 <= len(columns) <= len(points)
    for column in columns:  # under every mark is its label, or a leader down to it
        below = (line[column : column + 1] for line in lines[2:])
        assert next(c for c in below if c != "|").strip()

"""Worked examples of published handbooks as whole jobs: captured indicator readings in, moves in words out.

The source stands beside the figures of each. All of them were worked with two indicators, one on each shaft; here these
send a JSON object a reading, and dwell for 40 readings at each quarter of a turn.
"""

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from end_to_end.workshop import livealign
from livealign.config.load import load_pair
from livealign.session.setup import build
from livealign.snapshot import PlanePose, Snapshot, decode

MIL_MM = 0.0254
DWELL = 40
NOISE_MIL = 0.05
CLOCK = {"T": 0.0, "E": 90.0, "B": 180.0, "W": 270.0}
"""Top, then 3 o'clock, bottom, 9 o'clock, in the order of turning. East is at 3 o'clock here."""
Readings = dict[str, float]
"""By place on the clock, in mil."""

JOB = """
schema = "livealign.job/1"
name = "A handbook's example"
units = "inch"

[machines]
stationary = "pump"
movable = "motor"
shaft_speed_rpm = 1780

[coupling]
diameter = 6.0
flex_planes_apart = 4.0

[[feet]]
name = "near feet"

[[feet]]
name = "far feet"

[[distances]]
from = "first plane"
to = "coupling"
length = {half}
u = 0.02

[[distances]]
from = "coupling"
to = "second plane"
length = {half}
u = 0.02

[[distances]]
from = "second plane"
to = "near feet"
length = {to_near}
u = 0.02

[[distances]]
from = "near feet"
to = "far feet"
length = {to_far}
u = 0.02
"""
_HEAD = """
[[heads]]
name = "{name}"
shaft = "{shaft}"
link = "box"

[[heads.detectors]]
name = "rim"
field = "{field}"
unit = "mil"
noise_mm = 0.0013
"""
_ANGLE = """
[heads.angle]
field = "deg"
noise_deg = 0.05
"""
RIG = (
    """
schema = "livealign.rig/1"
name = "two indicators"

[[links]]
name = "box"
driver = { kind = "file", path = "box.jsonl" }
format = { kind = "json-lines", fields = ["deg", "one", "two"] }
nominal_rate_hz = 20
"""
    + _HEAD.format(name="first plane", shaft="stationary", field="one").replace(
        "\n[[heads.detectors]]", _ANGLE + "\n[[heads.detectors]]"
    )
    + _HEAD.format(name="second plane", shaft="movable", field="two")
)
"""The stationary shaft carries the indicator whose plunger touches the rim in the first plane, the movable one the other."""


@dataclass(frozen=True)
class Layout:
    """Distances along the shafts in inches."""

    planes_apart: float = 10.0
    to_near: float = 8.0
    near_to_far: float = 20.0


class Bench:
    """A folder with the files of one job."""

    def __init__(self, folder: Path, layout: Layout) -> None:
        self.capture = folder / "box.jsonl"
        self.job, self.rig = folder / "job.toml", folder / "rig.toml"
        half = layout.planes_apart / 2
        text = JOB.format(half=half, to_near=layout.to_near, to_far=layout.near_to_far)
        self.job.write_text(text, encoding="utf-8")
        self.rig.write_text(RIG, encoding="utf-8")

    def arguments(self, one: Readings, two: Readings) -> list[object]:
        """Capture a turn in which the indicators show these figures; return what `solve` is called with."""
        noise = np.random.default_rng(20).normal(0.0, NOISE_MIL, (2, len(CLOCK), DWELL))
        lines = [
            json.dumps({"deg": degrees, "one": one[place] + a, "two": two[place] + b})
            for (place, degrees), noise_one, noise_two in zip(CLOCK.items(), *noise, strict=True)
            for a, b in zip(noise_one, noise_two, strict=True)
        ]
        self.capture.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return ["solve", f"box={self.capture}", "--job", self.job, "--rig", self.rig]

    def solved(self, one: Readings, two: Readings) -> Snapshot:
        result = livealign(*self.arguments(one, two), "--json")
        assert (result.exit_code, result.stderr) == (0, "")
        return decode(result.stdout)

    def shown(self, one: Readings, two: Readings) -> str:
        return livealign(*self.arguments(one, two)).stdout


def rim(vertical: float, horizontal: float, carrier: int) -> Readings:
    """What an indicator shows that is zeroed at 12 o'clock: from there to 6 o'clock twice the offset of its plane.

    It rises where the shaft it touches is near; `carrier` is +1 on the stationary shaft, -1 on the movable one, which moves
    away from it instead.
    """
    up, right = carrier * vertical, carrier * horizontal
    return {"T": 0.0, "E": right - up, "B": -2.0 * up, "W": -right - up}


def mils(mm: float | None) -> float:
    assert mm is not None
    return mm / MIL_MM


def offset_mils(plane: PlanePose, x_in: float) -> float:
    """Offset of the movable axis at a distance from the coupling's centre; 1 mm/m is 1 mil/in."""
    assert plane.offset_mm is not None
    assert plane.slope_mm_per_m is not None
    return mils(plane.offset_mm) + plane.slope_mm_per_m * x_in


def test_reverse_indicator_moves_at_the_feet(tmp_path: Path) -> None:
    # Bloch & Geitner, Machinery Component Maintenance and Repair (Practical Machinery Management vol. 3), p. 203,
    # Fig. 5-21. Planes 14 in apart, 12 in on to the near feet, 26 in more to the far ones; vertical 12 and 7 mil, horizontal
    # -1.5 and +18.5 mil, north +. Near foot lower .003 in, far foot raise .007 in, near foot .036 in south.
    bench = Bench(tmp_path, Layout(14.0, 12.0, 26.0))
    one, two = rim(12.0, -1.5, carrier=1), rim(7.0, 18.5, carrier=-1)
    near, far = bench.solved(one, two).feet

    assert mils(near.vertical_mm) == pytest.approx(-2.714, abs=0.1)
    assert mils(far.vertical_mm) == pytest.approx(6.571, abs=0.1)
    assert mils(near.horizontal_mm) == pytest.approx(-35.643, abs=0.1)
    # Not on the page, but on its line.
    assert mils(far.horizontal_mm) == pytest.approx(-72.786, abs=0.1)
    assert [round(mils(mm) / 1000, 3) for mm in (near.vertical_mm, far.vertical_mm, near.horizontal_mm)] == [
        -0.003,
        0.007,
        -0.036,
    ], "as printed, in inches"
    assert (near.vertical_words, far.vertical_words) == ("remove 2.7 mil", "add 6.6 mil")
    # With north at 3 o'clock, south is at 9.
    assert near.horizontal_words == "35.6 mil toward 9 o'clock"
    shown = bench.shown(one, two)
    for words in ("remove 2.7 mil", "add 6.6 mil", "35.6 mil toward 9 o'clock", "not conforming"):
        assert words in shown


def test_totals_of_both_indicators_and_the_line_between(tmp_path: Path) -> None:
    # R. B. McMillan, Rotating Machinery: Practical Solutions to Unbalance and Misalignment (2004), p. 169, Fig. 9-10:
    # centreline +5 at the stationary indicator's plane, +2 at the other: total readings +10 and -4.
    # (Total: what stands at 12 o'clock when zeroed at 6.)
    layout = Layout()
    bench = Bench(tmp_path, layout)
    one = {"B": 0.0, "T": 10.0, "E": 5.0, "W": 5.0}
    two = {"B": 0.0, "T": -4.0, "E": -2.0, "W": -2.0}
    pose = bench.solved(one, two).pose
    half = layout.planes_apart / 2
    assert offset_mils(pose.vertical, -half) == pytest.approx(5.0, abs=0.05)
    assert offset_mils(pose.vertical, half) == pytest.approx(2.0, abs=0.05)
    assert offset_mils(pose.horizontal, -half) == pytest.approx(0.0, abs=0.05)
    assert offset_mils(pose.horizontal, half) == pytest.approx(0.0, abs=0.05)

    # And from the line to the totals, by the rig's own rows.
    model = build(*load_pair(bench.job, bench.rig)).model
    line = np.array([0.0, 0.0, 3.5 * MIL_MM * 1e-3, -3.0 / layout.planes_apart * 1e-3])
    for index, published in enumerate((10.0, -4.0)):
        bottom, top = model.rows(index, np.zeros(2), np.array([-1.0, 1.0]))[:, -4:] @ line
        assert mils(1e3 * (top - bottom)) == pytest.approx(published)


def test_where_the_indicators_are_zeroed_does_not_matter(tmp_path: Path) -> None:
    # J. Piotrowski, Shaft Alignment Handbook, ch. 8 Fig. 8.10, as a secondary source quotes it: the sag-free sets
    # (T, E, W, B) = (0, +30, -10, +20) and (0, -50, +10, -40); zeroed on E they are (-30, 0, -40, -10) and
    # (+50, 0, +60, +10). (T - B)/2 = -10 and (E - W)/2 = +20, of the second +20 and -30.
    at_top = ({"T": 0, "E": 30, "W": -10, "B": 20}, {"T": 0, "E": -50, "W": 10, "B": -40})
    at_east = ({"T": -30, "E": 0, "W": -40, "B": -10}, {"T": 50, "E": 0, "W": 60, "B": 10})
    layout = Layout()
    bench = Bench(tmp_path, layout)
    zeroed_at_top, zeroed_at_east = (bench.solved(*sets) for sets in (at_top, at_east))

    half = layout.planes_apart / 2
    # The movable shaft carries the second indicator: its signs turn round.
    for plane, first, second in (
        (zeroed_at_top.pose.vertical, -10.0, -20.0),
        (zeroed_at_top.pose.horizontal, 20.0, 30.0),
    ):
        assert offset_mils(plane, -half) == pytest.approx(first, abs=0.05)
        assert offset_mils(plane, half) == pytest.approx(second, abs=0.05)
    for name in ("vertical", "horizontal"):
        a, b = (getattr(s.pose, name) for s in (zeroed_at_top, zeroed_at_east))
        assert b.offset_mm == pytest.approx(a.offset_mm, abs=2e-6)
        assert b.slope_mm_per_m == pytest.approx(a.slope_mm_per_m, abs=2e-6)
        assert b.offset_u_mm == pytest.approx(a.offset_u_mm, rel=1e-3)
    for foot, same in zip(zeroed_at_top.feet, zeroed_at_east.feet, strict=True):
        assert (foot.vertical_words, foot.horizontal_words) == (same.vertical_words, same.horizontal_words)

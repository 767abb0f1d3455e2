"""A whole job, from the first byte to the second verdict."""

import json
import math
from itertools import groupby

import pytest

from livealign.snapshot import Pose, Snapshot, decode, encode
from session.bench import FEET, Course, Line, adjusting, assert_feet, assert_pose, job_of

FOUND = Line(up=0.30, rise=0.4, right=-0.15, swing=-0.2)


def states(snapshots: list[Snapshot]) -> list[str]:
    return [state for state, _ in groupby(s.machine_state for s in snapshots)]


def test_a_machine_is_measured_shimmed_shifted_and_left_aligned() -> None:
    course = Course(job_of(), axis=FOUND, snapshots_per_s=10.0)
    _ready(course)
    _turn_in_rotation(course)
    found = _found(course)
    _shim(course)
    _shift(course)
    _prove(course, found)


def _ready(course: Course) -> None:
    ready = course.run(3.0)[-1]
    assert ready.phase == "ready"
    assert ready.pose == Pose()
    assert ready.verdict.state == "not known"
    assert [f.vertical_words for f in ready.feet] == ["not known", "not known"]
    assert "Begin a rotation" in ready.advice[0]
    assert {c.flags for c in ready.channels} == {()}


def _turn_in_rotation(course: Course) -> None:
    assert course.command("begin_rotation").phase == "rotation"
    resting = course.run(1.0)[-1]
    assert not resting.rotation.observable
    assert resting.pose == Pose()
    turning = course.run(6.4, turn_deg_s=60.0)
    assert turning[-1].machine_state == "turning"
    arcs = [s.rotation.arc_deg for s in turning]
    assert arcs == sorted(arcs)
    assert arcs[-1] == 360.0
    assert len(turning[-1].rotation.covered) == 36
    assert turning[-1].rotation.residual_sd_mm == pytest.approx(0.001, rel=0.3)
    u = [s.pose.vertical.slope_u_mm_per_m or math.inf for s in turning if s.rotation.observable]
    assert u[-1] < u[0] / 5
    course.run(1.0)


def _found(course: Course) -> Snapshot:
    found = course.command("end_rotation")
    assert found.phase == "findings"
    assert found.as_found is not None
    assert found.as_left is None
    assert found.as_found.pose == found.pose
    assert_pose(found.pose, FOUND)
    assert_feet(found, FOUND)
    assert found.verdict.state == "not conforming"
    assert found.gap_vertical_mm == pytest.approx(-0.4 * 0.160, abs=0.001)
    assert found.gap_horizontal_mm == pytest.approx(0.2 * 0.160, abs=0.001)
    assert found.gap_diameter_mm == 160.0
    assert "up and down first" in found.advice[-1]
    return found


def _shim(course: Course) -> None:
    course.park(0.0)
    following = course.command("adjust", plane="vertical")
    assert (following.phase, following.plane) == ("adjust", "vertical")
    still = course.run(3.0)[-1]
    assert still.machine_state == "settled"
    assert still.feet[0].vertical_words.startswith("remove")
    moved = course.run(1.0, to=course.axis.moved(up=[f.vertical_mm or 0.0 for f in still.feet]))
    assert moved[-1].machine_state == "moving"
    after = course.run(4.0)
    assert states(moved + after)[-3:] == ["moving", "settling", "settled"]
    assert after[-1].settling.still_s >= 1.5
    assert after[-1].settling.parked_words == "parked at 0 deg, good for up and down"
    settling = next(s for s in after if s.machine_state == "settling")
    assert settling.advice == ("Wait until the values have settled.",)
    assert settling.settling.seconds_left is not None
    assert_pose(after[-1].pose, course.axis)
    assert all(abs(f.vertical_mm or 1.0) < 0.01 for f in after[-1].feet)
    # the held plane has not been touched
    held = after[-1].pose.horizontal
    assert held.offset_mm == pytest.approx(FOUND.right, abs=0.02)
    assert held.slope_mm_per_m == pytest.approx(FOUND.swing, abs=0.05)


def _shift(course: Course) -> None:
    course.park(90.0)
    course.command("adjust", plane="horizontal")
    still = course.run(3.0)[-1]
    assert still.settling.parked_words == "parked at 90 deg, good for sideways"
    assert still.feet[0].horizontal_words.endswith("toward 3 o'clock")
    course.run(1.0, to=course.axis.moved(right=[f.horizontal_mm or 0.0 for f in still.feet]))
    after = course.run(4.0)[-1]
    assert after.machine_state == "settled"
    assert_pose(after.pose, course.axis)
    assert after.verdict.state == "conforming"
    assert after.as_left is None


def _prove(course: Course, found: Snapshot) -> None:
    again = course.command("begin_rotation")
    assert again.pose == Pose()
    assert again.as_found == found.as_found
    course.run(0.5)
    course.run(6.4, turn_deg_s=60.0)
    left = course.command("end_rotation")
    assert left.as_left is not None
    assert left.as_found == found.as_found
    assert_pose(left.as_left.pose, course.axis)
    assert left.verdict.state == "conforming"
    assert left.as_left.verdict == left.verdict
    assert left.as_left.time_s == left.time_s
    assert "Inside tolerance" in left.advice[-1]

    everything = json.loads(encode(left), parse_constant=lambda name: pytest.fail(f"{name} in JSON"))
    assert everything["schema"] == "livealign.snapshot/1"
    assert decode(encode(left)) == left
    counters = [link["counters"] for link in everything["links"]]
    assert [(c["missed"], c["bad"], c["dropped"], c["reconnects"]) for c in counters] == [(0, 0, 0, 0)] * 2


def test_turning_while_adjusting_is_said_and_the_pose_outlives_it() -> None:
    course = adjusting(0.0, "vertical")
    turning = course.run(2.0, turn_deg_s=20.0)
    assert turning[-1].machine_state == "turning"
    assert "Stop at a good parking angle" in turning[-1].advice[0]
    poor = course.run(1.25, turn_deg_s=40.0) + course.run(3.0)
    assert poor[-1].machine_state == "settled"
    assert "poor for up and down" in poor[-1].settling.parked_words
    assert "Park the shafts" in poor[-1].advice[0]
    assert_pose(poor[-1].pose, course.axis)


@pytest.mark.parametrize("parked_deg", [0.0, 40.0, 180.0, 325.0])
def test_shims_are_followed_wherever_the_shafts_are_parked(parked_deg: float) -> None:
    course = adjusting(parked_deg, "vertical")
    course.run(0.5, to=course.axis.moved(up=(-0.25, -0.6)))
    course.run(2.0)
    course.run(0.5, to=course.axis.moved(up=(0.1, 0.0)))
    after = course.run(3.0)[-1]
    assert_pose(after.pose, course.axis)
    assert_feet(after, course.axis)


def test_the_rotation_chart_is_bounded_and_left_out_while_adjusting() -> None:
    course = Course(job_of())
    found = course.rotation(720.0, 90.0)
    assert 36 <= len(found.rotation.residuals) <= 2 * 72
    assert {r.detector for r in found.rotation.residuals} == {"head S position", "head M position"}
    assert all(0.0 <= r.angle_deg < 360.0 for r in found.rotation.residuals)
    assert course.command("adjust").rotation.residuals == ()


def test_a_target_for_growth_shifts_the_moves_and_the_verdict() -> None:
    target = {
        "vertical_offset": -0.2,
        "vertical_slope_mm_per_m": 0.3,
        "horizontal_offset": 0.1,
        "horizontal_slope_mm_per_m": -0.1,
    }
    wanted = Line(up=-0.2, rise=0.3, right=0.1, swing=-0.1)
    course = Course(job_of(target=target), axis=FOUND)
    found = course.rotation()
    assert_pose(found.pose, FOUND)
    assert_feet(found, FOUND, target=wanted)
    assert found.verdict.state == "not conforming"
    there = Course(job_of(target=target), axis=wanted).rotation(200.0)
    assert there.verdict.state == "conforming"
    assert [f.vertical_words for f in there.feet] == ["leave as it is"] * len(FEET)


def test_a_job_in_inches_says_mils_and_carries_millimetres() -> None:
    target = {"vertical_offset": -0.002}
    course = Course(job_of(units="inch", target=target), axis=FOUND)
    found = course.rotation()
    assert found.units == "inch"
    assert_pose(found.pose, FOUND)
    assert_feet(found, FOUND, target=Line(up=-0.002 * 25.4))
    assert found.gap_diameter_mm == pytest.approx(160.0)
    near = -0.002 * 25.4 - FOUND.at(330.0)[1]
    assert found.feet[0].vertical_words == f"remove {-near / 0.0254:.1f} mil"
    assert "mil" in found.rotation.advice


def test_three_foot_planes_lie_on_one_line() -> None:
    feet = {"near feet": 330.0, "middle feet": 700.0, "far feet": 1100.0}
    course = Course(job_of(feet=feet), axis=FOUND)
    found = course.rotation()
    assert [f.name for f in found.feet] == list(feet)
    assert [f.x_mm for f in found.feet] == list(feet.values())
    assert_feet(found, FOUND)
    first, second, third = ((f.x_mm, f.vertical_mm or 0.0) for f in found.feet)
    slopes = [(b[1] - a[1]) / (b[0] - a[0]) for a, b in ((first, second), (second, third))]
    assert slopes[0] == pytest.approx(slopes[1], rel=1e-4)

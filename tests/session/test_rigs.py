"""Rigs of every kind, also those that cannot tell."""

import numpy as np
import pytest

from livealign.errors import PersonError
from livealign.session.setup import build
from livealign.snapshot import Snapshot
from session.bench import (
    FACING,
    Course,
    Detector,
    Head,
    Line,
    adjusting,
    assert_feet,
    assert_pose,
    job_of,
    rig_of,
)

AXIS = Line(up=0.30, rise=0.4, right=-0.15, swing=-0.2)


def assert_nothing_said(snapshot: Snapshot) -> None:
    for plane in (snapshot.pose.vertical, snapshot.pose.horizontal):
        assert plane.slope_mm_per_m is None
        assert plane.slope_u_mm_per_m is None
    for foot in snapshot.feet:
        assert (foot.vertical_mm, foot.vertical_u_mm) == (None, None)
        assert (foot.horizontal_mm, foot.horizontal_u_mm) == (None, None)
        assert (foot.vertical_words, foot.horizontal_words) == ("not known", "not known")
    assert (snapshot.gap_vertical_mm, snapshot.gap_horizontal_mm) == (None, None)
    assert snapshot.verdict.state == "not known"
    assert snapshot.verdict.probability is None
    assert snapshot.verdict.used is None
    assert snapshot.as_found is None
    assert not snapshot.rotation.observable
    assert "not observable" in snapshot.advice[0]
    assert snapshot.rotation.missing == snapshot.advice[1:]  # what to add, in words


@pytest.mark.parametrize(
    "heads",
    [
        pytest.param(FACING[:1], id="one detector"),
        pytest.param((Head("head S", "stationary", 80.0), Head("head M", "movable", 80.0)), id="one plane"),
        pytest.param(
            (Head("head S", "stationary", 80.0, (Detector("r"), Detector("t", axis="tangential"))),),
            id="two axes in one plane",
        ),
    ],
)
def test_a_rig_that_cannot_tell_the_slope_gives_no_number(heads: tuple[Head, ...]) -> None:
    course = Course(job_of(heads), heads, axis=AXIS)
    found = course.rotation()
    assert_nothing_said(found)
    assert found.pose.vertical.offset_mm is None
    assert found.pose.horizontal.offset_mm is None
    assert "not known yet" in course.objection("adjust")


def test_what_one_plane_in_the_coupling_does_tell_is_told() -> None:
    heads = (Head("head S", "stationary", 0.0),)
    found = Course(job_of(heads), heads, axis=AXIS).rotation()
    assert_nothing_said(found)
    assert found.pose.vertical.offset_mm == pytest.approx(AXIS.up, abs=1e-3)
    assert found.pose.horizontal.offset_mm == pytest.approx(AXIS.right, abs=1e-3)


@pytest.mark.parametrize("degrees", [0.0, 1.5])
def test_without_turning_nothing_is_known(degrees: float) -> None:
    course = Course(job_of(), axis=AXIS)
    course.command("begin_rotation")
    course.run(4.0)
    if degrees:
        course.run(1.0, turn_deg_s=degrees)
    course.run(4.0)
    assert_nothing_said(course.command("end_rotation"))


def test_a_quarter_turn_is_answered_with_the_uncertainty_it_has() -> None:
    full = Course(job_of(), axis=AXIS).rotation()
    quarter = Course(job_of(), axis=AXIS).rotation(90.0, 20.0)
    assert_pose(quarter.pose, AXIS)
    assert (quarter.feet[1].vertical_u_mm or 0.0) > 1.5 * (full.feet[1].vertical_u_mm or 0.0)
    assert "more near" in quarter.rotation.advice


def test_a_dead_detector_among_three_hurts_nobody() -> None:
    heads = (*FACING, Head("head X", "stationary", -60.0))
    course = Course(job_of(heads), heads, axis=AXIS)
    course.unplugged.add("head X")
    assert_pose(course.rotation().pose, AXIS)
    course.park(0.0)
    course.command("adjust", plane="vertical")
    course.run(2.0)
    course.run(0.5, to=AXIS.moved(up=(-0.2, 0.1)))
    assert_pose(course.run(3.0)[-1].pose, course.axis)


@pytest.mark.parametrize("blind", [0, 1])
def test_one_inclinometer_serves_both_heads_over_two_links(blind: int) -> None:
    heads = tuple(Head(h.name, h.shaft, h.x, angle=i != blind) for i, h in enumerate(FACING))
    course = Course(job_of(heads), heads, axis=AXIS, noise_um=1.0)
    assert [c.name for c in course.run(0.5)[-1].channels if c.kind == "angle"] == [
        f"{heads[1 - blind].name} angle"
    ]
    course.run(5.0)  # the clocks are learnt
    found = course.rotation(240.0, 20.0)
    assert found.rotation.readings > 2400
    # A millisecond that the clocks are apart is 0.02 deg here, about 0.1 um on the reading.
    assert_pose(found.pose, AXIS)
    course.park(0.0)
    course.command("adjust", plane="vertical")
    course.run(2.0)
    course.run(0.5, to=AXIS.moved(up=(-0.2, 0.1)))
    after = course.run(3.0)[-1]
    assert after.machine_state == "settled"
    assert_pose(after.pose, course.axis)


TWO_AXES = tuple(
    Head(h.name, h.shaft, h.x, (Detector("radial"), Detector("across", axis="tangential"))) for h in FACING
)


def test_a_two_axis_rig_needs_less_turning() -> None:
    one = Course(job_of(), axis=AXIS).rotation(60.0, 20.0)
    two = Course(job_of(), TWO_AXES, axis=AXIS).rotation(60.0, 20.0)
    assert_pose(two.pose, AXIS)
    assert (two.feet[1].vertical_u_mm or 1.0) < (one.feet[1].vertical_u_mm or 0.0) / 1.5


@pytest.mark.parametrize("parked_deg", [0.0, 90.0])
def test_a_two_axis_rig_follows_either_plane_at_any_angle(parked_deg: float) -> None:
    course = adjusting(parked_deg, "vertical", TWO_AXES)
    course.run(0.5, to=AXIS.moved(up=(-0.2, 0.1)))
    after = course.run(3.0)[-1]
    assert_pose(after.pose, course.axis)
    assert "good for up and down" in after.settling.parked_words
    assert "Park" not in after.advice[-1]


def test_indicators_on_sagging_brackets() -> None:
    """A bar that droops 0.12 mm: zeroed at 12 o'clock it shows -0.12 mm at 6 on a stiff shaft."""
    heads = (
        Head("head S", "stationary", 60.0, (Detector(kind="rim", sag=-0.12),)),
        Head("head M", "movable", -60.0, (Detector(kind="rim", sag=-0.08),)),
    )
    course = Course(job_of(heads), heads, axis=AXIS, noise_um=2.0)
    found = course.rotation()
    assert_pose(found.pose, AXIS)
    assert_feet(found, AXIS)
    course.park(0.0)
    course.command("adjust", plane="vertical")
    course.run(2.0)
    course.run(0.5, to=AXIS.moved(up=(-0.2, 0.1)))
    assert_pose(course.run(3.0)[-1].pose, course.axis)


def test_sag_is_entered_as_it_is_read() -> None:
    heads = (Head("head S", "stationary", 60.0, (Detector(kind="rim", sag=-0.12),)),)
    detector = build(job_of(heads), rig_of(heads)).model.detectors[0]
    at = np.radians([0.0, 180.0])
    shown = detector.sag_m * np.cos(at)
    assert shown[1] - shown[0] == pytest.approx(-0.12e-3)


def test_depth_moves_the_plane_that_is_seen() -> None:
    heads = (Head("head M", "movable", 130.0, (Detector("front"), Detector("back", depth=160.0))),)
    setup = build(job_of(heads), rig_of(heads))
    assert [round(d.x_m, 9) for d in setup.model.detectors] == [0.130, 0.290]
    found = Course(job_of(heads), heads, axis=AXIS).rotation()
    assert_pose(found.pose, AXIS)


def test_a_rig_without_any_inclinometer_is_refused_in_words() -> None:
    heads = tuple(Head(h.name, h.shaft, h.x, angle=False) for h in FACING)
    with pytest.raises(PersonError, match="no head has an angle sensor"):
        build(job_of(heads), rig_of(heads))


def test_a_cheap_inclinometer_at_rest_does_not_turn() -> None:
    course = Course(job_of(), tilt_deg=0.15)
    course.run(1.0)
    assert "turning" not in {s.machine_state for s in course.run(20.0)}
    assert course.run(1.0, turn_deg_s=10.0)[-1].machine_state == "turning"

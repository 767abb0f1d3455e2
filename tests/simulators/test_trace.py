"""The traced spot against closed forms written down here from the geometry, not from the program's estimate."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from livealign_simulators.geometry import STATIONARY, AxisLine, cross, head_frame, hit_plane, rotate
from livealign_simulators.trace import Source, Surface, trace

TURN = np.deg2rad(np.arange(0.0, 360.0, 5.0))
S, M = -130.0, 130.0


def swing(reading: np.ndarray) -> np.ndarray:
    return reading - reading.mean()


def by_stationary(line: AxisLine, x: float = S, **detector: float) -> tuple[np.ndarray, np.ndarray]:
    return trace(line, TURN, Source(M), Surface(x, **detector), "stationary")


def by_movable(line: AxisLine) -> tuple[np.ndarray, np.ndarray]:
    return trace(line, TURN, Source(S), Surface(M), "movable")


def test_aligned_shafts_never_move_the_spot():
    crooked = Surface(S, 79.7, aside_mm=0.3, lean_rad=0.01, yaw_rad=-0.02)
    outward, clockwise = trace(STATIONARY, TURN, Source(M, 80.2, 0.003, -0.002), crooked, "stationary")
    assert np.ptp(outward) < 1e-9
    assert np.ptp(clockwise) < 1e-9
    assert abs(outward[0]) > 0.1


def test_movable_shaft_high_pushes_the_spot_outward_at_twelve_and_inward_at_six():
    outward, clockwise = by_stationary(AxisLine(z_mm=0.3))
    assert_allclose(outward, 0.3 * np.cos(TURN), atol=1e-12)
    # At 3 o'clock, clockwise is down: the high light stands anticlockwise of the detector.
    assert_allclose(clockwise, -0.3 * np.sin(TURN), atol=1e-12)


def test_the_movable_head_sees_the_opposite():
    assert_allclose(by_movable(AxisLine(z_mm=0.3))[0], -0.3 * np.cos(TURN), atol=1e-12)
    assert_allclose(by_movable(AxisLine(y_mm=0.3))[0], -0.3 * np.sin(TURN), atol=1e-12)


def test_offset_toward_three_is_greatest_at_three():
    outward, _ = by_stationary(AxisLine(y_mm=0.2))
    assert TURN[np.argmax(outward)] == pytest.approx(np.pi / 2)
    assert outward.max() == pytest.approx(0.2)


def test_pure_slope_reads_the_axis_height_in_the_detector_plane():
    slope = 0.0007
    near, far = (
        by_stationary(AxisLine(z_slope=slope))[0],
        by_stationary(AxisLine(z_slope=slope), x=S - 200)[0],
    )
    assert_allclose(near, slope * S * np.cos(TURN), atol=5e-5)
    assert_allclose(far, slope * (S - 200) * np.cos(TURN), atol=1e-4)
    assert_allclose(by_movable(AxisLine(z_slope=slope))[0], -slope * M * np.cos(TURN), atol=5e-5)


def test_a_leaning_detector_stretches_the_reading_by_its_secant():
    lean = 0.2
    outward, _ = by_stationary(AxisLine(z_mm=0.3), lean_rad=lean)
    assert_allclose(outward, 0.3 * np.cos(TURN) / np.cos(lean), atol=1e-12)


def test_an_aim_error_adds_a_constant_only():
    aimed = trace(AxisLine(z_mm=0.3), TURN, Source(M, 80.0, 0.002, 0.001), Surface(S), "stationary")
    straight = by_stationary(AxisLine(z_mm=0.3))
    assert_allclose(aimed[0] - straight[0], np.tan(0.002) * (M - S), atol=1e-9)
    assert_allclose(aimed[1] - straight[1], np.tan(0.001) * (M - S), atol=1e-9)


@given(
    pose=st.tuples(*[st.floats(-0.5, 0.5)] * 2, *[st.floats(-0.7e-3, 0.7e-3)] * 2),
    lean=st.floats(-0.005, 0.005),
    aim=st.floats(-0.002, 0.002),
)
def test_space_departs_from_the_linear_model_by_less_than_half_a_micrometre(pose, lean, aim):
    y, z, y_slope, z_slope = pose
    line = AxisLine(y, y_slope, z, z_slope)
    surface = Surface(S, 79.8, 0.2, lean, -lean)
    outward, _ = trace(line, TURN, Source(M, 80.2, aim, -aim), surface, "stationary")
    linear = (y + y_slope * S) * np.sin(TURN) + (z + z_slope * S) * np.cos(TURN)
    assert np.abs(swing(outward - linear)).max() < 0.5e-3


def test_each_reading_may_have_a_pose_of_its_own():
    heights = np.linspace(-0.5, 0.5, TURN.size)
    moving = AxisLine(y_mm=np.zeros_like(heights), y_slope=0 * heights, z_mm=heights, z_slope=0 * heights)
    assert_allclose(by_stationary(moving)[0], heights * np.cos(TURN), atol=1e-12)


@given(st.floats(-0.01, 0.01), st.floats(-0.01, 0.01))
def test_heads_turn_rigidly_and_squarely_about_their_own_axis(y_slope, z_slope):
    axis = AxisLine(y_slope=y_slope, z_slope=z_slope).direction()
    outward, clockwise = head_frame(axis, TURN)
    assert_allclose(np.linalg.norm(outward, axis=1), 1.0)
    assert_allclose(outward @ axis, 0.0, atol=1e-12)
    assert_allclose(np.sum(outward * clockwise, axis=1), 0.0, atol=1e-12)
    assert outward[0, 2] == pytest.approx(1.0, abs=1e-3)
    assert outward[18, 1] == pytest.approx(1.0, abs=1e-3)  # a quarter turn: 3 o'clock


def test_the_vector_algebra_agrees_with_numpy_and_with_plain_cases():
    rng = np.random.default_rng(0)
    a, b = rng.normal(size=(5, 3)), rng.normal(size=(5, 3))
    assert_allclose(cross(a, b), np.cross(a, b))
    assert_allclose(cross(a[0], b), np.cross(a[0], b))
    x, y, z = np.eye(3)
    assert_allclose(rotate(y, x, np.array([np.pi / 2])), [z], atol=1e-15)
    assert_allclose(hit_plane(10 * x, -x, z, x), z * 0 + [0, 0, 0], atol=1e-15)

"""Indicators on rims and faces against closed forms written down here from the geometry, and sensors that are bent."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from livealign.config.rig import DetectorSpec
from livealign.stream.linearity import polynomial, table
from livealign_simulators.contact import Plunger, touch_face, touch_rim
from livealign_simulators.geometry import STATIONARY, AxisLine, hit_cylinder
from livealign_simulators.sensing import bent

TURN = np.deg2rad(np.arange(0.0, 360.0, 5.0))
X, R = 40.0, 80.0
POSES = st.tuples(*[st.floats(-0.5, 0.5)] * 2, *[st.floats(-0.7e-3, 0.7e-3)] * 2)
SIGN = {"stationary": 1.0, "movable": -1.0}


def swing(reading: np.ndarray) -> np.ndarray:
    return reading - reading.mean()


@pytest.mark.parametrize("shaft", SIGN)
def test_aligned_shafts_never_move_a_plunger(shaft):
    crooked = Plunger(X, R, 0.4, 0.3, 0.01)
    assert np.ptp(touch_rim(STATIONARY, TURN, crooked, shaft)) < 1e-9
    assert np.ptp(touch_face(STATIONARY, TURN, crooked, shaft)) < 1e-9


@pytest.mark.parametrize("shaft", SIGN)
def test_a_rim_that_stands_high_is_a_circle_off_centre(shaft):
    high = SIGN[shaft] * 0.3
    expected = high * np.cos(TURN) + np.sqrt(R**2 - (high * np.sin(TURN)) ** 2) - R
    assert_allclose(touch_rim(AxisLine(z_mm=0.3), TURN, Plunger(X, R), shaft), expected, atol=1e-9)


def test_a_rim_toward_three_oclock_is_greatest_at_three():
    reading = touch_rim(AxisLine(y_mm=0.2), TURN, Plunger(X, R), "stationary")
    assert TURN[np.argmax(reading)] == pytest.approx(np.pi / 2)
    mounted = touch_rim(AxisLine(y_mm=0.2), TURN, Plunger(X, R, np.pi / 2), "stationary")
    assert TURN[np.argmax(mounted)] == pytest.approx(0.0)


def test_a_rim_shows_the_height_of_the_axis_where_it_is_touched():
    for x in (-60.0, 0.0, 60.0):
        reading = touch_rim(AxisLine(z_slope=0.6e-3), TURN, Plunger(x, R), "stationary")
        assert reading[0] - reading[36] == pytest.approx(2 * 0.6e-3 * x, abs=1e-4)


@pytest.mark.parametrize("shaft", SIGN)
def test_a_face_shows_the_gap_close_at_the_top_of_a_rising_axis_whoever_carries_it(shaft):
    slope = 0.7e-3
    reading = touch_face(AxisLine(z_slope=slope), TURN, Plunger(X, R), shaft)
    assert_allclose(swing(reading), R * slope * np.cos(TURN), atol=1e-4)
    assert_allclose(touch_face(AxisLine(0.5, 0, -0.4, 0), TURN, Plunger(X, R), shaft), 0.0, atol=1e-12)


@pytest.mark.parametrize("touch", [touch_rim, touch_face])
@pytest.mark.parametrize("shaft", SIGN)
def test_a_drooping_bracket_shows_twice_its_droop_from_top_to_bottom(touch, shaft):
    for mounting in (0.0, np.pi / 3):
        plunger = Plunger(X, R, mounting, droop_mm=0.05)
        assert_allclose(
            swing(touch(STATIONARY, TURN - mounting, plunger, shaft)), 0.05 * np.cos(TURN), atol=2e-5
        )


@given(
    POSES, st.sampled_from(sorted(SIGN)), st.floats(-0.005, 0.005), st.floats(-0.05, 0.05), st.floats(-60, 60)
)
def test_rims_depart_from_the_linear_model_by_their_roundness_and_little_else(pose, shaft, lean, aside, x):
    y, z, y_slope, z_slope = pose
    reading = touch_rim(AxisLine(y, y_slope, z, z_slope), TURN, Plunger(x, R, 0.0, aside, lean, 0.04), shaft)
    right, up = SIGN[shaft] * (y + y_slope * x), SIGN[shaft] * (z + z_slope * x)
    linear = right * np.sin(TURN) + (up + 0.04) * np.cos(TURN)
    across = right * np.cos(TURN) - up * np.sin(TURN)
    assert np.abs(swing(reading - linear)).max() < 4e-3
    assert np.abs(swing(reading - linear + across**2 / (2 * R))).max() < 1e-3


@given(
    POSES, st.sampled_from(sorted(SIGN)), st.floats(-0.005, 0.005), st.floats(-0.05, 0.05), st.floats(-60, 60)
)
def test_faces_depart_from_the_linear_model_by_less_than_half_a_micrometre(pose, shaft, lean, aside, x):
    y, z, y_slope, z_slope = pose
    reading = touch_face(AxisLine(y, y_slope, z, z_slope), TURN, Plunger(x, R, 0.0, aside, lean), shaft)
    linear = R * (y_slope * np.sin(TURN) + z_slope * np.cos(TURN))
    assert np.abs(swing(reading - linear)).max() < 0.5e-3


def test_a_ray_meets_a_cylinder_where_it_should():
    down = np.array([0.0, 0.0, -1.0])
    x = np.array([1.0, 0.0, 0.0])
    assert_allclose(hit_cylinder(np.array([7.0, 3.0, 20.0]), down, np.zeros(3), x, 5.0), [7.0, 3.0, 4.0])
    # Past it: the nearest point.
    assert_allclose(hit_cylinder(np.array([7.0, 6.0, 20.0]), down, np.zeros(3), x, 5.0), [7.0, 6.0, 0.0])


CALIBRATION = [[-5.0, -4.62], [-2.5, -2.41], [0.0, 0.0], [2.5, 2.43], [5.0, 4.70]]


@pytest.mark.parametrize(
    ("linearity", "straighten"),
    [
        ({"table": CALIBRATION}, table(CALIBRATION)),
        ({"table": [[0, 5], [4, 1], [10, -5]]}, table([(0, 5), (4, 1), (10, -5)])),
        ({"polynomial": [0.1, 1.02, 0.0, -0.002]}, polynomial([0.1, 1.02, 0.0, -0.002])),
    ],
)
def test_a_bent_sensor_is_straightened_by_its_calibration(linearity, straighten):
    spec = DetectorSpec(field="spot", unit="mm", linearity=linearity)
    true = np.linspace(-4.5, 4.5, 41)
    raw = bent(spec, true)
    assert np.abs(raw - true).max() > 0.05
    straight, outside = straighten(raw)
    assert_allclose(straight, true, atol=1e-9)
    assert not outside.any()


def test_beyond_its_calibration_a_bent_sensor_goes_on():
    spec = DetectorSpec(field="spot", unit="mm", linearity={"table": CALIBRATION})
    _, outside = table(CALIBRATION)(bent(spec, np.array([-6.0, 6.0])))
    assert outside.all()

"""A rig that sees both planes at once follows both, and says when the held one moves."""

import numpy as np
import pytest

from livealign.model.coverage import parking, sees_both_planes
from livealign.model.rig import Detector, FloatArray, RigModel, beta_covariance
from livealign.model.sweep import Sweep
from livealign.model.tracker import Track, Tracker

NOISE_M = 2e-6
START = np.array([0.36e-3, -0.4e-3, -0.67e-3, -0.55e-3])


def rig(*, two_axes: bool) -> RigModel:
    axes = (0.0, np.pi / 2) if two_axes else (0.0,)
    detectors = tuple(
        Detector(f"{name} {axis:.0f}", x, sign, axis, 0.0, NOISE_M, np.radians(0.02), i, i)
        for i, (name, x, sign) in enumerate([("S", -0.13, 1.0), ("M", 0.13, -1.0)])
        for axis in axes
    )
    beta = beta_covariance(
        [np.radians(0.1)] * 2, [0.001] * len(detectors), np.diag([7e-4, 7e-4, 1e-3, 1.4e-3]) ** 2
    )
    return RigModel(detectors, beta, 2, np.array([0.33, 0.75]), (2, 3))


def read(
    model: RigModel, i: int, angle: FloatArray, pose: FloatArray, rng: np.random.Generator
) -> FloatArray:
    by_sin, by_cos = model.amplitudes(i, pose)
    seen = angle + model.detectors[i].phase_rad
    return 1e-4 * i + by_sin * np.sin(seen) + by_cos * np.cos(seen) + rng.normal(0.0, NOISE_M, angle.size)


def follow(model: RigModel, parked_deg: list[float], poses: list[FloatArray]) -> Track:
    """Sweep at START, then stand three seconds at each angle with each pose; vertical is being adjusted."""
    rng = np.random.default_rng(4)
    sweep = Sweep(model)
    angles = np.radians(np.linspace(0.0, 270.0, 600))
    for i in range(len(model.detectors)):
        sweep.add(i, angles, read(model, i, angles, START, rng))
    fit = sweep.fit()
    assert fit is not None
    tracker = Tracker(model, fit.belief, fit.noise_m, fit.excess_m, vertical=True)
    time = 0.0
    for degrees, pose in zip(parked_deg, poses, strict=True):
        for _ in range(60):
            times = time + np.arange(5) / 100
            told = np.full(5, np.radians(degrees)) + rng.normal(0.0, np.radians(0.02), 5)
            for i in range(len(model.detectors)):
                tracker.add(i, times, told, read(model, i, np.full(5, np.radians(degrees)), pose, rng))
            time += 0.05
    return tracker.estimate()


def test_two_axes_follow_both_planes_at_any_parking_angle_and_tell_of_the_held_one() -> None:
    model = rig(two_axes=True)
    moved = START * np.array([0.5, 1.0, 0.0, 0.0])
    track = follow(model, [30.0, 30.0], [START, moved])
    u = np.sqrt(np.diag(track.belief.pose_cov))
    assert np.all(np.abs(track.belief.pose - moved) < 4 * u)
    assert np.all(u < [5e-6, 2e-5, 5e-6, 2e-5])
    assert track.held_shift_m == pytest.approx(-0.18e-3, abs=0.01e-3)


def test_one_axis_cannot_see_the_held_plane_and_does_not_pretend_to() -> None:
    track = follow(rig(two_axes=False), [0.0, 0.0], [START, START * np.array([1.0, 1.0, 0.0, 0.0])])
    assert track.held_shift_m is None


def test_a_move_made_while_the_shafts_were_turned_is_noticed_at_the_new_angle() -> None:
    model = rig(two_axes=False)
    quiet = follow(model, [0.0, 90.0], [START, START])
    assert not quiet.surprised
    bumped = START + np.array([80e-6, 0.0, 0.0, 0.0])
    assert follow(model, [0.0, 90.0], [START, bumped]).surprised


def test_where_a_plane_is_seen_best() -> None:
    one = rig(two_axes=False)
    share, best = parking(one, np.radians(10.0), vertical=True)
    assert share == pytest.approx(np.cos(np.radians(10.0)), abs=0.01)
    assert best % np.pi == pytest.approx(0.0, abs=1e-9)
    share, best = parking(one, np.radians(80.0), vertical=True)
    assert share < 0.2
    assert np.cos(best) == pytest.approx(1.0) or np.cos(best) == pytest.approx(-1.0)
    assert not sees_both_planes(one, np.radians(45.0))
    two = rig(two_axes=True)
    assert sees_both_planes(two, np.radians(45.0))
    assert parking(two, np.radians(77.0), vertical=True)[0] == pytest.approx(1.0, abs=1e-6)

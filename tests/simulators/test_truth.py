"""The hidden truth: drawn from what the files say is uncertain, and seen only through readings."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from livealign.config.job import Distance
from livealign.errors import PersonError
from livealign_simulators.geometry import AxisLine
from livealign_simulators.scene import build_scene
from livealign_simulators.sensing import sample_sweep
from livealign_simulators.truth import draw_start, draw_truth

ANGLES = np.linspace(0.0, 360.0, 400, endpoint=False)


def seeds(n):
    return [np.random.SeedSequence(i) for i in range(n)]


def test_distances_are_the_tape_with_errors_of_the_stated_size(job, rig):
    drawn = [draw_truth(job, rig, s).points_mm for s in seeds(400)]
    for point, tape, u in [
        ("head S", -130, 0.7),
        ("head M", 130, np.hypot(0.7, 0.7)),
        ("near feet", 330, 1.0),
        ("far feet", 750, np.hypot(1.0, 1.0)),
    ]:
        x = np.array([d[point] for d in drawn])
        assert x.mean() == pytest.approx(tape, abs=5 * u / 20)
        assert x.std() == pytest.approx(u, rel=0.2)


def test_zeros_and_gains_vary_as_the_rig_file_says(job, rig):
    drawn = [draw_truth(job, rig, s) for s in seeds(400)]
    assert np.std([t.angles["head S"].zero_deg for t in drawn]) == pytest.approx(0.2, rel=0.2)
    assert np.std([t.detectors[1].gain for t in drawn]) == pytest.approx(0.002, rel=0.2)


def test_an_inch_job_is_converted(job, rig):
    inch = job.model_copy(update={"units": "inch"})
    x = [draw_truth(inch, rig, s).points_mm["near feet"] for s in seeds(50)]
    assert np.mean(x) == pytest.approx(330 * 25.4, rel=0.01)


def test_a_head_without_a_distance_is_named(job, rig):
    lost = job.model_copy(update={"distances": job.distances[2:]})
    with pytest.raises(PersonError, match="head S, head M"):
        draw_truth(lost, rig, seeds(1)[0])


def test_a_distance_too_many_does_no_harm(job, rig):
    extra = Distance.model_validate({"from": "coupling", "to": "far feet", "length": 751, "u": 1})
    more = job.model_copy(update={"distances": (*job.distances, extra)})
    assert draw_truth(more, rig, seeds(1)[0]).points_mm["far feet"] == pytest.approx(750, abs=10)


def indicators(job, rig, **each):
    """The rig with an indicator on each of its heads."""
    heads = []
    for head in rig.heads:
        spec = head.detectors[0].model_copy(update={"kind": "rim", "light_field": None, **each})
        heads.append(head.model_copy(update={"detectors": (spec,)}))
    return rig.model_copy(update={"heads": tuple(heads)})


def test_an_indicator_touches_the_coupling_with_the_sag_and_radius_the_file_allows(job, rig):
    sagging = indicators(job, rig, sag_mm=-0.08, sag_u_mm=0.004)
    drawn = [draw_truth(job, sagging, s).detectors[0].sight for s in seeds(300)]
    assert {p.radius_mm for p in drawn} != {80.0}
    assert np.mean([p.radius_mm for p in drawn]) == pytest.approx(80.0, abs=0.2)
    assert np.mean([p.droop_mm for p in drawn]) == pytest.approx(0.04, abs=0.001)
    assert np.std([p.droop_mm for p in drawn]) == pytest.approx(0.002, rel=0.2)
    faces = indicators(job, rig, kind="face", radius_mm=60.0, radius_u_mm=0.3)
    assert np.std(
        [draw_truth(job, faces, s).detectors[1].sight.radius_mm for s in seeds(300)]
    ) == pytest.approx(0.3, rel=0.2)


def test_a_sagging_indicator_shows_at_six_what_the_file_says(job, rig):
    for polarity in (1, -1):
        sagging = indicators(job, rig, sag_mm=-0.08 * polarity, sag_u_mm=0.0, polarity=polarity, gain_u=0.0)
        sweep = sample_sweep(job, sagging, seed=3, pose=AxisLine(), angles_deg=np.repeat([0.0, 180.0], 200))
        reading = sweep.readings_mm["head M", "position"]  # polarity undone
        assert reading[200:].mean() - reading[:200].mean() == pytest.approx(-0.08, abs=1e-3)


def test_starts_differ_and_come_high_and_low():
    starts = [draw_start(s) for s in seeds(60)]
    z = np.array([s.z_mm for s in starts])
    assert np.abs(z).min() >= 0.3
    assert np.abs(z).max() <= 0.9
    assert (z > 0).any()
    assert (z < 0).any()
    assert max(abs(s.z_slope) for s in starts) <= 1.5e-3


def test_a_sweep_shows_the_pose_within_the_stated_noise(job, rig):
    pose = AxisLine(0.2, 0.3e-3, -0.4, 0.5e-3)
    sweep = sample_sweep(job, rig, seed=5, pose=pose, angles_deg=ANGLES)
    assert set(sweep.angles_deg) == {"head S", "head M"}
    x = sweep.truth.points_mm["head S"]
    design = np.stack([np.ones(400), np.sin(np.deg2rad(ANGLES)), np.cos(np.deg2rad(ANGLES))], axis=1)
    reading = sweep.readings_mm["head S", "position"]
    fitted, *_ = np.linalg.lstsq(design, reading, rcond=None)
    assert_allclose(fitted[1:], [0.2 + 0.3e-3 * x, -0.4 + 0.5e-3 * x], atol=0.005)
    assert np.std(reading - design @ fitted) == pytest.approx(0.002, rel=0.2)


def test_angles_are_told_with_one_zero_error_a_head_and_noise(job, rig):
    sweep = sample_sweep(job, rig, seed=2, pose=AxisLine(), angles_deg=ANGLES)
    error = sweep.angles_deg["head M"] - ANGLES
    assert np.std(error) == pytest.approx(0.05, rel=0.25)
    assert error.mean() == pytest.approx(-sweep.truth.angles["head M"].zero_deg, abs=0.02)


def test_wiring_turned_round_reads_the_same_after_calibration(job, rig):
    def turned(head):
        detectors = tuple(
            d.model_copy(update={"polarity": -1, "unit": "mil", "gain": 2.0}) for d in head.detectors
        )
        angle = head.angle.model_copy(update={"sense": "counterclockwise", "unit": "rad", "zero_deg": 30.0})
        return head.model_copy(update={"detectors": detectors, "angle": angle})

    other = rig.model_copy(update={"heads": tuple(turned(h) for h in rig.heads)})
    pose = AxisLine(z_mm=0.4)
    a = sample_sweep(job, rig, seed=9, pose=pose, angles_deg=ANGLES)
    b = sample_sweep(job, other, seed=9, pose=pose, angles_deg=ANGLES)
    assert_allclose(a.readings_mm["head S", "position"], b.readings_mm["head S", "position"], atol=1e-12)
    assert np.abs(b.angles_deg["head S"] - ANGLES).max() < 1.5


def test_one_seed_one_sweep_and_another_seed_another(job, rig):
    def read(seed):
        return sample_sweep(job, rig, seed=seed, pose=AxisLine(z_mm=0.3), angles_deg=ANGLES)

    same = read(4).readings_mm["head M", "position"]
    assert np.array_equal(same, read(4).readings_mm["head M", "position"])
    assert not np.array_equal(same, read(5).readings_mm["head M", "position"])


def test_the_end_of_the_range_is_where_readings_stay(job, rig):
    sweep = sample_sweep(job, rig, seed=1, pose=AxisLine(z_mm=30.0), angles_deg=ANGLES)
    reading = sweep.readings_mm["head S", "position"]
    assert np.sum(np.abs(reading) > 4.9) > 300
    assert np.abs(reading).max() < 5.1


def test_a_light_without_a_head_of_its_own_shines_on_two_depths(job, rig):
    head = rig.heads[0]
    deeper = head.detectors[0].model_copy(update={"name": "deep", "field": "spot2", "depth_mm": -80.0})
    one = rig.model_copy(
        update={"heads": (head.model_copy(update={"detectors": (*head.detectors, deeper)}),)}
    )
    sweep = sample_sweep(job, one, seed=1, pose=AxisLine(z_slope=1e-3), angles_deg=ANGLES)
    near, deep = (np.ptp(sweep.readings_mm["head S", n]) / 2 for n in ("position", "deep"))
    assert near == pytest.approx(0.13, abs=0.01)
    assert deep == pytest.approx(0.21, abs=0.01)


def test_the_truth_is_told_in_the_snapshots_words(job, rig):
    scene = build_scene(job, rig, seed=1)
    pose, feet = scene.tell(0.0)
    for foot in feet:
        rise = pose.vertical.offset_mm + pose.vertical.slope_mm_per_m * foot.x_mm / 1000
        assert foot.vertical_mm == pytest.approx(-rise)
        assert ("add" in foot.vertical_words) == (foot.vertical_mm > 0)
    for foot in feet:
        scene.mechanic.shim(foot.name, foot.vertical_mm, 0.0)
        scene.mechanic.shift(foot.name, foot.horizontal_mm, 0.0)
    pose, feet = scene.tell(30.0)
    assert abs(pose.vertical.offset_mm) < 0.02
    assert max(abs(f.horizontal_mm) for f in feet) < 0.02


def test_the_target_is_where_the_feet_are_sent(job, rig):
    target = job.target.model_copy(update={"vertical_offset": 0.25})
    plain, wanted = (
        build_scene(j, rig, seed=1).tell(0.0)[1] for j in (job, job.model_copy(update={"target": target}))
    )
    assert wanted[0].vertical_mm - plain[0].vertical_mm == pytest.approx(0.25)

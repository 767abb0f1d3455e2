"""The stated uncertainty must be true: ray-traced rigs over random poses, arcs, noise and hidden errors."""

from pathlib import Path

import numpy as np
import pytest

from livealign.config.load import load_job, load_rig
from livealign.model.sweep import Sweep
from livealign.session.setup import build
from livealign_simulators.geometry import AxisLine
from livealign_simulators.sensing import sample_sweep

EXAMPLES = Path(__file__).parents[2] / "docs" / "examples"
JOB = load_job(EXAMPLES / "job.toml")
RIG = load_rig(EXAMPLES / "rig.toml")
SETUP = build(JOB, RIG)
MODEL = SETUP.model
INSIDE_95 = 1.959964
"""Standard normal quantile."""


def errors_in_u(seed: int, arc_deg: float, *, gross: float = 0.0) -> np.ndarray:
    """Trace one rig and fit it; return (fit - truth) / u for Y0, Y', Z0, Z', then each foot sideways and up."""
    rng = np.random.default_rng(1000 + seed)
    pose_mm = rng.normal(0.0, 0.5, 4) * [1.0, 1.4e-3, 1.0, 1.4e-3]
    noise_of_head = rng.uniform(0.5, 2.0, 2)
    line = AxisLine(*pose_mm)
    start = rng.uniform(0.0, 360.0)
    angles = start + np.linspace(0.0, arc_deg, 300)
    traced = sample_sweep(JOB, RIG, seed=seed, pose=line, angles_deg=angles)
    sweep = Sweep(MODEL)
    for index, head in enumerate(("head S", "head M")):
        value = traced.readings_mm[head, "position"] * 1e-3
        # A rig noisier than declared: its noise must be found from the readings.
        value = value + rng.normal(0.0, 2e-6 * noise_of_head[index], value.size)
        wrong = rng.random(value.size) < gross
        value[wrong] += rng.normal(0.0, 1e-3, int(wrong.sum()))
        sweep.add(index, np.radians(traced.angles_deg[head]), value)
    fit = sweep.fit()
    assert fit is not None
    assert fit.belief.known
    belief = fit.belief
    truth_x = np.array([f.x_mm for f in traced.truth.feet])
    true_feet = (
        np.concatenate([line.y_mm + line.y_slope * truth_x, line.z_mm + line.z_slope * truth_x]) * 1e-3
    )
    x = MODEL.feet_x_m
    feet = np.concatenate([belief.pose[0] + belief.pose[1] * x, belief.pose[2] + belief.pose[3] * x])
    pose = belief.pose - pose_mm * [1e-3, 1.0, 1e-3, 1.0]
    return np.concatenate(
        [
            pose / np.sqrt(np.diag(belief.pose_cov)),
            (feet - true_feet) / np.sqrt(np.diag(belief.feet_cov(MODEL))),
        ]
    )


@pytest.mark.parametrize("gross", [0.0, 0.05])
def test_true_pose_and_feet_lie_inside_the_stated_interval_as_often_as_stated(gross: float) -> None:
    # 600 rigs, arcs from 60 to 360 deg: 93 to 97 % of all pose parameters and feet must lie inside the 95 % interval.
    arcs = np.random.default_rng(5).uniform(60.0, 360.0, 600)
    z = np.array([errors_in_u(seed, arc, gross=gross) for seed, arc in enumerate(arcs)])
    inside = np.abs(z) < INSIDE_95
    assert 0.93 <= inside.mean() <= 0.97
    # Each of the eight figures by itself, within what chance allows for 600 trials (4 sd of a binomial).
    assert np.all(np.abs(inside.mean(axis=0) - 0.95) < 4 * (0.95 * 0.05 / 600) ** 0.5)
    # Nothing is biased, and the scatter is what u says.
    assert np.all(np.abs(z.mean(axis=0)) < 4 / 600**0.5)
    assert np.all(np.abs(z.std(axis=0) - 1.0) < 0.12)

"""Estimator: error over the Cramer-Rao bound and coverage of the stated 95 % intervals, least squares beside it."""

import numpy as np
from figures import Figure
from numpy.typing import NDArray

from heads import JOB, RIG
from livealign.config.load import load_pair
from livealign.model.linear import solve
from livealign.model.rig import RigModel
from livealign.model.sweep import Sweep
from livealign.session.setup import build

__all__ = ["measure"]

ARCS_DEG = (40, 60, 90, 180, 360)
BOUND_TRIALS = 1500
COVERAGE_TRIALS = 4000
READINGS = 200
NOISE_M = 2e-6
GROSS_SHARE, GROSS_M = 0.1, 1e-3

Floats = NDArray[np.float64]


def measure() -> list[Figure]:
    model = build(*load_pair(JOB, RIG)).model
    figures = []
    for gross, aim in ((0.0, 1.03), (GROSS_SHARE, 1.15)):
        for arc in ARCS_DEG:
            ours, plain = _over_bound(model, arc, gross)
            name = f"rms error over the bound, {arc} deg, {'10 % gross' if gross else 'Gaussian'}"
            figures.append(Figure(name, ours, "", plain, "least squares", f"<= {aim}", ours <= aim))
    for name, noise in (
        ("Gaussian", "white"),
        ("10 % gross", "gross"),
        ("autocorrelated", "coloured"),
        ("0.1 deg angle noise", "angle"),
    ):
        inside = _coverage(model, noise)
        figures.append(
            Figure(
                f"coverage of 95 % intervals, {name}",
                100 * inside,
                "%",
                95.0,
                "stated",
                "94 to 96 %",
                0.94 <= inside <= 0.96,
            )
        )
    return figures


def _trial(
    model: RigModel, rng: np.random.Generator, arc: float, noise: str, beta: Floats
) -> tuple[Sweep, Floats, list[tuple[Floats, Floats, Floats]]]:
    """Return a filled sweep, the true pose, and each detector's angles as told, readings and true slopes."""
    pose = rng.normal(0.0, 1.0, 4) * [0.3e-3, 0.5e-3, 0.3e-3, 0.5e-3]
    sweep = Sweep(model)
    told = []
    sd_angle = np.radians(0.1) if noise == "angle" else model.detectors[0].angle_noise_rad
    start = rng.uniform(0.0, 2 * np.pi)
    for i, d in enumerate(model.detectors):
        angle = start + np.radians(np.linspace(0.0, arc, READINGS))
        true, x = angle + beta[d.sensor], d.x_m + beta[model.sensors + len(model.detectors) + d.point]
        by_sin, by_cos = d.sign * (pose[0] + pose[1] * x), d.sign * (pose[2] + pose[3] * x)
        gain = 1.0 + beta[model.sensors + i]
        value = gain * (by_sin * np.sin(true) + by_cos * np.cos(true)) + _noise(rng, noise)
        seen = angle + rng.normal(0.0, sd_angle, READINGS)
        sweep.add(i, seen, value)
        told.append((seen, value, by_sin * np.cos(angle) - by_cos * np.sin(angle)))
    return sweep, pose, told


def _noise(rng: np.random.Generator, kind: str) -> Floats:
    white = rng.normal(0.0, NOISE_M, READINGS)
    if kind == "gross":
        wrong = rng.random(READINGS) < GROSS_SHARE
        white[wrong] += rng.normal(0.0, GROSS_M, int(wrong.sum()))
    if kind == "coloured":  # first-order autoregressive, one reading remembers half of the one before
        for i in range(1, READINGS):
            white[i] += 0.5 * white[i - 1]
    return white


def _over_bound(model: RigModel, arc: float, gross: float) -> tuple[float, float]:
    """Root-mean-square error over the Cramer-Rao bound of all readings (gross ones as if they were good): ours, plain."""
    rng = np.random.default_rng(int(arc))
    squares = []
    k = len(model.detectors)
    for _ in range(BOUND_TRIALS):
        sweep, pose, told = _trial(
            model, rng, arc, "gross" if gross else "white", np.zeros(model.beta_cov.shape[0])
        )
        fit = sweep.fit()
        if fit is None:
            raise RuntimeError("a sweep with readings has a fit")
        rows = np.concatenate([model.rows(i, np.sin(a), np.cos(a)) for i, (a, _, _) in enumerate(told)])
        variance = NOISE_M**2 + np.square(
            np.concatenate([s for *_, s in told]) * model.detectors[0].angle_noise_rad
        )
        bound = np.linalg.inv(solve(rows, rows[:, 0], 1.0 / variance).cov[k:, k:])
        plain = np.linalg.lstsq(rows, np.concatenate([v for _, v, _ in told]), rcond=None)[0][k:] - pose
        ours = fit.belief.pose - pose
        squares.append((ours @ bound @ ours / 4.0, plain @ bound @ plain / 4.0))
    ours_mean, plain_mean = np.mean(squares, axis=0)
    return float(ours_mean) ** 0.5, float(plain_mean) ** 0.5


def _coverage(model: RigModel, noise: str) -> float:
    """Share of true pose parameters and feet inside their stated intervals; hidden errors as declared in the rig file."""
    rng = np.random.default_rng(11)
    inside = []
    base = model.sensors + len(model.detectors)
    if noise == "angle":  # declared as it is
        model = _with_angle_noise(model, np.radians(0.1))
    for trial in range(COVERAGE_TRIALS):
        beta = rng.multivariate_normal(np.zeros(model.beta_cov.shape[0]), model.beta_cov)
        sweep, pose, _ = _trial(model, rng, ARCS_DEG[trial % len(ARCS_DEG)], noise, beta)
        fit = sweep.fit()
        if fit is None:
            raise RuntimeError("a sweep with readings has a fit")
        x, seen = model.feet_x_m, fit.belief.pose
        true_x = x + beta[[base + p for p in model.feet_points]]
        feet = np.concatenate(
            [
                seen[0] + seen[1] * x - pose[0] - pose[1] * true_x,
                seen[2] + seen[3] * x - pose[2] - pose[3] * true_x,
            ]
        )
        errors = np.concatenate([seen - pose, feet])
        u = np.sqrt(np.concatenate([np.diag(fit.belief.pose_cov), np.diag(fit.belief.feet_cov(model))]))
        inside.append(np.abs(errors) < 1.96 * u)
    return float(np.mean(inside))


def _with_angle_noise(model: RigModel, noise_rad: float) -> RigModel:
    from dataclasses import replace

    return replace(model, detectors=tuple(replace(d, angle_noise_rad=noise_rad) for d in model.detectors))

"""Propagation of distributions (JCGM 101): the same uncertainty, without linearising."""

from dataclasses import dataclass

import numpy as np

from livealign.model.linear import solve
from livealign.model.rig import POSE, FloatArray, RigModel
from livealign.model.sweep import SweepFit

__all__ = ["Draws", "propagate"]


@dataclass(frozen=True)
class Draws:
    """Errors of the estimate in many imagined rigs, each as likely as the declared uncertainties make it."""

    pose: FloatArray
    """(N, 4) estimated less true Y0, Y', Z0, Z', m and rad."""
    feet: FloatArray
    """(N, 2F) the same of the axis position at the feet: F toward 3 o'clock, then F up."""


def propagate(model: RigModel, fit: SweepFit, trials: int, seed: int = 0) -> Draws:
    """Draw beta and the readings' noise, make the readings they would give, and fit them as if nothing were wrong.

    Args:
        model: the rig.
        fit: of the sweep: its pooled design and weights are what the imagined readings are taken and fitted with.
        trials: how many.
        seed: of the random numbers; the same seed gives the same draws.
    """
    rng = np.random.Generator(np.random.PCG64(seed))
    pooled = fit.pooled
    x = fit.belief.mean[: model.size]
    gain = solve(pooled.rows, pooled.value, pooled.weight).gain
    beta = rng.multivariate_normal(
        np.zeros(model.beta_cov.shape[0]), model.beta_cov, size=trials, method="eigh"
    )
    noise = rng.standard_normal((trials, pooled.value.size)) / np.sqrt(pooled.weight)
    errors = np.empty((trials, model.size))
    for trial in range(trials):
        errors[trial] = gain @ (_readings(model, fit, x, beta[trial]) + noise[trial]) - x
    pose = errors[:, model.size - POSE :]
    truth = x[model.size - POSE :]
    base = model.sensors + len(model.detectors)
    moved = beta[:, [base + p for p in model.feet_points]]
    nominal = model.feet_x_m
    across = pose[:, :1] + pose[:, 1:2] * nominal - truth[1] * moved
    up = pose[:, 2:3] + pose[:, 3:4] * nominal - truth[3] * moved
    return Draws(pose, np.concatenate([across, up], axis=1))


def _readings(model: RigModel, fit: SweepFit, x: FloatArray, beta: FloatArray) -> FloatArray:
    """What the pooled readings would be, noise apart, with these zero, gain, distance, sag and roundness errors."""
    pooled = fit.pooled
    value = np.empty(pooled.value.size)
    base = model.sensors + len(model.detectors)
    pose = x[model.size - POSE :]
    for i, d in enumerate(model.detectors):
        here = pooled.detector == i
        turned = beta[d.sensor]
        sin = pooled.sin[here] * np.cos(turned) + pooled.cos[here] * np.sin(turned)
        cos = pooled.cos[here] * np.cos(turned) - pooled.sin[here] * np.sin(turned)
        lever = d.by_slope + beta[base + d.point] * d.by_offset
        across = d.sign * (d.by_offset * pose[0] + lever * pose[1])
        up = d.sign * (d.by_offset * pose[2] + lever * pose[3])
        value[here] = x[i] + (1.0 + beta[model.sensors + i]) * (across * sin + up * cos)
        if d.sag_beta is not None:
            value[here] += beta[d.sag_beta] * cos
        if d.rim_beta is not None and d.rim_m is not None:
            value[here] -= beta[d.rim_beta] * np.square(across * cos - up * sin) / (2.0 * d.rim_m)
    return value

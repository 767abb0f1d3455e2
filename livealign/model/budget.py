"""The uncertainty budget (JCGM 100): which part of a figure's uncertainty comes from where."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from livealign.model.belief import Belief
from livealign.model.rig import POSE, FloatArray, RigModel

__all__ = ["SOURCES", "Budget", "Source", "budget", "expansion", "functionals"]

Source = Literal["readings", "angle zeros", "gains", "distances", "bracket sag"]
SOURCES: tuple[Source, ...] = ("readings", "angle zeros", "gains", "distances", "bracket sag")

_NORMAL_975 = 1.959963984540054


@dataclass(frozen=True, slots=True)
class Budget:
    """Of one figure, in the figure's own unit (m or rad)."""

    u: float
    """Combined standard uncertainty."""
    parts: tuple[float, ...]
    """Standard uncertainty from each of `SOURCES`; their squares add up to that of u."""
    k: float
    """Factor that expands u to 95 %, from the effective degrees of freedom."""


def functionals(model: RigModel, belief: Belief) -> FloatArray:
    """Return the rows that make figures of (constants, pose, beta).

    In order: offset and slope toward 3 o'clock, offset and slope up, then the feet toward 3 o'clock, then the feet up.
    """
    by_pose, by_beta = model.foot_rows(belief.pose)
    rows = np.zeros((POSE + by_pose.shape[0], belief.mean.size))
    pose = slice(belief.constants, belief.constants + POSE)
    rows[:POSE, pose] = np.eye(POSE)
    rows[POSE:, pose] = by_pose
    rows[POSE:, pose.stop :] = by_beta
    return rows


def budget(model: RigModel, belief: Belief, rows: FloatArray, freedom: float) -> tuple[Budget, ...]:
    """Split the variance of each figure among its sources.

    A figure's dependence on beta is what the joint covariance says of it: cov(figure, beta) cov(beta)^-1. The variance
    that beta's own groups, which are independent of each other, bring by that is theirs; the rest is the readings'.

    Args:
        model: gives the groups of beta.
        belief: the joint Gaussian.
        rows: (F, n) figures, as `functionals` gives them.
        freedom: degrees of freedom of the readings' part.
    """
    beta = slice(belief.constants + POSE, None)
    total = np.einsum("fi,ij,fj->f", rows, belief.cov, rows)
    prior = belief.cov[beta, beta]
    depends = rows @ belief.cov[:, beta] @ np.linalg.pinv(prior, rcond=1e-12, hermitian=True)
    shares = []
    for group in _groups(model):
        part = depends[:, group]
        shares.append(np.einsum("fi,ij,fj->f", part, prior[group, group], part))
    readings = np.maximum(total - sum(shares, np.zeros_like(total)), 0.0)
    variances = np.stack([readings, *shares], axis=1)
    return tuple(
        Budget(
            float(t) ** 0.5, tuple(float(v) ** 0.5 for v in row), expansion(float(t), float(row[0]), freedom)
        )
        for t, row in zip(total, variances, strict=True)
    )


def expansion(variance: float, from_readings: float, freedom: float) -> float:
    """Return the factor k for 95 %: Student's quantile at the Welch-Satterthwaite degrees of freedom (JCGM 100, G.4)."""
    if from_readings <= 0.0 or variance <= 0.0:
        return _NORMAL_975
    return _student_975(freedom * (variance / from_readings) ** 2)


def _student_975(freedom: float) -> float:
    """Student's 97.5 % quantile (Abramowitz & Stegun 26.7.5; exact for 1 and 2 degrees of freedom)."""
    if freedom <= 1.5:
        return 12.706204736
    if freedom <= 2.5:
        return 4.302652730
    z = _NORMAL_975
    terms = (
        (z**3 + z) / 4.0,
        (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / 96.0,
        (3.0 * z**7 + 19.0 * z**5 + 17.0 * z**3 - 15.0 * z) / 384.0,
        (79.0 * z**9 + 776.0 * z**7 + 1482.0 * z**5 - 1920.0 * z**3 - 945.0 * z) / 92160.0,
    )
    return z + sum(term / freedom ** (i + 1) for i, term in enumerate(terms))


def _groups(model: RigModel) -> tuple[slice, slice, slice, slice]:
    """Angle zeros, gains, distances, sags (with the little that the rims' roundness brings)."""
    first = model.sensors
    second = first + len(model.detectors)
    contacts = sum((d.sag_beta is not None) + (d.rim_beta is not None) for d in model.detectors)
    third = model.beta_cov.shape[0] - contacts
    return slice(0, first), slice(first, second), slice(second, third), slice(third, None)

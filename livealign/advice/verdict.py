"""Does the pose conform to the tolerance, and how sure is that (JCGM 106)?"""

from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np

from livealign.model.belief import Belief
from livealign.model.rig import FloatArray
from livealign.snapshot import Verdict

__all__ = ["FLEX_PLANE_SOURCE", "Criterion", "flex_plane", "judge", "offset_angle"]

FLEX_PLANE_SOURCE = "API RP 686, 2nd ed. (2009), cl. 5.4.6.2"
_SAMPLES = 4096


@dataclass(frozen=True)
class Criterion:
    """Limits on lengths of two-dimensional vectors (3 o'clock, up), each linear in the pose."""

    name: Literal["flex-plane", "offset-angle"]
    source: str
    limit_words: str
    labels: tuple[str, ...]
    across: FloatArray
    """(C, 2) factors of (Y0, Y') and likewise of (Z0, Z'), already divided by each limit: at most 1 conforms."""
    shown: tuple[tuple[float, str], ...]
    """Per limit: its size and unit for words."""


def flex_plane(apart_m: float, limit: float, source: str = FLEX_PLANE_SOURCE) -> Criterion:
    """Return the criterion: at each flex plane the offset over the distance between the planes.

    With the axes crossing the planes x1 and x2, the coupling bends at x1 by offset(x2) / (x2 - x1) and at x2 by
    offset(x1) / (x2 - x1).

    Args:
        apart_m: distance between the flex planes, centred on the coupling.
        limit: greatest angle, rad.
        source: of the limit.
    """
    half = apart_m / 2.0
    factors = np.array([[1.0, half], [1.0, -half]]) / (apart_m * limit)
    labels = ("flex plane of the stationary machine", "flex plane of the movable machine")
    shown = ((1e3 * limit, "mm/m"),) * 2
    return Criterion(
        "flex-plane", source, f"{1e3 * limit:g} mm/m at both flex planes", labels, factors, shown
    )


def offset_angle(offset_m: float, slope: float, source: str, units: str) -> Criterion:
    """Return the criterion: offset at the coupling centre, and slope."""
    factors = np.array([[1.0 / offset_m, 0.0], [0.0, 1.0 / slope]])
    size, unit = (offset_m / 25.4e-6, "mil") if units == "inch" else (1e3 * offset_m, "mm")
    angle_unit = "mil/in" if units == "inch" else "mm/m"
    limit = f"offset {size:g} {unit} and angle {1e3 * slope:g} {angle_unit}"
    shown = ((size, unit), (1e3 * slope, angle_unit))
    return Criterion(
        "offset-angle", source or "job file", limit, ("offset at the coupling", "angle"), factors, shown
    )


def judge(criterion: Criterion, belief: Belief, target: FloatArray, confidence: float) -> Verdict:
    """Return the verdict on a pose's deviation from the target.

    The probability is that of the whole Gaussian pose lying inside all limits, by a fixed set of samples: near zero
    the length of a vector is biased, the share of samples inside is not.

    Args:
        criterion: the limits.
        belief: the pose.
        target: (4,) wanted pose.
        confidence: probability needed to say conforming, or not conforming.
    """
    known = Verdict(criterion=criterion.name, source=criterion.source, limit=criterion.limit_words)
    if not belief.known:
        return known
    deviation = belief.pose - target
    used = _shares(criterion, deviation[None, :])[0]
    inside = np.all(_shares(criterion, deviation + _normals() @ _root(belief.pose_cov).T) <= 1.0, axis=1)
    probability = float(inside.mean())
    if probability >= confidence:
        state: Literal["conforming", "not conforming", "undecided"] = "conforming"
    else:
        state = "not conforming" if probability <= 1.0 - confidence else "undecided"
    worst = int(used.argmax())
    size, unit = criterion.shown[worst]
    return Verdict(
        state=state,
        probability=round(probability, 4),
        criterion=criterion.name,
        source=criterion.source,
        limit=criterion.limit_words,
        worst=f"{criterion.labels[worst]}: {float(used[worst]) * size:.2g} of {size:g} {unit}",
        used=round(float(used[worst]), 4),
    )


def _shares(criterion: Criterion, deviations: FloatArray) -> FloatArray:
    """(S, 4) deviations to (S, C) shares of the limits."""
    return np.hypot(deviations[:, :2] @ criterion.across.T, deviations[:, 2:] @ criterion.across.T)


@cache
def _normals() -> FloatArray:
    half = np.random.Generator(np.random.PCG64(686)).standard_normal((_SAMPLES // 2, 4))
    return np.concatenate([half, -half])


def _root(cov: FloatArray) -> FloatArray:
    """Return a square root of a covariance that may be singular to rounding."""
    values, vectors = np.linalg.eigh(cov)
    root: FloatArray = vectors * np.sqrt(np.maximum(values, 0.0))
    return root

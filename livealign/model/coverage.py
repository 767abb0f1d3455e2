"""Which angles a sweep has covered, and where another reading would help most."""

import numpy as np
from numpy.typing import NDArray

from livealign.model.belief import Belief
from livealign.model.rig import FloatArray, RigModel

__all__ = ["SECTORS", "arc_rad", "best_angle", "sector_information"]

SECTORS = 36
_CANDIDATES = 72


def arc_rad(occupied: NDArray[np.int64], bins: int) -> float:
    """Return the angle covered: the full turn less the widest gap between occupied bins (0 if none).

    Args:
        occupied: sorted indices of the bins that hold readings.
        bins: number of bins in a turn.
    """
    if occupied.size == 0:
        return 0.0
    gaps = np.diff(occupied, append=occupied[0] + bins) - 1
    return float(2.0 * np.pi * (bins - gaps.max()) / bins)


def sector_information(angle_bin: NDArray[np.int64], weight: FloatArray, bins: int) -> tuple[float, ...]:
    """Return the summed weight of each sector as a share of the best one's."""
    total = np.bincount(angle_bin * SECTORS // bins, weights=weight, minlength=SECTORS)
    best = total.max()
    return tuple(round(float(v), 3) for v in total / best) if best > 0.0 else (0.0,) * SECTORS


def best_angle(model: RigModel, belief: Belief, variance: FloatArray) -> tuple[float, float, float]:
    """Return the angle (rad) whose reading by all detectors would shrink the worst foot's uncertainty most.

    Args:
        model: the rig.
        belief: the pose known so far.
        variance: (K,) variance of one pooled reading of each detector, m^2.

    Returns:
        The angle, and the worst foot's standard uncertainty (m) now and after ten such readings there.
    """
    angles = np.arange(_CANDIDATES) * (2.0 * np.pi / _CANDIDATES)
    rows = []
    for i, d in enumerate(model.detectors):
        sin, cos = np.sin(angles + d.phase_rad), np.cos(angles + d.phase_rad)
        rows.append(
            np.concatenate([model.rows(i, sin, cos), model.systematic_rows(i, sin, cos, belief.pose)], axis=1)
        )
    h = np.stack(rows, axis=1)
    by_pose, by_beta = model.foot_rows(belief.pose)
    feet = np.concatenate([np.zeros((by_pose.shape[0], belief.constants)), by_pose, by_beta], axis=1)
    cross = h @ belief.cov
    inner = cross @ h.transpose(0, 2, 1) + np.diag(variance / 10.0)
    seen = cross @ feet.T
    shrunk = np.einsum("akf,akf->af", seen, np.linalg.solve(inner, seen))
    now = np.einsum("fi,ij,fj->f", feet, belief.cov, feet)
    after = np.maximum(now - shrunk, 0.0).max(axis=1)
    best = int(after.argmin())
    return float(angles[best]), float(now.max()) ** 0.5, float(after[best]) ** 0.5

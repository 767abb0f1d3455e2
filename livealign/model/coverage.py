"""Which angles a sweep has covered, and where another reading would help most."""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from livealign.model.belief import Belief
from livealign.model.rig import FloatArray, RigModel

__all__ = ["SECTORS", "arc_rad", "best_angle", "parking", "sector_information", "sees_both_planes"]

SECTORS = 36
_CANDIDATES = 72
_LEVER_M = 0.1
_POOREST = 1e-2


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
    angles = _candidates()
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


def sees_both_planes(model: RigModel, angle_rad: float) -> bool:
    """Would one reading of all detectors at an angle tell all four pose parameters, the constants being known?"""
    values = np.linalg.eigvalsh(_information(model, np.array([angle_rad]))[0])
    return bool(values[0] > _POOREST * values[-1])


def parking(model: RigModel, angle_rad: float, *, vertical: bool) -> tuple[float, float]:
    """Return how well a plane is seen from a parking angle, and where it would be seen best.

    Args:
        model: the rig.
        angle_rad: where the shafts stand.
        vertical: the plane that is adjusted; the other one is held.

    Returns:
        The best reachable uncertainty of the plane as a share of that here (1: nowhere is better; near 0: useless
        here), and the best angle, the nearest if there are several, in rad.
    """
    angles = np.concatenate([[angle_rad], _candidates()])
    worst = np.concatenate([_worst(model, angles[:1], vertical=vertical), _worst_anywhere(model, vertical)])
    best = worst.max()
    if best <= 0.0:
        return 0.0, angle_rad
    apart = np.abs((angles - angle_rad + np.pi) % (2.0 * np.pi) - np.pi)
    good = np.flatnonzero(worst >= 0.999 * best)
    return float((worst[0] / best) ** 0.5), float(angles[good[np.argmin(apart[good])]])


def _candidates() -> FloatArray:
    return np.arange(_CANDIDATES, dtype=np.float64) * (2.0 * np.pi / _CANDIDATES)


@lru_cache(maxsize=4)
def _worst_anywhere(model: RigModel, vertical: bool) -> FloatArray:
    return _worst(model, _candidates(), vertical=vertical)


def _worst(model: RigModel, angles: FloatArray, *, vertical: bool) -> FloatArray:
    """(A,) information at each angle on the worse known combination of a plane's offset and slope."""
    plane = slice(2, 4) if vertical else slice(0, 2)
    values = np.linalg.eigvalsh(_information(model, angles)[:, plane, plane])
    return np.maximum(np.asarray(values[:, 0], dtype=np.float64), 0.0)


def _information(model: RigModel, angles: FloatArray) -> FloatArray:
    """(A, 4, 4) information of one reading by all detectors at each angle, slopes on the scale of the rig."""
    k = len(model.detectors)
    scale = np.array([1.0, 1.0 / _LEVER_M, 1.0, 1.0 / _LEVER_M])
    rows = np.stack(
        [
            model.rows(i, np.sin(angles + d.phase_rad), np.cos(angles + d.phase_rad))[:, k:] * scale
            for i, d in enumerate(model.detectors)
        ],
        axis=1,
    )
    information: FloatArray = rows.transpose(0, 2, 1) @ rows
    return information

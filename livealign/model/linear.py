"""Weighted linear least squares that knows what it cannot know."""

from dataclasses import dataclass

import numpy as np

from livealign.model.rig import FloatArray

__all__ = ["Solution", "solve"]

_RANK_TOLERANCE = 1e-9
"""Below this share of the largest singular value (of the column-scaled design) a direction counts as not observed."""


@dataclass(frozen=True)
class Solution:
    """What weighted least squares says of A x = b."""

    x: FloatArray
    """(n,) least-norm solution, in scaled columns; components that are not observable mean nothing."""
    cov: FloatArray
    """(n, n) covariance where observable, if the weights are inverse variances."""
    gain: FloatArray
    """(n, m) matrix that turns b into x."""
    observable: tuple[bool, ...]
    """Per parameter: does the data determine it?"""
    rank: int


def solve(a: FloatArray, b: FloatArray, weights: FloatArray) -> Solution:
    """Solve min sum w (A x - b)^2 by QR and SVD (never by normal equations).

    Args:
        a: (m, n) design.
        b: (m,) readings.
        weights: (m,) inverse variances, >= 0.
    """
    root = np.sqrt(weights)
    weighted = a * root[:, None]
    scale = np.linalg.norm(weighted, axis=0)
    scale[scale == 0.0] = 1.0
    q, r = np.linalg.qr(weighted / scale)
    u, s, vt = np.linalg.svd(r)
    kept = s > _RANK_TOLERANCE * (s[0] if s.size else 1.0)
    inverse = np.where(kept, 1.0 / np.where(kept, s, 1.0), 0.0)
    half = (vt[: s.size].T * inverse) / scale[:, None]
    gain = half @ u.T @ (q.T * root)
    lost = np.square(vt[s.size :]).sum(axis=0) + np.square(vt[: s.size][~kept]).sum(axis=0)
    return Solution(
        gain @ b, half @ half.T, gain, tuple(bool(v < _RANK_TOLERANCE) for v in lost), int(kept.sum())
    )

"""What the movement of the shaft says about a foot whose bolt was loosened.

A frame on n bolted feet, two a plane, is taken as a rigid body on equal springs. A gap g under foot k holds the body down
there; once its bolt is loose, the body is where the other feet carry it. The middle between the two feet of a plane,
where the shaft is, then rises in plane x by

    g ( 1/n + (x_k - x_mean) (x - x_mean) / sum over all feet of (x_i - x_mean)^2 )

(the least squares plane through the feet; roll leaves the middle where it is). On four feet that is half of g in the foot's
own plane, and nothing in the other one.
"""

from dataclasses import dataclass

import numpy as np

from livealign.model.rig import FloatArray, RigModel
from livealign.model.shift import Shift

__all__ = ["ALLOWANCE", "FootRise", "foot_rise", "shares"]

ALLOWANCE = (1e-4, 2e-4, 2e-3, 5e-3)
"""What loosening one bolt may do to Y0, Y', Z0, Z': little sideways, by the frame's roll; up and down is measured."""
_SPRINGS_U = 0.1
"""Relative standard uncertainty of the share: two legs of a plane, one twice as stiff as the other, make it 18 % wrong."""
FEET_A_PLANE = 2


@dataclass(frozen=True)
class FootRise:
    """What was under a foot, by the shaft."""

    gap_m: float
    """By how much the foot was held down: what a shim has to fill."""
    u_m: float
    """Contains how the frame may differ from the model, and what the other planes did that no gap here explains."""
    own_u_m: float
    """Of the readings alone."""


def shares(feet_x_m: FloatArray, k: int) -> FloatArray:
    """Return the (F,) rises of the shaft in the foot planes for a gap of one under a foot of plane `k`.

    Args:
        feet_x_m: (F,) the foot planes, each with two feet.
        k: the plane of the loosened foot.
    """
    n = FEET_A_PLANE * feet_x_m.size
    from_mean = feet_x_m - feet_x_m.mean()
    spread = FEET_A_PLANE * float(np.square(from_mean).sum())
    tilt = np.zeros(feet_x_m.size) if spread == 0.0 else from_mean[k] * from_mean / spread
    result: FloatArray = 1.0 / n + tilt
    return result


def foot_rise(model: RigModel, moved: Shift, k: int) -> FootRise | None:
    """Return what the movement by loosening one bolt of plane `k` says; None if up and down is not known."""
    if not (moved.known[2] and moved.known[3]):
        return None
    share = shares(model.feet_x_m, k)
    f = model.feet_x_m.size
    by_pose, by_beta = model.foot_rows(moved.mean)
    up = by_pose[f:] @ moved.mean
    cov = by_pose[f:] @ moved.cov @ by_pose[f:].T + by_beta[f:] @ model.beta_cov @ by_beta[f:].T
    gap = float(up[k] / share[k])
    unexplained = max((abs(float(up[j] - share[j] * gap)) for j in range(f) if j != k), default=0.0)
    own = float(cov[k, k]) ** 0.5
    u = float(np.linalg.norm([own / share[k], _SPRINGS_U * gap, unexplained]))
    return FootRise(gap, u, own / float(share[k]))

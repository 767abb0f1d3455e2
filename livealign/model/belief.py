"""What is known at one moment: a joint Gaussian of detector constants, pose and systematic quantities."""

from dataclasses import dataclass, replace

import numpy as np

from livealign.model.rig import POSE, FloatArray, RigModel

__all__ = ["Belief", "from_fit"]


@dataclass(frozen=True)
class Belief:
    """Mean and covariance of (constants, pose, beta), and which pose parameters are known at all.

    beta is carried along without being estimated (Schmidt's consider filter), so that an angle zero that is off
    by an unknown amount spoils neither the moves nor the honesty of their uncertainty.
    """

    mean: FloatArray
    cov: FloatArray
    constants: int
    observable: tuple[bool, bool, bool, bool]
    """Y0, Y', Z0, Z'."""

    @property
    def pose(self) -> FloatArray:
        """(4,) Y0, Y', Z0, Z' in m and rad."""
        return self.mean[self.constants : self.constants + POSE]

    @property
    def pose_cov(self) -> FloatArray:
        """(4, 4)."""
        part = slice(self.constants, self.constants + POSE)
        return self.cov[part, part]

    @property
    def known(self) -> bool:
        """Is the whole pose observable?"""
        return all(self.observable)

    def loosened(self, cov: FloatArray) -> "Belief":
        """Return the belief with a (4, 4) covariance added to the pose's: of what it is compared with."""
        part = slice(self.constants, self.constants + POSE)
        wider = self.cov.copy()
        wider[part, part] += cov
        return replace(self, cov=wider)

    def feet_cov(self, model: RigModel) -> FloatArray:
        """(2F, 2F) covariance of the axis position at the feet, distances included: F toward 3 o'clock, then F up."""
        by_pose, by_beta = model.foot_rows(self.pose)
        rows = np.concatenate([by_pose, by_beta], axis=1)
        part = self.cov[self.constants :, self.constants :]
        cov: FloatArray = rows @ part @ rows.T
        return cov


def from_fit(
    x: FloatArray,
    cov: FloatArray,
    sensitivity: FloatArray,
    model: RigModel,
    observable: tuple[bool, bool, bool, bool],
) -> Belief:
    """Join a fit with what it does not know: beta ~ N(b, U) and x | beta ~ N(fit - S (beta - b), cov).

    Args:
        x: (n,) fitted constants and pose.
        cov: (n, n) their random covariance.
        sensitivity: (n, B) S, change of the fit per unit of each systematic quantity.
        model: gives b and U.
        observable: per pose parameter.
    """
    n, b = sensitivity.shape
    u = model.beta_cov
    joint = np.empty((n + b, n + b))
    joint[:n, :n] = cov + sensitivity @ u @ sensitivity.T
    joint[:n, n:] = -sensitivity @ u
    joint[n:, :n] = joint[:n, n:].T
    joint[n:, n:] = u
    return Belief(np.concatenate([x, model.beta_mean]), joint, n - POSE, observable)

"""Beliefs made to order."""

import numpy as np

from livealign.model.belief import Belief
from livealign.model.rig import FloatArray, RigModel, beta_covariance


def pose_m(*, up_mm: float = 0.0, rise: float = 0.0, right_mm: float = 0.0, swing: float = 0.0) -> FloatArray:
    """(Y0, Y', Z0, Z') in m and rad, from mm and mm/m."""
    return np.array([right_mm, swing, up_mm, rise]) * 1e-3


def believed(
    pose: FloatArray,
    u: FloatArray | float = 1e-9,
    *,
    observable: tuple[bool, bool, bool, bool] = (True,) * 4,
    model: RigModel | None = None,
) -> Belief:
    """A belief with independent standard uncertainties of the pose, with a model's systematic quantities."""
    betas = 0 if model is None else model.beta_cov.shape[0]
    cov = np.zeros((4 + betas, 4 + betas))
    if model is not None:
        cov[4:, 4:] = model.beta_cov
    cov[:4, :4] = np.diag(np.broadcast_to(np.square(u), 4))
    return Belief(np.concatenate([pose, np.zeros(betas)]), cov, 0, observable)


def model_with_feet(*x_mm: float, u_mm: float = 0.0) -> RigModel:
    """A rig of no detectors with feet at these planes."""
    n = len(x_mm)
    return RigModel(
        (), beta_covariance([], [], np.eye(n) * (u_mm * 1e-3) ** 2), 0, np.array(x_mm) * 1e-3, tuple(range(n))
    )

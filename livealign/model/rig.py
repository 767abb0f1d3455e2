"""The rig as the estimator sees it: where each detector looks, and what is not known exactly about it.

Observation of a light spot or of an indicator on a rim (already in metres, polarity and gain applied)::

    m = c + s [ (Y0 + Y' x) sin(theta + phi) + (Z0 + Z' x) cos(theta + phi) ] + q cos(theta + phi)

with the pose (Y0, Y', Z0, Z'): offset at the coupling centre and slope of the movable axis, toward 3 o'clock and up.
An indicator on a face, at radius R, sees no offset, and the gap close at the same place whichever shaft carries it::

    m = c + R [ Y' sin(theta + phi) + Z' cos(theta + phi) ] + q cos(theta + phi)

Both are one row, linear in (c, pose). Systematic quantities beta (angle zeros, gains, distances, sags) enter to first order.
So does the roundness of a rim: an offset a across the plunger shortens its reading by a^2 / 2r. That is the one part of beta
that is expected, so it is taken out, at the pose of the fit; the others are expected to be zero.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

__all__ = ["POSE", "Detector", "FloatArray", "RigModel", "beta_covariance"]

FloatArray: TypeAlias = NDArray[np.float64]

POSE = 4
"""Number of pose parameters: Y0, Y', Z0, Z'."""

_MOST_ACROSS = 0.05
"""Offset across a plunger, as a share of the rim's radius, beyond which no shafts are read."""


@dataclass(frozen=True, slots=True)
class Detector:
    """One position detector."""

    name: str
    x_m: float
    """Axial plane that it looks at or touches, from the coupling centre, positive toward the movable machine."""
    sign: float
    """+1 if the stationary shaft carries it, -1 if the movable shaft does; +1 for every indicator on a face."""
    phase_rad: float
    """Mounting angle, clockwise: 0 for a radial axis, pi/2 for a tangential one."""
    sag_m: float
    """q: amplitude of the cos(theta) that bracket sag adds."""
    noise_m: float
    """Short-term standard deviation of one reading, as declared."""
    angle_noise_rad: float
    """The same of its angle."""
    sensor: int
    """Index of its angle sensor."""
    point: int
    """Index of the measured point that its plane hangs on."""
    radius_m: float | None = None
    """Radius at which an indicator touches a face; None for whatever sees the offset."""
    sag_beta: int | None = None
    """Index in beta of the error of its bracket's sag; None if it has no bracket."""
    rim_m: float | None = None
    """Radius of the rim an indicator touches; None if it touches none."""
    rim_beta: int | None = None
    """Index in beta of that rim's roundness; None if it touches none."""

    @property
    def by_offset(self) -> float:
        """Change of the reading's amplitude per unit of offset, sign apart."""
        return 1.0 if self.radius_m is None else 0.0

    @property
    def by_slope(self) -> float:
        """The same per unit of slope, m."""
        return self.x_m if self.radius_m is None else self.radius_m


@dataclass(frozen=True, eq=False)
class RigModel:
    """All detectors, and the prior of what disturbs them together; the same only as itself.

    beta = (zero error of each angle sensor, rad; relative gain error of each detector; error of each measured point, m;
    error of q of each bracket, m; roundness of each rim, 1 for one of the radius stated).
    """

    detectors: tuple[Detector, ...]
    beta_cov: FloatArray
    """(B, B) covariance of beta, B = sensors + detectors + points + brackets + rims."""
    sensors: int
    feet_x_m: FloatArray
    """(F,) foot planes."""
    feet_points: tuple[int, ...]
    """(F,) index of each foot plane among the measured points."""

    @property
    def size(self) -> int:
        """Number of fitted parameters: one constant a detector, and the pose."""
        return len(self.detectors) + POSE

    @property
    def beta_mean(self) -> FloatArray:
        """(B,) what beta is expected to be."""
        mean = np.zeros(self.beta_cov.shape[0])
        mean[[d.rim_beta for d in self.detectors if d.rim_beta is not None]] = 1.0
        return mean

    def rows(self, index: int, sin: FloatArray, cos: FloatArray) -> FloatArray:
        """Return the (n, size) design rows of detector `index` at angles given by sin and cos of theta + phi."""
        d = self.detectors[index]
        k = len(self.detectors)
        a = np.zeros((sin.size, self.size))
        a[:, index] = 1.0
        offset, slope = d.sign * d.by_offset, d.sign * d.by_slope
        a[:, k] = offset * sin
        a[:, k + 1] = slope * sin
        a[:, k + 2] = offset * cos
        a[:, k + 3] = slope * cos
        return a

    def systematic_rows(self, index: int, sin: FloatArray, cos: FloatArray, pose: FloatArray) -> FloatArray:
        """Return the (n, B) change of detector `index`'s readings per unit of each systematic quantity, at a pose."""
        d = self.detectors[index]
        by_sin, by_cos = self.amplitudes(index, pose)
        b = np.zeros((sin.size, self.beta_cov.shape[0]))
        b[:, d.sensor] = by_sin * cos - by_cos * sin
        b[:, self.sensors + index] = by_sin * sin + by_cos * cos
        # Its distance moves the plane that is seen; a face is seen at its radius wherever it stands.
        moved = d.sign * d.by_offset
        b[:, self.sensors + len(self.detectors) + d.point] = moved * (pose[1] * sin + pose[3] * cos)
        if d.sag_beta is not None:
            b[:, d.sag_beta] = cos
        if d.rim_beta is not None and d.rim_m is not None:
            b[:, d.rim_beta] = self.roundness(index, sin, cos, pose)
        return b

    def roundness(self, index: int, sin: FloatArray, cos: FloatArray, pose: FloatArray) -> FloatArray:
        """Return the (n,) part of detector `index`'s readings that a rim's roundness is expected to make; else zeros."""
        rim = self.detectors[index].rim_m
        if rim is None:
            return np.zeros(sin.size)
        by_sin, by_cos = self.amplitudes(index, pose)
        # A turn that has hardly begun may give any pose: that must not run away with the fit.
        across = np.clip(by_sin * cos - by_cos * sin, -_MOST_ACROSS * rim, _MOST_ACROSS * rim)
        added: FloatArray = across * across / (-2.0 * rim)
        return added

    def expected(self, index: int, sin: FloatArray, cos: FloatArray, x: FloatArray) -> FloatArray:
        """Return the (n,) readings of detector `index`, sag apart, that constants and pose x make."""
        by_sin, by_cos = self.amplitudes(index, x[-POSE:])
        return float(x[index]) + by_sin * sin + by_cos * cos + self.roundness(index, sin, cos, x[-POSE:])

    def amplitudes(self, index: int, pose: FloatArray) -> tuple[float, float]:
        """Return the factors of sin and cos in detector `index`'s reading at a pose."""
        d = self.detectors[index]
        offset, slope = d.sign * d.by_offset, d.sign * d.by_slope
        return offset * float(pose[0]) + slope * float(pose[1]), offset * float(pose[2]) + slope * float(
            pose[3]
        )

    def foot_rows(self, pose: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the (2F, POSE) and (2F, B) derivatives of the axis position at the feet: F toward 3 o'clock, then F up."""
        f = self.feet_x_m.size
        by_pose = np.zeros((2 * f, POSE))
        by_beta = np.zeros((2 * f, self.beta_cov.shape[0]))
        base = self.sensors + len(self.detectors)
        for i, (x, point) in enumerate(zip(self.feet_x_m, self.feet_points, strict=True)):
            by_pose[i, :2] = 1.0, x
            by_pose[f + i, 2:] = 1.0, x
            by_beta[i, base + point] = pose[1]
            by_beta[f + i, base + point] = pose[3]
        return by_pose, by_beta


def beta_covariance(
    zero_u_rad: Sequence[float],
    gain_u: Sequence[float],
    points_cov_m2: FloatArray,
    sag_u_m: Sequence[float] = (),
    rim_u: Sequence[float] = (),
) -> FloatArray:
    """Return the block-diagonal covariance of beta."""
    before = len(zero_u_rad) + len(gain_u)
    after = before + points_cov_m2.shape[0]
    cov = np.diag(np.square([*zero_u_rad, *gain_u, *np.zeros(after - before), *sag_u_m, *rim_u]))
    cov[before:after, before:after] = points_cov_m2
    return cov

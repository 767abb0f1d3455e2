"""Where the axis has to be while it is measured, so that it is in line when both machines are warm.

A machine is taken to be rigid: growths at its foot planes move its axis along a straight line, the least-squares one if
there are more than two planes. Seen from the stationary shaft, warmth adds to the pose what the movable machine grows and
takes away what the stationary one grows::

    pose cold = pose wanted warm - growth of the movable axis + growth of the stationary axis

Growth from temperatures leaves out what pipes, hydraulic forces and torque do (Bloch & Geitner, Machinery Component
Maintenance and Repair, p. 231). The uncertainty of heights and of distances along the shafts is left out too: a growth of
0.2 mm changes by 1 um for 2 mm in 400 mm.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from livealign.model.rig import POSE, FloatArray

__all__ = ["NO_GROWTH", "Growth", "PlaneGrowth", "cold_target", "of_planes", "warmed"]


@dataclass(frozen=True, slots=True)
class PlaneGrowth:
    """How far the axis moves at one plane from the time it is measured to service."""

    x_m: float
    up_m: float
    up_u_m: float
    """Standard uncertainty of this plane's own."""
    across_m: float = 0.0
    """Toward 3 o'clock."""
    across_u_m: float = 0.0
    shared_m: float = 0.0
    """Standard uncertainty upward that all planes with the same `shared` have together, with the sign it has here."""
    shared: str = ""
    """What they share, such as a material whose expansion is uncertain."""

    @property
    def whole_up_u_m(self) -> float:
        """Whole standard uncertainty upward."""
        return float(np.hypot(self.up_u_m, self.shared_m))


@dataclass(frozen=True, eq=False)
class Growth:
    """How a machine's axis moves at the coupling."""

    pose: FloatArray
    """(4,) change of Y0, Y', Z0, Z'."""
    cov: FloatArray
    """(4, 4)."""


NO_GROWTH = Growth(np.zeros(POSE), np.zeros((POSE, POSE)))


def warmed(
    x_m: float,
    *,
    height_m: float,
    warmer_k: float,
    warmer_u_k: float,
    expansion_per_k: float,
    expansion_u: float,
    material: str,
) -> PlaneGrowth:
    """Return the growth of a support that gets warmer: expansion x height x warming (McMillan 2004, p. 134).

    Args:
        x_m: where it stands.
        height_m: from the foot plane to the shaft's centreline.
        warmer_k: mean temperature in service less that while it is measured.
        warmer_u_k: its standard uncertainty.
        expansion_per_k: of the material.
        expansion_u: its relative standard uncertainty, common to all supports of the same material.
        material: its name.
    """
    by_k = expansion_per_k * height_m
    up = by_k * warmer_k
    return PlaneGrowth(x_m, up, abs(by_k) * warmer_u_k, shared_m=up * expansion_u, shared=material)


def of_planes(planes: Sequence[PlaneGrowth]) -> Growth:
    """Return how the axis of a machine moves that grows so at its planes.

    Raises:
        ValueError: with fewer than two different planes, which give no slope.
    """
    x = np.array([p.x_m for p in planes])
    if np.unique(x).size < 2:
        raise ValueError("growth at one plane gives no slope")
    line = np.linalg.pinv(np.stack([np.ones_like(x), x], axis=1))
    up_cov = np.diag([p.up_u_m**2 for p in planes])
    for name in {p.shared for p in planes}:
        together = np.array([p.shared_m if p.shared == name else 0.0 for p in planes])
        up_cov += np.outer(together, together)
    across_cov = np.diag([p.across_u_m**2 for p in planes])
    pose, cov = np.zeros(POSE), np.zeros((POSE, POSE))
    pose[:2], pose[2:] = line @ [p.across_m for p in planes], line @ [p.up_m for p in planes]
    cov[:2, :2], cov[2:, 2:] = line @ across_cov @ line.T, line @ up_cov @ line.T
    return Growth(pose, cov)


def cold_target(wanted: Growth, movable: Growth = NO_GROWTH, stationary: Growth = NO_GROWTH) -> Growth:
    """Return the pose to be had while it is measured, and its covariance.

    Args:
        wanted: pose in service, and how uncertain it is that this is the right one.
        movable: growth of the movable machine's axis.
        stationary: growth of the stationary machine's axis; what is not known of the two is independent.
    """
    return Growth(
        wanted.pose - movable.pose + stationary.pose,
        wanted.cov + movable.cov + stationary.cov,
    )

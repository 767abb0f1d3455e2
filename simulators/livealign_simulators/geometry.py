"""Vectors in space: lines, rotations and where a ray meets a plane or a cylinder, for many readings at once.

The frame: x along the stationary shaft from the stationary to the movable machine, from the coupling;
y to 3 o'clock and z to 12 o'clock for a viewer behind the movable machine. Lengths in mm, angles in rad.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "STATIONARY",
    "UP",
    "AxisLine",
    "Floats",
    "cross",
    "dot",
    "head_frame",
    "hit_cylinder",
    "hit_plane",
    "rotate",
    "unit",
]

Floats = NDArray[np.float64]

UP = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True, slots=True)
class AxisLine:
    """A shaft's axis: the line (x, y + y_slope x, z + z_slope x); each field one number, or one a reading."""

    y_mm: Any = 0.0
    y_slope: Any = 0.0
    z_mm: Any = 0.0
    z_slope: Any = 0.0

    def at(self, x_mm: float) -> Floats:
        """Return the axis's points in the plane x, shape (..., 3)."""
        y = np.asarray(self.y_mm + self.y_slope * x_mm, dtype=float)
        z = np.asarray(self.z_mm + self.z_slope * x_mm, dtype=float)
        return np.stack([np.full_like(y, x_mm), y, z], axis=-1)

    def direction(self) -> Floats:
        """Return the unit vectors along the axis, away from the stationary machine, shape (..., 3)."""
        y = np.asarray(self.y_slope, dtype=float)
        return unit(np.stack([np.ones_like(y), y, np.asarray(self.z_slope, dtype=float)], axis=-1))


STATIONARY = AxisLine()
"""The stationary axis is the reference."""


def dot(a: Floats, b: Floats) -> Floats:
    """Return the scalar products of two arrays of vectors, keeping the last axis with length 1."""
    product: Floats = np.einsum("...i,...i->...", a, b)[..., np.newaxis]
    return product


def cross(a: Floats, b: Floats) -> Floats:
    """Return the vector products, shape (3,) or (N, 3); numpy's own is slow for a few vectors."""
    (ax, ay, az), (bx, by, bz) = a.T, b.T
    return np.array([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx]).T


def unit(v: Floats) -> Floats:
    """Return the vectors scaled to length 1."""
    return v / np.sqrt(dot(v, v))


def rotate(v: Floats, axis: Floats, angle_rad: Floats) -> Floats:
    """Turn vectors about unit axes through the origin, right-handed (Rodrigues), shape (..., 3)."""
    sine, cosine = np.sin(angle_rad)[..., np.newaxis], np.cos(angle_rad)[..., np.newaxis]
    along = axis * dot(axis, v)
    return along + (v - along) * cosine + cross(axis, v) * sine


def head_frame(axis: Floats, angle_rad: Floats) -> tuple[Floats, Floats]:
    """Return the outward and the clockwise unit vectors of a head that has turned with its shaft.

    At angle 0 the head is at 12 o'clock; angles grow clockwise for the viewer, who looks against the axis.
    """
    at_twelve = unit(UP - axis * dot(axis, UP))
    outward = rotate(at_twelve, axis, -angle_rad)
    return outward, cross(outward, axis)


def hit_plane(origin: Floats, direction: Floats, point: Floats, normal: Floats) -> Floats:
    """Return where rays meet planes, shape (..., 3)."""
    distance = dot(point - origin, normal) / dot(direction, normal)
    return origin + direction * distance


def hit_cylinder(
    origin: Floats, direction: Floats, on_axis: Floats, axis: Floats, radius_mm: float
) -> Floats:
    """Return where rays from outside first meet endless cylinders round unit axes, shape (..., 3).

    A ray that passes by gives its nearest point.
    """
    away, along = origin - on_axis, direction
    away, along = away - axis * dot(axis, away), along - axis * dot(axis, along)
    square, half, rest = dot(along, along), dot(along, away), dot(away, away) - radius_mm**2
    root = np.sqrt(np.maximum(half * half - square * rest, 0.0))
    return origin + direction * ((-half - root) / square)

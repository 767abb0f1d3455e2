"""Where the light of one head meets the detector of the other, traced in space."""

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from livealign_simulators.geometry import STATIONARY, AxisLine, Floats, cross, head_frame, hit_plane

__all__ = ["Shaft", "Source", "Surface", "trace"]

Shaft = Literal["stationary", "movable"]


@dataclass(frozen=True, slots=True)
class Source:
    """A light in a head, shining along the shaft at the other head, not quite straight."""

    x_mm: float
    radius_mm: Any = 80.0
    """One number, or one a reading; so is `aside_mm`."""
    aim_outward_rad: float = 0.0
    aim_clockwise_rad: float = 0.0
    aside_mm: Any = 0.0
    """Clockwise of where its shaft's angle is told."""


@dataclass(frozen=True, slots=True)
class Surface:
    """The detecting surface in a head, not quite square to the shaft."""

    x_mm: float
    radius_mm: Any = 80.0
    """Of its zero point: one number, or one a reading; so is `aside_mm`."""
    aside_mm: Any = 0.0
    """Of its zero point, clockwise."""
    lean_rad: float = 0.0
    """Its outward edge leans toward the movable machine."""
    yaw_rad: float = 0.0
    """Its clockwise edge leans toward the movable machine."""


def trace(
    movable: AxisLine,
    angle_rad: Floats,
    source: Source,
    surface: Surface,
    surface_on: Shaft,
    *,
    source_angle_rad: Floats | None = None,
) -> tuple[Floats, Floats]:
    """Return the spot's place on the surface, outward and clockwise from its zero point, in mm.

    Args:
        movable: the movable shaft's axis, one for all readings or one for each.
        angle_rad: how far the head with the surface has turned from 12 o'clock, clockwise, shape (N,).
        source: the light; it sits on the shaft that does not carry the surface.
        surface: the detecting surface.
        surface_on: the shaft that carries the surface.
        source_angle_rad: how far the head with the light has turned; left out: as far as the other.
    """
    mine, other = (STATIONARY, movable) if surface_on == "stationary" else (movable, STATIONARY)

    axis = mine.direction()
    outward, clockwise = head_frame(axis, angle_rad)
    zero = mine.at(surface.x_mm) + _each(surface.radius_mm) * outward + _each(surface.aside_mm) * clockwise
    along_out = np.cos(surface.lean_rad) * outward + np.sin(surface.lean_rad) * axis
    along_clock = np.cos(surface.yaw_rad) * clockwise + np.sin(surface.yaw_rad) * axis
    normal = cross(along_out, along_clock)

    axis = other.direction()
    turned = angle_rad if source_angle_rad is None else source_angle_rad
    outward, clockwise = head_frame(axis, turned)
    forward = axis if source.x_mm < surface.x_mm else -axis
    ray = forward + np.tan(source.aim_outward_rad) * outward + np.tan(source.aim_clockwise_rad) * clockwise
    light = other.at(source.x_mm) + _each(source.radius_mm) * outward + _each(source.aside_mm) * clockwise

    spot = hit_plane(light, ray, zero, normal) - zero
    return _share(spot, along_out), _share(spot, along_clock)


def _each(number: Any) -> Floats:
    """Return one number, or one a reading, fit to scale vectors."""
    each: Floats = np.asarray(number, dtype=float)[..., np.newaxis]
    return each


def _share(v: Floats, along: Floats) -> Floats:
    share: Floats = np.einsum("...i,...i->...", v, along)
    return share

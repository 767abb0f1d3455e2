"""Where the plunger of an indicator on one shaft touches the rim or the face of the other, found in space."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from livealign_simulators.geometry import (
    STATIONARY,
    UP,
    AxisLine,
    Floats,
    dot,
    head_frame,
    hit_cylinder,
    hit_plane,
    unit,
)
from livealign_simulators.trace import Shaft

__all__ = ["Plunger", "touch_face", "touch_rim"]

_REACH_MM = 40.0
"""From the indicator's body to what it touches, about."""


@dataclass(frozen=True, slots=True)
class Plunger:
    """An indicator on a bracket, not quite straight."""

    x_mm: float
    """Where it touches, along the shaft that carries it."""
    radius_mm: float
    """Of the rim it touches; on a face: its distance from the carrying shaft's axis."""
    mounting_rad: float = 0.0
    """How far clockwise of the head's angle it stands."""
    aside_mm: Any = 0.0
    """How far clockwise it passes its shaft's axis (rim) or its place (face); one number, or one a reading."""
    lean_rad: float = 0.0
    """How far its tip leans outward (face), or along the shaft, away from the stationary machine (rim)."""
    droop_mm: float = 0.0
    """Rim: how far its weight lowers it. Face: how far its weight, at 12 o'clock, brings it closer."""
    outward_mm: Any = 0.0
    """How far it stands outward of where it was mounted; one number, or one a reading."""


def touch_rim(
    movable: AxisLine,
    angle_rad: Floats,
    plunger: Plunger,
    carried_by: Shaft,
    rim_mm: Floats | None = None,
) -> Floats:
    """Return how far the plunger is pushed in, in mm from an arbitrary zero.

    It points at its own shaft's axis; the rim is a cylinder round the axis of the other.

    Args:
        movable: the movable shaft's axis, one for all readings or one for each.
        angle_rad: how far the shaft with the indicator has turned from 12 o'clock, clockwise, shape (N,).
        plunger: the indicator.
        carried_by: the shaft its bracket is clamped to.
        rim_mm: how far the rim's middle is off its shaft's axis (runout), shape (N, 3); left out: not at all.
    """
    mine, other = (STATIONARY, movable) if carried_by == "stationary" else (movable, STATIONARY)
    axis = mine.direction()
    outward, clockwise = head_frame(axis, angle_rad + plunger.mounting_rad)
    place = mine.at(plunger.x_mm) + plunger.radius_mm * outward + _set_off(plunger, outward, clockwise)
    inward = unit(-outward + plunger.lean_rad * axis)
    body = place - _REACH_MM * inward - plunger.droop_mm * UP
    middle = other.at(0.0) if rim_mm is None else other.at(0.0) + rim_mm
    tip = hit_cylinder(body, inward, middle, other.direction(), plunger.radius_mm)
    return _pushed_in(body, tip)


def touch_face(movable: AxisLine, angle_rad: Floats, plunger: Plunger, carried_by: Shaft) -> Floats:
    """Return how far the plunger is pushed in, in mm from an arbitrary zero.

    It points along its own shaft, across the coupling; the face is a disc square to the axis of the other, on the near
    side. The arguments are those of `touch_rim`, but for the rim.
    """
    mine, other = (STATIONARY, movable) if carried_by == "stationary" else (movable, STATIONARY)
    axis = mine.direction()
    across = axis if carried_by == "stationary" else -axis
    outward, clockwise = head_frame(axis, angle_rad + plunger.mounting_rad)
    place = mine.at(plunger.x_mm) + plunger.radius_mm * outward + _set_off(plunger, outward, clockwise)
    forward = unit(across + plunger.lean_rad * outward)
    body = place - _REACH_MM * forward + plunger.droop_mm * dot(outward, UP) * across
    tip = hit_plane(body, forward, other.at(plunger.x_mm), other.direction())
    return _pushed_in(body, tip)


def _set_off(plunger: Plunger, outward: Floats, clockwise: Floats) -> Floats:
    out, aside = (np.asarray(v, dtype=float)[..., np.newaxis] for v in (plunger.outward_mm, plunger.aside_mm))
    off: Floats = aside * clockwise + out * outward
    return off


def _pushed_in(body: Floats, tip: Floats) -> Floats:
    reach: Floats = np.sqrt(dot(tip - body, tip - body))[..., 0]
    return _REACH_MM - reach

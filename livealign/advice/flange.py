"""A vertical machine on a flange: shims at its bolts take out the slope, a sideways shift the offset.

The frame is that of the shafts, x from the coupling toward the movable machine; 12 o'clock is wherever the bolts are counted
from, clockwise as seen from behind the movable machine. A shim of thickness h at a bolt pushes the flange away from the
coupling. To change the slope of the axis by dY' and dZ' the flange is tilted the other way:

    h(theta) = c - R (dY' sin(theta) + dZ' cos(theta))

with c so that the thinnest shim is as thin as allowed. The axis turns about the centre of the flange, so its offset there is
not changed by the tilt, and what is left of it is the shift.
"""

import math
from dataclasses import dataclass

import numpy as np

from livealign.advice.words import horizontal_move
from livealign.errors import PersonError
from livealign.model.rig import FloatArray
from livealign.units import Units, length_words

__all__ = ["Flange", "FlangePlan", "flange_plan"]

_NOTHING_M = 5e-6


@dataclass(frozen=True, slots=True)
class Flange:
    """The joint a vertical machine stands on."""

    bolts: int
    radius_m: float
    """Of the bolt circle, where the shims lie."""
    x_m: float
    """Of the joint, from the coupling's centre."""
    first_rad: float = 0.0
    """Angle of bolt 1, clockwise from 12 o'clock; the others follow clockwise, evenly."""
    away: bool = True
    """Whether shims push the machine away from the coupling; else toward it."""


@dataclass(frozen=True, slots=True, eq=False)
class FlangePlan:
    """What to put under the flange, where to shift it, and what remains."""

    shims_m: tuple[float, ...]
    """At each bolt, in their order."""
    shift_m: tuple[float, float]
    """Toward 3 and toward 12 o'clock."""
    slope_error: tuple[float, float]
    """Slope that is left toward 3 and toward 12 o'clock, as shims come in steps."""
    words: tuple[str, ...]


def flange_plan(
    flange: Flange,
    pose: FloatArray,
    target: FloatArray,
    units: Units,
    *,
    step_m: float | None = None,
    thinnest_m: float = 0.0,
) -> FlangePlan:
    """Return the shims and the shift that bring the axis where it is wanted.

    Args:
        flange: the joint.
        pose: (4,) present Y0, Y', Z0, Z'.
        target: (4,) wanted.
        units: for the words.
        step_m: shims come in multiples of it; None: of any thickness.
        thinnest_m: the least thickness at any bolt.

    Raises:
        PersonError: if there are fewer than three bolts, which hold no flange.
    """
    if flange.bolts < 3:
        raise PersonError(
            f"a flange on {flange.bolts} bolts cannot be tilted by shims", advice="Give three bolts or more."
        )
    angles = flange.first_rad + 2.0 * math.pi * np.arange(flange.bolts) / flange.bolts
    around = np.stack([np.sin(angles), np.cos(angles)], axis=1)
    change = (target - pose)[[1, 3]]
    push = 1.0 if flange.away else -1.0
    wanted = -push * flange.radius_m * around @ change
    exact = wanted - wanted.min() + thinnest_m
    shims = exact if step_m is None else np.round(exact / step_m) * step_m
    # The plane nearest to shims at even angles: 2/n times their sine and cosine parts.
    made = -push * 2.0 / (flange.bolts * flange.radius_m) * around.T @ shims
    left = change - made
    at = target[[0, 2]] - pose[[0, 2]] + change * flange.x_m
    shift = (float(at[0]), float(at[1]))
    return FlangePlan(
        tuple(float(h) for h in shims),
        shift,
        (float(left[0]), float(left[1])),
        tuple(_words(angles, shims, shift, units)),
    )


def _words(angles: FloatArray, shims: FloatArray, shift: tuple[float, float], units: Units) -> list[str]:
    lines = [
        f"Bolt {i}, at {math.degrees(a) % 360.0:.0f} deg: {length_words(float(h), units) if h > _NOTHING_M else 'no shim'}."
        for i, (a, h) in enumerate(zip(angles, shims, strict=True), 1)
    ]
    right, up = shift
    moves = []
    if abs(right) > _NOTHING_M:
        moves.append(horizontal_move(right * 1e3, units))
    if abs(up) > _NOTHING_M:
        moves.append(f"{length_words(abs(up), units)} toward {'12' if up > 0.0 else '6'} o'clock")
    return [*lines, f"Then shift the flange {', '.join(moves)}." if moves else "No shift is needed."]

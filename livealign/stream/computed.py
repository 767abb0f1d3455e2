"""Fields that are worked out from the fields that come: places from electrode currents, angles from gravity."""

from collections.abc import Callable, Mapping, Sequence
from typing import TypeAlias

import numpy as np

from livealign.stream.contracts import Floats

__all__ = ["Computation", "angle_of_gravity", "place_between_electrodes"]

Computation: TypeAlias = Callable[[Mapping[str, Floats]], dict[str, Floats]]
"""Columns in; new columns out, NaN where something that is needed is missing."""


def place_between_electrodes(
    name: str,
    plus: Sequence[str],
    minus: Sequence[str],
    length: float,
    *,
    dark: float,
    full_scale: float | None,
    light: str | None,
) -> Computation:
    """Return what computes a place on a lateral-effect detector: x = (L / 2) (I2 - I1) / (I2 + I1).

    The ratio does not depend on how bright the spot is. Derivation: a current that enters a uniform resistive layer
    divides in inverse proportion to the distances to its two ends, whatever its size.

    Args:
        name: of the new column, in the unit of `length`; infinite where an electrode is at its end (it is clipped then).
        plus: fields whose sum grows when the spot moves the positive way.
        minus: fields whose sum falls then.
        length: between the electrodes.
        dark: what each electrode shows without light.
        full_scale: at or above this an electrode's converter is at its end; None for no such limit.
        light: name of a second new column, the sum of all; None for none.
    """
    fields = (*plus, *minus)

    def compute(columns: Mapping[str, Floats]) -> dict[str, Floats]:
        if not set(fields) <= columns.keys():
            return {}
        raw = np.array([columns[f] for f in fields])
        bare = raw - dark
        up, down = bare[: len(plus)].sum(axis=0), bare[len(plus) :].sum(axis=0)
        total = up + down
        lit = total > 0.0
        place = np.full(total.size, np.nan)
        np.divide(0.5 * length * (up - down), total, out=place, where=lit)
        # Noise around no light at all can give any ratio; between the electrodes there is none beyond one half.
        place[np.abs(place) > 0.5 * length] = np.nan
        if full_scale is not None:
            place[(raw >= full_scale).any(axis=0)] = np.inf
        return {name: place} if light is None else {name: place, light: total}

    return compute


def angle_of_gravity(
    name: str,
    outward: str,
    clockwise: str,
    offsets: tuple[float, float],
    scales: tuple[float, float],
) -> Computation:
    """Return what computes a shaft angle (deg, 0 at 12 o'clock, clockwise) from two axes of an accelerometer.

    At rest an accelerometer shows the upward reaction to gravity: cos(theta) along the axis that points away from the
    shaft, -sin(theta) along the one that points clockwise. So theta = atan2(-clockwise, outward), whatever both
    axes' common scale is. It holds only while gravity is the sole acceleration.

    Args:
        name: of the new column.
        outward: field of the outward axis, with a minus before it if its number grows inward.
        clockwise: field of the clockwise axis, likewise.
        offsets: what the two fields show without acceleration.
        scales: what they show for 1 g.
    """
    axes = [
        (field.removeprefix("-"), -1.0 if field.startswith("-") else 1.0) for field in (outward, clockwise)
    ]

    def compute(columns: Mapping[str, Floats]) -> dict[str, Floats]:
        if not all(field in columns for field, _ in axes):
            return {}
        out, along = (
            sign * (columns[field] - offset) / scale
            for (field, sign), offset, scale in zip(axes, offsets, scales, strict=True)
        )
        angle: Floats = np.degrees(np.arctan2(-along, out))
        angle[(out == 0.0) & (along == 0.0)] = np.nan
        return {name: angle}

    return compute

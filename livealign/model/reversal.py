"""The zero of an inclinometer by reversal, as a spirit level is checked: turned end for end, its own error shows.

The number of a head that stands at the true angle theta (clockwise from 12 o'clock, for the viewer behind the movable
machine) is raw = s (theta - zero), s = +1 if it grows clockwise. Twice the head is set upright by the same level, or set
upon the same flat, which is off by an unknown lambda (clockwise for the viewer):

    as it is mounted       theta = lambda           raw_1 = s (lambda - zero)
    turned end for end     theta = -lambda          raw_2 = s (-lambda - zero)

since in its own frame the head turned round leans the other way, and its number counts in its own frame. So

    zero = -s (raw_1 + raw_2) / 2           lambda = s (raw_1 - raw_2) / 2

The level's error drops out of the zero and is found besides. What stays is how square the surface that the level is
held to (or that stands on the flat) is to the line from the shaft's axis through the detector: no reversal shows it, so
it must be stated.
s comes from turning the head clockwise a little: the number grows if s = +1.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from livealign.model.budget import expansion
from livealign.model.rig import FloatArray

__all__ = ["AngleCalibration", "reverse", "turned"]

_NORMAL_975 = 1.959963984540054


def turned(start_deg: float, end_deg: float) -> float:
    """Return the shorter way from one angle to another, in deg from -180 to 180."""
    return float((end_deg - start_deg + 180.0) % 360.0 - 180.0)


@dataclass(frozen=True, slots=True)
class AngleCalibration:
    """Sense and zero of an inclinometer."""

    sense: Literal["clockwise", "counterclockwise"]
    zero_deg: float
    """True angle when the number is 0, from -180 to 180."""
    zero_u_deg: float
    """Such that 1.96 of it hold 95 %, however few the pairs are."""
    level_deg: float
    """By how much the level or flat was off, clockwise."""
    spread_deg: float | None
    """Standard deviation of the zero from pair to pair; None for a single pair."""
    pairs: int


def reverse(
    mounted_deg: FloatArray,
    reversed_deg: FloatArray,
    clockwise_deg: float,
    *,
    reading_u_deg: float,
    square_u_deg: float,
) -> AngleCalibration:
    """Work out sense and zero.

    Args:
        mounted_deg: (n,) raw numbers with the head as it is mounted, set upright, in deg.
        reversed_deg: (n,) the same turned end for end.
        clockwise_deg: change of the raw number when the head was turned clockwise by less than half a turn, as `turned`
            gives it.
        reading_u_deg: standard uncertainty of setting by the level once; used where there is a single pair.
        square_u_deg: standard uncertainty of the surface's being square.

    Raises:
        ValueError: if there is no pair, or the change is 0.
    """
    n = mounted_deg.size
    if n == 0 or reversed_deg.size != n:
        raise ValueError("as many readings turned end for end as not are needed, one of each at least")
    if clockwise_deg == 0.0:
        raise ValueError("the number did not change when the head was turned")
    s = 1.0 if clockwise_deg > 0.0 else -1.0
    apart = np.array([turned(float(a), float(b)) for a, b in zip(mounted_deg, reversed_deg, strict=True)])
    middle = mounted_deg + apart / 2.0
    # About the first one, so that 359.9 and 0.1 are neighbours.
    around = np.array([turned(float(middle[0]), float(m)) for m in middle])
    zero = turned(0.0, -s * float(middle[0] + around.mean()))
    spread = float(around.std(ddof=1)) if n > 1 else None
    # Each zero is the mean of two settings.
    single = reading_u_deg / math.sqrt(2.0)
    type_a = (single if spread is None else max(spread, _LEAST * single)) / math.sqrt(n)
    variance = type_a**2 + square_u_deg**2
    factor = 1.0 if spread is None else expansion(variance, type_a**2, n - 1) / _NORMAL_975
    return AngleCalibration(
        sense="clockwise" if s > 0.0 else "counterclockwise",
        zero_deg=zero,
        zero_u_deg=math.sqrt(variance) * factor,
        level_deg=-s * float(apart.mean()) / 2.0,
        spread_deg=spread,
        pairs=n,
    )


_LEAST = 0.2
"""Two pairs that agree by luck are not more certain than a fifth of what setting by the level leaves."""

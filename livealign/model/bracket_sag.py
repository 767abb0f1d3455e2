"""The sag of an indicator's bracket from readings on a stiff bar, as the trade states it.

Bracket and plunger turn with the bar, so the plunger always touches the same spot and only gravity changes:
shown = c + a cos(theta) + b sin(theta), and sag, what it shows at 6 o'clock when zeroed at 12, is -2 a. With the bracket's
own symmetry b is 0; if it is not, the bracket leans or the angles are off.
"""

import math
from dataclasses import dataclass

import numpy as np

from livealign.model import robust
from livealign.model.budget import expansion
from livealign.model.linear import solve
from livealign.model.rig import FloatArray

__all__ = ["BracketSag", "bracket_sag"]

_NORMAL_975 = 1.959963984540054
_LEAST_ARC_COS = 1.0
"""The cosine must have changed by so much: a quarter turn from 12 o'clock."""


@dataclass(frozen=True, slots=True)
class BracketSag:
    """In the unit of the readings."""

    sag: float
    """What an indicator zeroed at 12 o'clock shows at 6."""
    u: float
    """Such that 1.96 of it hold 95 %, however few the readings are."""
    sideways: float | None
    """Likewise from 9 to 3 o'clock, which should be nothing; None where it was not read."""
    sideways_u: float | None
    scatter: float
    """Residual standard deviation."""
    readings: int


def bracket_sag(angle_rad: FloatArray, shown: FloatArray, *, noise: float, bar_u: float) -> BracketSag:
    """Fit the sag.

    Args:
        angle_rad: (n,) where the plunger stood, from 12 o'clock clockwise.
        shown: (n,) what the indicator showed, with its own sign, in any unit.
        noise: standard deviation of one of them, as declared; used as it is where too few are read to tell.
        bar_u: standard uncertainty of what the bar itself bends, in that unit.

    Raises:
        ValueError: if the plunger stood in too few places.
    """
    sin, cos = np.sin(angle_rad), np.cos(angle_rad)
    if shown.size < 2 or float(np.ptp(cos)) < _LEAST_ARC_COS:
        raise ValueError("readings at 12 and at 6 o'clock are needed, or all around")
    columns = [np.ones_like(cos), cos]
    sideways_seen = shown.size >= 4 and float(np.ptp(sin)) >= _LEAST_ARC_COS
    if sideways_seen:
        columns.append(sin)
    a = np.stack(columns, axis=1)
    found = solve(a, shown, np.ones_like(shown))
    freedom = shown.size - found.rank
    residual = shown - a @ found.x
    scatter = math.sqrt(float(residual @ residual) / freedom) if freedom > 0 else noise
    correlation = robust.correlation_time(residual)
    # Readings that follow each other closely count for fewer.
    effective = max(freedom / correlation, 1.0) if freedom > 0 else 1e9
    cov = scatter**2 * correlation * found.cov
    type_a = 4.0 * float(cov[1, 1])
    variance = type_a + bar_u**2
    return BracketSag(
        sag=-2.0 * float(found.x[1]),
        u=math.sqrt(variance) * expansion(variance, type_a, effective) / _NORMAL_975,
        sideways=2.0 * float(found.x[2]) if sideways_seen else None,
        sideways_u=2.0 * math.sqrt(float(cov[2, 2])) if sideways_seen else None,
        scatter=scatter,
        readings=shown.size,
    )

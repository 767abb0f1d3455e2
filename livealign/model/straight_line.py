"""A straight line through calibration readings, and whether they deviate from it by more than chance."""

import math
from dataclasses import dataclass

import numpy as np

from livealign.model.linear import solve
from livealign.model.rig import FloatArray

__all__ = ["Line", "chance_of_f", "directions", "straight_line"]


@dataclass(frozen=True, slots=True)
class Line:
    """y = intercept + slope x, by ordinary least squares."""

    intercept: float
    slope: float
    u_intercept: float
    u_slope: float
    scatter: float
    """Residual standard deviation."""
    freedom: int
    """Degrees of freedom of the scatter."""


def straight_line(x: FloatArray, y: FloatArray, rising: FloatArray | None = None) -> Line:
    """Fit y = intercept + slope x, x being exact.

    Where x is set to nominal values, the line is not flattened by errors of the setting: they are independent of the
    nominal value (Berkson, J. Amer. Stat. Assoc. 45 (1950) 164; citation from memory).

    Args:
        x: (n,) set values, in any unit.
        y: (n,) readings, in any unit.
        rising: (n,) +1 where x was reached from below, -1 from above; a difference between the two is then allowed for.

    Raises:
        ValueError: if x has fewer than two values, or there are no more readings than unknowns.
    """
    columns = [np.ones_like(x), x - x.mean()]
    if rising is not None:
        columns.append(0.5 * rising)
    a = np.stack(columns, axis=1)
    found = solve(a, y, np.ones_like(y))
    if not found.observable[1]:
        raise ValueError("a line needs two values of x at least")
    freedom = y.size - found.rank
    if freedom < 1:
        raise ValueError(f"{y.size} readings are too few for {found.rank} unknowns and their uncertainty")
    residual = y - a @ found.x
    variance = float(residual @ residual) / freedom
    cov = variance * found.cov
    # From the middle of x, where the fit is best conditioned, back to x = 0.
    back = np.array([1.0, -float(x.mean())])
    return Line(
        intercept=float(back @ found.x[:2]),
        slope=float(found.x[1]),
        u_intercept=math.sqrt(float(back @ cov[:2, :2] @ back)),
        u_slope=math.sqrt(float(cov[1, 1])),
        scatter=math.sqrt(variance),
        freedom=freedom,
    )


def directions(x: FloatArray) -> FloatArray:
    """Return +1 where a value was reached from below and -1 where from above; the first goes with the second."""
    steps = np.sign(np.diff(x))
    result = np.zeros_like(x)
    last = 0.0
    for i, step in enumerate(steps, 1):
        last = float(step) or last
        result[i] = last
    known = result[result != 0.0]
    result[result == 0.0] = known[0] if known.size else 1.0
    return result


def chance_of_f(ratio: float, above: float, below: float) -> float:
    """Return the probability that a ratio of two variances is exceeded by chance.

    Paulson's approximation (Abramowitz & Stegun, 26.6.15): within 0.01 from 3 degrees of freedom below on. With 2, 1 %
    is taken for 2 %, which is on the cautious side.

    Args:
        ratio: F, >= 0.
        above: degrees of freedom of the upper variance, > 0.
        below: of the lower one, > 0.
    """
    a, b = 2.0 / (9.0 * above), 2.0 / (9.0 * below)
    root = ratio ** (1.0 / 3.0)
    z = (root * (1.0 - b) - (1.0 - a)) / math.sqrt(a + root * root * b)
    return 0.5 * math.erfc(z / math.sqrt(2.0))

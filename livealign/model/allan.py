"""How far averaging helps: the overlapping Allan deviation (NIST SP 1065, W. J. Riley 2008)."""

import numpy as np

from livealign.model.rig import FloatArray

__all__ = ["allan_deviation", "drift_floor", "octaves"]

_LEAST_SPANS = 4
"""An averaging time counts while the record holds this many of it; with fewer, a low value is as often luck."""


def allan_deviation(values: FloatArray, size: int) -> float:
    """Return the overlapping Allan deviation: the scatter of one mean of `size` readings against the next.

    For white noise it is the standard deviation of such a mean; drift and wander keep it from falling as fast.

    Args:
        values: (n,) evenly spaced readings, in any unit.
        size: readings averaged, at least 1.

    Returns:
        The deviation, in the unit of the readings.

    Raises:
        ValueError: if `size` is below 1 or there are not two means of that size.
    """
    if size < 1 or values.size < 2 * size:
        raise ValueError(f"{values.size} readings do not make two means of {size}")
    # Taken off first, so that the running sum keeps its digits.
    total = np.concatenate([[0.0], np.cumsum(values - values[0])])
    mean = (total[size:] - total[:-size]) / size
    return float(np.sqrt(0.5 * np.mean(np.square(mean[size:] - mean[:-size]))))


def octaves(n: int) -> tuple[int, ...]:
    """Return the averaging sizes 1, 2, 4, ... of which a record of `n` readings holds enough to be judged."""
    return tuple(2**k for k in range(n.bit_length()) if _LEAST_SPANS * 2**k <= n)


def drift_floor(values: FloatArray, spacing_s: float) -> tuple[float, float]:
    """Return the least deviation and the averaging time that reaches it: averaging longer makes nothing better.

    Args:
        values: (n,) evenly spaced readings of something at rest, in any unit.
        spacing_s: time from one reading to the next, s.

    Returns:
        The deviation in the unit of the readings, and the averaging time in s: the longest that the record can
        judge, if the deviation still falls there.

    Raises:
        ValueError: if there are fewer than four readings, or the spacing is not positive.
    """
    sizes = octaves(values.size)
    if not sizes:
        raise ValueError(f"{values.size} readings are too few: at least {_LEAST_SPANS} are needed")
    if not spacing_s > 0.0:
        raise ValueError(f"the spacing of readings must be positive, not {spacing_s}")
    least, size = min((allan_deviation(values, size), size) for size in sizes)
    return least, size * spacing_s

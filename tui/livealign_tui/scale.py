"""Round steps for axes."""

import math

__all__ = ["rounded_range", "step_above"]


def step_above(value: float) -> float:
    """Return the smallest of 1, 2, 5 times a power of ten that is not below `value` (> 0)."""
    power = 10.0 ** math.floor(math.log10(value))
    for factor in (1.0, 2.0, 5.0):
        if factor * power >= value * (1 - 1e-9):
            return factor * power
    return 10.0 * power


def rounded_range(low: float, high: float, marks: int) -> tuple[float, float, float]:
    """Return (low, high, step) grown to whole steps, with about `marks` steps between."""
    step = step_above((high - low) / max(marks, 1))
    return math.floor(low / step + 1e-9) * step, math.ceil(high / step - 1e-9) * step, step

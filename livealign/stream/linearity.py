"""Sensors that are not straight: from the raw number to the true one, in the sensor's own unit."""

from collections.abc import Callable, Sequence
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from livealign.stream.contracts import Floats

__all__ = ["Linearity", "polynomial", "table"]

Linearity: TypeAlias = Callable[[Floats], tuple[Floats, NDArray[np.bool_]]]
"""Raw numbers in; true numbers, and which of them lie outside what was calibrated."""


def table(points: Sequence[tuple[float, float]]) -> Linearity:
    """Return straight lines from point to point of a calibration; outside, the nearest end.

    Args:
        points: (raw, true), two or more, raw rising.
    """
    raws, trues = (np.array(column, dtype=float) for column in zip(*points, strict=True))

    def straighten(raw: Floats) -> tuple[Floats, NDArray[np.bool_]]:
        return np.interp(raw, raws, trues), (raw < raws[0]) | (raw > raws[-1])

    return straighten


def polynomial(coefficients: Sequence[float]) -> Linearity:
    """Return c0 + c1 raw + c2 raw^2 + ...; a result that is no finite number is not there (NaN)."""
    falling = np.array(coefficients[::-1], dtype=float)

    def straighten(raw: Floats) -> tuple[Floats, NDArray[np.bool_]]:
        with np.errstate(over="ignore", invalid="ignore"):
            true = np.polyval(falling, raw)
        return np.where(np.isfinite(true), true, np.nan), np.zeros(raw.shape, dtype=bool)

    return straighten

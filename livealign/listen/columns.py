"""How a column of numbers behaves."""

from dataclasses import dataclass
from math import tau

import numpy as np

from livealign.stream.contracts import Floats

__all__ = ["Behaviour", "behaviour", "counts_up", "explained_by", "unwrapped", "wraps"]

BLOCKS = 40
MOST_DECIMALS = 6
FEWEST = 8
GREATEST = 1e100
"""What no sensor tells, and whose square overflows."""
JUMP = 0.9
"""Share of a turn from which a step is taken for the passing of its end."""


@dataclass(frozen=True, slots=True)
class Behaviour:
    """What is to be seen of a column alone."""

    values: Floats
    """Finite ones only, in their order."""
    where: np.ndarray[tuple[int], np.dtype[np.intp]]
    """Their records."""
    quantum: float
    """The step it is told in; 0 if there is none to be seen."""
    noise: float
    """Standard deviation from reading to reading, of what is not smooth."""
    span: float
    """Between greatest and least after smoothing."""

    @property
    def whole(self) -> bool:
        """Are all whole numbers?"""
        return self.quantum >= 1.0

    @property
    def moves(self) -> bool:
        """Has it changed by more than its noise?"""
        return self.span > 6.0 * self.noise + 2.0 * self.quantum

    @property
    def middle(self) -> float:
        """Median."""
        return float(np.median(self.values))


def behaviour(column: Floats) -> Behaviour | None:
    """Return how a column behaves; None if it has too few numbers, or such that no sensor tells."""
    where = np.flatnonzero(np.isfinite(column))
    values = column[where]
    if values.size < FEWEST or np.abs(values).max() > GREATEST:
        return None
    return Behaviour(values, where, _quantum(values), _noise(values), _span(values))


def _quantum(values: Floats) -> float:
    with np.errstate(over="ignore", invalid="ignore"):
        for decimals in range(MOST_DECIMALS + 1):
            if np.all(np.abs(np.round(values, decimals) - values) <= 1e-9 * np.maximum(1.0, np.abs(values))):
                return float(10.0**-decimals)
    return 0.0


def _noise(values: Floats) -> float:
    bends = np.diff(values, 2)
    return float(1.4826 * np.median(np.abs(bends)) / 6.0**0.5)


def _span(values: Floats) -> float:
    size = max(1, values.size // BLOCKS)
    blocks = values[: values.size // size * size].reshape(-1, size)
    smooth = np.median(blocks, axis=1)
    return float(smooth.max() - smooth.min())


def counts_up(values: Floats) -> float:
    """Return the share of steps that go up, of those that do not pass a power of two from 8 bits on (a wrap-around)."""
    steps = np.diff(values)
    kept = steps[~_passes(values, steps)]
    return float(np.mean(kept > 0)) if kept.size else 0.0


def _passes(values: Floats, steps: Floats) -> "np.ndarray[tuple[int], np.dtype[np.bool_]]":
    found = np.zeros(steps.size, bool)
    for bits in (8, 16, 24, 32):
        whole = 2.0**bits
        found |= (steps < -0.5 * whole) & (values[:-1] < whole) & (values[1:] < 0.5 * whole)
    return found


def wraps(values: Floats, whole: float) -> int:
    """Return how often a column passes from one end of a range to the other, as an angle does after a full turn."""
    steps = np.abs(np.diff(values))
    return int(np.sum((steps > JUMP * whole) & (steps < (2.0 - JUMP) * whole)))


def unwrapped(values: Floats, whole: float) -> Floats:
    """Return a column that goes on past the ends of its range."""
    steps = np.diff(values, prepend=values[:1])
    result: Floats = values - whole * np.cumsum(np.rint(steps / whole))
    return result


def explained_by(angle_rad: Floats, values: Floats) -> tuple[float, float]:
    """Return what is left (standard deviation) of a column when constant, sine and cosine of an angle are fitted.

    Returns:
        what is left, and the share of its variance that was explained.
    """
    design = np.column_stack([np.ones_like(angle_rad), np.sin(angle_rad), np.cos(angle_rad)])
    found, *_ = np.linalg.lstsq(design, values - values.mean(), rcond=None)
    left = float(np.std(values - values.mean() - design @ found))
    whole = float(np.std(values))
    return left, 1.0 - (left / whole) ** 2 if whole > 0 else 0.0


TURN = {"deg": 360.0, "rad": tau}

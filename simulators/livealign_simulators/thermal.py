"""Machines that warm up or cool down: legs grow, and the shaft with them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from livealign_simulators.geometry import Floats

__all__ = ["CAST_IRON_PER_K", "STEEL_PER_K", "Warming", "grown_line"]

STEEL_PER_K = 12e-6
CAST_IRON_PER_K = 10.5e-6
"""Coefficients of linear expansion, from memory."""


@dataclass(frozen=True, slots=True)
class Warming:
    """The legs at one foot plane coming to another temperature, exponentially."""

    x_mm: float
    height_mm: float
    """From foot to shaft."""
    start_c: float
    end_c: float
    time_constant_s: float = 1800.0
    per_k: float = STEEL_PER_K
    start_s: float = 0.0
    machine: Literal["movable", "stationary"] = "movable"

    def growth_mm(self, time_s: Floats) -> Floats:
        """Return how much higher than at the start the shaft is carried: coefficient x height x temperature change."""
        warmed = -np.expm1(-np.maximum(np.asarray(time_s) - self.start_s, 0.0) / self.time_constant_s)
        return self.per_k * self.height_mm * (self.end_c - self.start_c) * warmed


def grown_line(
    planes_mm: Sequence[float], warmings: Sequence[Warming], time_s: Floats
) -> tuple[Floats, Floats]:
    """Return offset (at the coupling, mm) and slope of the line by which a shaft has been lifted.

    Args:
        planes_mm: all foot planes of the machine; those that are not warmed hold their height.
        warmings: of this machine.
        time_s: when, shape (N,).
    """
    grown = {x: np.zeros(time_s.size) for x in (*planes_mm, *(w.x_mm for w in warmings))}
    for w in warmings:
        grown[w.x_mm] += w.growth_mm(time_s)
    x = np.array(list(grown))
    if x.size == 1:
        return grown[x[0]], np.zeros(time_s.size)
    offset, slope = np.linalg.pinv(np.stack([np.ones_like(x), x], axis=1)) @ np.array(list(grown.values()))
    return offset, slope

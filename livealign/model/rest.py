"""What a channel does while nothing moves: its noise, how far averaging helps, its drift."""

import math
from dataclasses import dataclass

import numpy as np

from livealign.model.allan import allan_deviation, octaves
from livealign.model.rig import FloatArray
from livealign.model.straight_line import straight_line

__all__ = ["LEAST_READINGS", "RestNoise", "crept", "rest_noise"]

LEAST_READINGS = 16
_SURE = 6.0
_SPANS = 32
"""The drift is judged from the means of so many equal parts."""


@dataclass(frozen=True, slots=True)
class RestNoise:
    """In the unit of the readings."""

    noise: float
    """Standard deviation of one reading against the next: short-term noise, drift left out."""
    step: float
    """Smallest change between readings: the resolution; 0 if they never change."""
    floor: float
    """Least deviation of a mean."""
    floor_s: float
    """Averaging time that reaches it."""
    falling: bool
    """It still falls at the longest time the record can judge, so the floor may be lower."""
    curve: tuple[tuple[float, float], ...]
    """(averaging time in s, Allan deviation)."""
    drift_per_s: float
    drift_u_per_s: float
    readings: int
    spacing_s: float

    @property
    def drifts(self) -> bool:
        """Is there a drift beyond doubt?"""
        return abs(self.drift_per_s) > 4.0 * self.drift_u_per_s


def rest_noise(time_s: FloatArray, values: FloatArray) -> RestNoise:
    """Work out what a channel does at rest.

    Readings are taken as evenly spaced, at the median of their spacings; a few lost ones do no harm.

    Args:
        time_s: (n,) rising.
        values: (n,) readings, in any unit.

    Raises:
        ValueError: if there are fewer than `LEAST_READINGS`, or they bear no times.
    """
    n = values.size
    if n < LEAST_READINGS:
        raise ValueError(f"{n} readings are too few: at least {LEAST_READINGS} are needed")
    spacing = float(np.median(np.diff(time_s)))
    if not spacing > 0.0:
        spacing = float(time_s[-1] - time_s[0]) / (n - 1)
    if not spacing > 0.0:
        raise ValueError("the readings bear no times")
    levels = np.diff(np.unique(values))
    step = float(levels.min()) if levels.size else 0.0
    sizes = octaves(n)
    curve = tuple((size * spacing, allan_deviation(values, size)) for size in sizes)
    floor_s, floor = min(curve, key=lambda point: point[1])
    parts = np.array_split(np.arange(n), min(_SPANS, n // 4))
    line = straight_line(
        np.array([time_s[p].mean() - time_s[0] for p in parts]), np.array([values[p].mean() for p in parts])
    )
    return RestNoise(
        # A number that hardly ever changes is not known better than its last digit.
        noise=max(curve[0][1], step / math.sqrt(12.0)),
        step=step,
        floor=floor,
        floor_s=floor_s,
        falling=floor_s == curve[-1][0],
        curve=curve,
        drift_per_s=line.slope,
        drift_u_per_s=line.u_slope,
        readings=n,
        spacing_s=spacing,
    )


def crept(values: FloatArray, allowed: float) -> float | None:
    """Return by how much readings moved from their first third to their last, or None if they were still.

    Args:
        values: (n,) in order of time, in any unit.
        allowed: what they may move in any case, such as the declared noise of one reading.
    """
    third = values.size // 3
    if third == 0:
        return None
    noise = allan_deviation(values, 1)
    limit = max(allowed, _SURE * noise * math.sqrt(2.0 / third))
    moved = float(values[-third:].mean() - values[:third].mean())
    return moved if abs(moved) > limit else None

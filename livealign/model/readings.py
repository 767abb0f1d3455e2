"""A bounded store of one detector's readings of a sweep."""

import numpy as np
from numpy.typing import NDArray

from livealign.model.rig import FloatArray

__all__ = ["BINS", "CAPACITY", "Readings", "speed"]

BINS = 360
"""Readings are pooled by degree: finer than any rig's repeatability, coarse enough to stay small."""

CAPACITY = 16384
"""Readings kept a detector; above it, neighbours of one degree are averaged in pairs."""

_SPEED_SPAN_S = 0.2

_SIN, _COS, _VALUE, _TIME, _ANGLE, _COUNT = range(6)


class Readings:
    """Columns of readings in the order they came, until the first thinning."""

    def __init__(self) -> None:
        self.n = 0
        self.thinned = False
        self._data = np.empty((6, 1024))
        self._bins = np.empty(1024, dtype=np.int64)

    @property
    def sin(self) -> FloatArray:
        """(n,) sine of the angle seen by the detector."""
        return self._data[_SIN, : self.n]

    @property
    def cos(self) -> FloatArray:
        """(n,) its cosine."""
        return self._data[_COS, : self.n]

    @property
    def value(self) -> FloatArray:
        """(n,) position, m."""
        return self._data[_VALUE, : self.n]

    @property
    def time_s(self) -> FloatArray:
        """(n,) time."""
        return self._data[_TIME, : self.n]

    @property
    def angle(self) -> FloatArray:
        """(n,) shaft angle, continuous over turns."""
        return self._data[_ANGLE, : self.n]

    @property
    def count(self) -> FloatArray:
        """(n,) how many readings each stands for."""
        return self._data[_COUNT, : self.n]

    @property
    def bins(self) -> NDArray[np.int64]:
        """(n,) degree within the turn."""
        return self._bins[: self.n]

    @property
    def room(self) -> int:
        """Readings that still fit before thinning."""
        return CAPACITY - self.n

    def add(
        self, sin: FloatArray, cos: FloatArray, value: FloatArray, time_s: FloatArray, angle: FloatArray
    ) -> None:
        """Append readings, at most `room` of them."""
        end = self.n + value.size
        while end > self._bins.size:
            self._data = np.concatenate([self._data, np.empty_like(self._data)], axis=1)
            self._bins = np.concatenate([self._bins, np.empty_like(self._bins)])
        for row, column in enumerate((sin, cos, value, time_s, angle)):
            self._data[row, self.n : end] = column
        self._data[_COUNT, self.n : end] = 1.0
        self._bins[self.n : end] = np.floor(np.degrees(angle)).astype(np.int64) % BINS
        self.n = end

    def thin(self, good: NDArray[np.bool_]) -> None:
        """Drop what is not good and average pairs of one degree, those next to each other in time first."""
        data, bins = self._data[:, : self.n][:, good], self.bins[good]
        order = np.lexsort((data[_TIME], bins))
        data, bins = data[:, order], bins[order]
        rank = np.arange(bins.size) - np.searchsorted(bins, bins)
        _, first, inverse = np.unique(bins * CAPACITY + rank // 2, return_index=True, return_inverse=True)
        count = np.bincount(inverse, weights=data[_COUNT])
        self.n = first.size
        for row in range(_COUNT):
            self._data[row, : self.n] = np.bincount(inverse, weights=data[row] * data[_COUNT]) / count
        self._data[_COUNT, : self.n] = count
        self._bins[: self.n] = bins[first]
        self.thinned = True

    def shift(self, lag_s: float) -> None:
        """Move every reading to the angle at which it was truly taken, `lag_s` before the one it came with."""
        by = -lag_s * speed(self.time_s, self.angle)
        sin = self.sin * np.cos(by) + self.cos * np.sin(by)
        self._data[_COS, : self.n] = self.cos * np.cos(by) - self.sin * np.sin(by)
        self._data[_SIN, : self.n] = sin


def speed(time_s: FloatArray, angle: FloatArray) -> FloatArray:
    """Return (n,) turning speeds in rad/s, smoothed over 0.4 s, at readings in any order."""
    if time_s.size == 0:
        return np.zeros(0)
    if time_s.size == 0:
        return np.zeros(0)
    order = np.argsort(time_s, kind="stable")
    time, along = time_s[order], angle[order]
    later, earlier = time_s + _SPEED_SPAN_S, time_s - _SPEED_SPAN_S
    turned = np.interp(later, time, along) - np.interp(earlier, time, along)
    span = np.minimum(later, time[-1]) - np.maximum(earlier, time[0])
    result: FloatArray = turned / np.maximum(span, 1e-9)
    return result

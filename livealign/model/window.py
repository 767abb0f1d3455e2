"""The readings of one detector since the machine last moved, kept as short blocks."""

import math
from collections import deque
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

import numpy as np

from livealign.model.allan import drift_floor
from livealign.model.creep import Creep
from livealign.model.rig import FloatArray
from livealign.model.robust import correlation_time
from livealign.model.settle import Approach, approach
from livealign.model.steadiness import Steadiness

__all__ = ["BLOCK_S", "Block", "Window"]

BLOCK_S = 0.1
_MOST_BLOCKS = 600
_STEP = 5.0
"""Standard deviations of a difference of means that count as a step: about one false alarm in an hour."""
_LEAST_STEP_M = 1e-6
_MOST_CREPT_M = 5e-7
_NOISE_BLOCKS = 50
_SCATTERS, _LEAST_SCATTERS = 200, 30
_CHI2_MEDIAN = 0.4549
"""Median of a squared standard normal."""
_CORRELATED = 1.5
"""Blocks that scatter by less beyond their readings' noise do so by chance."""
_COURSE_BLOCKS = 15
_FLOOR_EVERY = 64
_DRIFT_FLOOR_M = 5e-7
_SPLITS = (1, 2, 4, 8, 16, 32, 64, 128, 256)
_TREND = 3.0
"""Standard deviations of a difference that count as the signal running away."""
_NEWEST = 3
_TURNED_RAD = np.radians(0.2)


@dataclass(slots=True)
class Block:
    """Mean of consecutive readings; `noise` the variance of one of them, right in the median of many blocks."""

    start_s: float
    end_s: float
    n: int
    value: float
    sin: float
    cos: float
    angle: float
    noise: float | None
    trend: float = 0.0
    """Half the difference between its last and first part, if that is no chance: how far a mean is behind."""


class Window:
    """Blocks of one detector, oldest first, and the block being filled."""

    def __init__(self, noise_m: float) -> None:
        """Begin empty; `noise_m` is what `Window.noise_m` says until the readings tell better."""
        self._given_m = self.noise_m = noise_m
        """Standard deviation of a mean of n readings, times the root of n: trend removed, correlation allowed for."""
        self._blocks: deque[Block] = deque(maxlen=_MOST_BLOCKS)
        self._noises: deque[float] = deque(maxlen=_NOISE_BLOCKS)
        self._scatters: deque[float] = deque(maxlen=_SCATTERS)
        """Variance of one reading as second differences of blocks tell it, each with one degree of freedom."""
        self._sums = (0, 0.0, 0.0, 0.0, 0.0)
        """Number of readings in whole blocks and the sums of their values."""
        self._open: list[tuple[float, float, float, float, float]] = []
        self._steadiness = Steadiness(noise_m**2)
        self._course: deque[Block] = deque(maxlen=_COURSE_BLOCKS)
        self._creep = Creep()
        self._floor_at = 0
        self._every = 1
        """The steadiness test takes every so many blocks, so that they are independent (found while at rest)."""
        self.floor_m = _DRIFT_FLOOR_M
        """Deviation below which averaging does not get, by drift (Allan deviation); small until more shows."""

    def approach(self) -> Approach | None:
        """Where the reading is heading, from its course through the last seconds, steps included."""
        if not self._course:
            return None
        time, value, n = (
            np.array([getattr(b, name) for b in self._course]) for name in ("end_s", "value", "n")
        )
        return approach(time, value, self.noise_m / float(np.median(n)) ** 0.5)

    @property
    def blocks(self) -> int:
        """Number of whole blocks held."""
        return len(self._blocks)

    @property
    def start_s(self) -> float:
        """Time of the oldest reading held in a whole block, of which there must be one."""
        return self._blocks[0].start_s

    @property
    def unrest(self) -> float:
        """The steadiness test's ratio: about 1 at rest."""
        return self._steadiness.ratio

    @property
    def creep_m_s(self) -> float | None:
        """How fast the reading creeps; None if it is at rest, as far as can be told."""
        return self._creep.rate_m_s

    def add(
        self, time_s: FloatArray, angle_rad: FloatArray, phase_rad: float, value_m: FloatArray
    ) -> list[Block]:
        """Take readings in order of time; return the blocks they completed, not yet kept (see `keep`)."""
        done: list[Block] = []
        seen = angle_rad + phase_rad
        columns = (
            time_s.tolist(),
            value_m.tolist(),
            np.sin(seen).tolist(),
            np.cos(seen).tolist(),
            angle_rad.tolist(),
        )
        for reading in zip(*columns, strict=True):
            if self._open and reading[0] // BLOCK_S != self._open[0][0] // BLOCK_S:
                done.append(self._close())
            self._open.append(reading)
        return done

    def keep(self, block: Block) -> float | None:
        """Add a completed block; return the time from which the past no longer holds, if the signal has stepped."""
        if len(self._blocks) == _MOST_BLOCKS:
            self._drop()
        self._blocks.append(block)
        self._count(block, 1)
        self._course.append(block)
        if len(self._blocks) - self._floor_at >= _FLOOR_EVERY:
            self._floor_at = len(self._blocks)
            values = np.array([b.value for b in self._blocks])
            self.floor_m = max(_DRIFT_FLOOR_M, drift_floor(values, BLOCK_S)[0])
            self._every = max(1, math.ceil(correlation_time(values - values.mean(), least=_FLOOR_EVERY)))
        if len(self._blocks) % self._every == 0:
            self._steadiness.add(block.value)
        self._creep.add(block.end_s, block.value, self.noise_m / block.n**0.5, BLOCK_S)
        if self.creep_m_s is not None:  # the mean must not lag behind, nor the lag pass for a step
            longest_s = _MOST_CREPT_M / abs(self.creep_m_s)
            while len(self._blocks) > _COURSE_BLOCKS and block.end_s - self._blocks[0].start_s > longest_s:
                self._drop()
        stepped = self._step()
        self._learn(block, at_rest=stepped is None)
        return stepped

    def stepped_now(self) -> float | None:
        """Return the time of a step that the newest readings, not yet a block, already show."""
        newest = self._open[-_NEWEST:]
        if len(newest) < _NEWEST or not self._blocks:
            return None
        if abs(sum(r[4] for r in newest) / _NEWEST - self._blocks[-1].angle) > _TURNED_RAD:
            return None  # the shafts begin to turn: no move of the machine
        n, value, *_ = self._sums
        apart_s = newest[0][0] - (self._blocks[0].start_s + self._blocks[-1].end_s) / 2.0
        crept = apart_s * (self.creep_m_s or 0.0)
        if self._differs(value / n + crept, n, sum(r[1] for r in newest) / _NEWEST, _NEWEST):
            return newest[0][0]
        return None

    def restart(self, from_s: float, *, moved: bool = True) -> None:
        """Let go of all readings before a time, and of what the steadiness test remembers.

        Unless it `moved` just now, what is known of its creeping is kept.
        """
        if moved:
            self._creep.forget(from_s)
        while self._blocks and self._blocks[0].start_s < from_s:
            self._blocks.popleft()
        self._recount()
        self._open = [r for r in self._open if r[0] >= from_s]
        self._floor_at = 0
        n = self._blocks[-1].n if self._blocks else max(len(self._open), 1)
        self._steadiness = Steadiness(self.noise_m**2 / n)
        for block in list(self._blocks)[:: self._every]:
            self._steadiness.add(block.value)

    def clear(self) -> None:
        """Let go of everything, the block being filled too."""
        self._blocks.clear()
        self._course.clear()
        self._recount()
        self._creep.forget()
        self._floor_at = 0
        self._open.clear()
        self._steadiness = Steadiness(self.noise_m**2)

    def mean(self, *, newest: bool = True) -> Block | None:
        """Return all readings held as one block, those of the unfinished one only if `newest`; None if there is none."""
        parts: list[Block] = []
        if self._open and newest:
            half = len(self._open) // 2
            parts = [self._average(part) for part in (self._open[:half], self._open[half:]) if part]
        if not parts and not self._blocks:
            return None
        n, *sums = self._sums
        for b in parts:
            n += b.n
            sums = [s + v * b.n for s, v in zip(sums, _values(b), strict=True)]
        value, sin, cos, angle = (s / n for s in sums)
        first, last = (self._blocks or parts)[0], (parts or self._blocks)[-1]
        apart = last.value - first.value
        chance = _TREND * self.noise_m * (1.0 / first.n + 1.0 / last.n) ** 0.5
        trend = apart / 2.0 if abs(apart) > chance else 0.0
        return Block(first.start_s, last.end_s, n, value, sin, cos, angle, None, trend)

    def _count(self, block: Block, sign: int) -> None:
        n, *sums = self._sums
        value, sin, cos, angle = (
            total + sign * block.n * v for total, v in zip(sums, _values(block), strict=True)
        )
        self._sums = (n + sign * block.n, value, sin, cos, angle)

    def _drop(self) -> None:
        self._count(self._blocks.popleft(), -1)

    def _recount(self) -> None:
        self._sums = (0, 0.0, 0.0, 0.0, 0.0)
        for block in self._blocks:
            self._count(block, 1)

    def _learn(self, block: Block, *, at_rest: bool) -> None:
        """Learn the noise, from within a block and from one to the next: filtered readings are alike, their means not."""
        if block.noise is not None:
            self._noises.append(block.noise)
        if at_rest and len(self._blocks) > 4:
            a, b = self._blocks[-5], self._blocks[-3]  # neighbours may still be correlated
            bend = a.value - 2.0 * b.value + block.value
            self._scatters.append(bend**2 / (1.0 / a.n + 4.0 / b.n + 1.0 / block.n))
        if len(self._noises) < 5:
            return
        one = median(self._noises)
        if len(self._scatters) < _LEAST_SCATTERS:
            self.noise_m = max(self._given_m, one**0.5)
            return
        between = median(self._scatters) / _CHI2_MEDIAN
        self.noise_m = (between if between > _CORRELATED * one else one) ** 0.5

    def _step(self) -> float | None:
        """Compare the past with the present on either side of a few splits (adaptive windowing), creeping taken out.

        Splits near the present notice a move at once; splits near the past let go of what was still settling.
        """
        blocks = list(self._blocks)
        rate = self.creep_m_s or 0.0
        n = np.cumsum([b.n for b in blocks])
        sums = np.cumsum([b.n * (b.value - rate * (b.start_s - blocks[0].start_s)) for b in blocks])
        total = len(blocks)
        sizes = [size for size in _SPLITS if 2 * size <= total]
        for old in [*(total - size for size in sizes), *reversed(sizes)]:
            n_old, n_new = int(n[old - 1]), int(n[-1] - n[old - 1])
            if self._differs(sums[old - 1] / n_old, n_old, (sums[-1] - sums[old - 1]) / n_new, n_new):
                return blocks[old].start_s
        return None

    def _differs(self, old: float, n_old: int, new: float, n_new: int) -> bool:
        limit = _STEP * self.noise_m * (1.0 / n_old + 1.0 / n_new) ** 0.5
        return bool(abs(new - old) > max(limit, _LEAST_STEP_M))

    def _close(self) -> Block:
        block = self._average(self._open)
        self._open.clear()
        return block

    @staticmethod
    def _average(readings: list[tuple[float, float, float, float, float]]) -> Block:
        n = len(readings)
        _, value, sin, cos, angle = (sum(column) / n for column in zip(*readings, strict=True))
        noise = None
        if n > 2:
            noise = sum((b[1] - a[1]) ** 2 for a, b in pairwise(readings)) / (2 * (n - 1))
            # As many degrees of freedom; the median of so few is below their mean (Wilson & Hilferty 1931).
            freedom = 2.0 * (n - 1) ** 2 / (3.0 * n - 4.0)
            noise /= (1.0 - 2.0 / (9.0 * freedom)) ** 3
        return Block(readings[0][0], readings[-1][0], n, value, sin, cos, angle, noise)


def _values(block: Block) -> tuple[float, float, float, float]:
    return block.value, block.sin, block.cos, block.angle

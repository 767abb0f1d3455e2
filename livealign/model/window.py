"""The readings of one detector since the machine last moved, kept as short blocks."""

import math
from collections import deque
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from livealign.model.allan import drift_floor
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
_NOISE_BLOCKS = 20
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
    """Mean of consecutive readings; `noise` is the variance of one of them, from successive differences."""

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
        """Begin empty; `noise_m` is the standard deviation of one reading until the readings tell better."""
        self.noise_m = noise_m
        """Standard deviation of one reading, trend removed."""
        self._blocks: deque[Block] = deque(maxlen=_MOST_BLOCKS)
        self._noises: deque[float] = deque(maxlen=_NOISE_BLOCKS)
        self._held: tuple[int, float, float, float, float] | None = None
        self._open: list[tuple[float, float, float, float, float]] = []
        self._steadiness = Steadiness(noise_m**2)
        self._course: deque[Block] = deque(maxlen=_COURSE_BLOCKS)
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
    def unrest(self) -> float:
        """The steadiness test's ratio: about 1 at rest."""
        return self._steadiness.ratio

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
        if block.noise is not None:
            self._noises.append(block.noise)
            if len(self._noises) > 4:
                self.noise_m = float(np.median(self._noises)) ** 0.5
        self._blocks.append(block)
        self._course.append(block)
        self._held = None
        if len(self._blocks) - self._floor_at >= _FLOOR_EVERY:
            self._floor_at = len(self._blocks)
            values = np.array([b.value for b in self._blocks])
            self.floor_m = max(_DRIFT_FLOOR_M, drift_floor(values, BLOCK_S)[0])
            self._every = max(1, math.ceil(correlation_time(values - values.mean(), least=_FLOOR_EVERY)))
        if len(self._blocks) % self._every == 0:
            self._steadiness.add(block.value)
        return self._step()

    def stepped_now(self) -> float | None:
        """Return the time of a step that the newest readings, not yet a block, already show."""
        newest = self._open[-_NEWEST:]
        if len(newest) < _NEWEST or not self._blocks:
            return None
        if abs(sum(r[4] for r in newest) / _NEWEST - self._blocks[-1].angle) > _TURNED_RAD:
            return None  # the shafts begin to turn: no move of the machine
        n, value, *_ = self._sums()
        if self._differs(value / n, n, sum(r[1] for r in newest) / _NEWEST, _NEWEST):
            return newest[0][0]
        return None

    def restart(self, from_s: float) -> None:
        """Let go of all readings before a time, and of what the steadiness test remembers."""
        while self._blocks and self._blocks[0].start_s < from_s:
            self._blocks.popleft()
        self._held = None
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
        self._floor_at = 0
        self._held = None
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
        n, *sums = self._sums()
        for b in parts:
            n += b.n
            sums = [s + v * b.n for s, v in zip(sums, _values(b), strict=True)]
        value, sin, cos, angle = (s / n for s in sums)
        first, last = (self._blocks or parts)[0], (parts or self._blocks)[-1]
        apart = last.value - first.value
        chance = _TREND * self.noise_m * (1.0 / first.n + 1.0 / last.n) ** 0.5
        trend = apart / 2.0 if abs(apart) > chance else 0.0
        return Block(first.start_s, last.end_s, n, value, sin, cos, angle, None, trend)

    def _sums(self) -> tuple[int, float, float, float, float]:
        """Return the number of readings in whole blocks and the sums of their values, worked out once a block."""
        if self._held is None:
            n = sum(b.n for b in self._blocks)
            columns = zip(*([v * b.n for v in _values(b)] for b in self._blocks), strict=True)
            value, sin, cos, angle = (sum(column) for column in columns) if self._blocks else (0.0,) * 4
            self._held = n, value, sin, cos, angle
        return self._held

    def _step(self) -> float | None:
        """Compare the past with the present on either side of a few splits (adaptive windowing).

        Splits near the present notice a move at once; splits near the past let go of what was still settling.
        """
        blocks = list(self._blocks)
        n = np.cumsum([b.n for b in blocks])
        sums = np.cumsum([b.n * b.value for b in blocks])
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
        return Block(readings[0][0], readings[-1][0], n, value, sin, cos, angle, noise)


def _values(block: Block) -> tuple[float, float, float, float]:
    return block.value, block.sin, block.cos, block.angle

"""Noise that belongs to the number of the sample: the same however the time is cut into pieces.

All have mean 0 and standard deviation 1.
"""

from itertools import accumulate
from typing import Protocol

import numpy as np

from livealign_simulators.geometry import Floats

__all__ = ["Ar1", "Flicker", "Noise", "Uniform", "White"]

_BLOCK = 1024
_RELAXATIONS = 9


class Noise(Protocol):
    """A sequence of random numbers that can be asked for by sample number."""

    def at(self, first: int, end: int) -> Floats:
        """Return the values of the samples from the first up to the end, which is left out."""
        ...


class _Blocks:
    """Random numbers made block by block; the two made last are kept."""

    def __init__(self) -> None:
        self._made: dict[int, Floats] = {}

    def at(self, first: int, end: int) -> Floats:
        """Return the values of the samples from the first up to the end, which is left out."""
        low, high = first // _BLOCK, -(-end // _BLOCK)
        if low >= high:
            return np.empty(0)
        values = np.concatenate([self._block(i) for i in range(low, high)])
        return values[first - low * _BLOCK : end - low * _BLOCK]

    def _block(self, number: int) -> Floats:
        if number not in self._made:
            self._made[number] = self._make(number)
            while len(self._made) > 2:
                del self._made[next(iter(self._made))]
        return self._made[number]

    def _make(self, number: int) -> Floats:
        raise NotImplementedError


class White(_Blocks):
    """Independent normal numbers."""

    def __init__(self, seed: np.random.SeedSequence) -> None:
        """Take the seed."""
        super().__init__()
        self._key = seed.generate_state(2, np.uint64)

    def _generator(self, number: int) -> np.random.Generator:
        # Philox counts: a block is a place in its sequence, reached without what comes before.
        return np.random.Generator(np.random.Philox(key=self._key, counter=[0, 0, 0, number]))

    def _make(self, number: int) -> Floats:
        return self._generator(number).standard_normal(_BLOCK)


class Uniform(White):
    """Independent numbers, even from 0 to 1: for chances, not for noise."""

    def _make(self, number: int) -> Floats:
        return self._generator(number).random(_BLOCK)


class Ar1(_Blocks):
    """Each value remembers the one before: correlation exp(-1 / memory) from sample to sample."""

    def __init__(self, seed: np.random.SeedSequence, memory_samples: float) -> None:
        """Take the seed and the number of samples after which 1/e is remembered."""
        super().__init__()
        self._white = White(seed)
        self._keep = float(np.exp(-1.0 / memory_samples))
        self._next = 0
        self._last = 0.0

    def _make(self, number: int) -> Floats:
        if number < self._next:
            self._next = 0  # from the beginning once more
        made = np.empty(0)
        while self._next <= number:
            fresh = self._white.at(self._next * _BLOCK, (self._next + 1) * _BLOCK)
            steps = fresh * np.sqrt(1.0 - self._keep**2)
            # The first sample is as wide as all others.
            steps[0] = fresh[0] if self._next == 0 else steps[0] + self._keep * self._last
            made = np.array(list(accumulate(steps.tolist(), lambda y, e: self._keep * y + e)))
            self._last = float(made[-1])
            self._next += 1
        return made


class Flicker:
    """Noise of spectrum 1/f from about 1/6 down to 1e-6 of the sampling rate, white beyond on the slow side.

    Many relaxations, evenly spread over the logarithm of their times, give 1/f together (from memory; the usual
    account of it in electronics). Here a factor of 4 lies from one to the next.
    """

    def __init__(self, seed: np.random.SeedSequence) -> None:
        """Take the seed."""
        self._parts = [Ar1(s, 4.0**i) for i, s in enumerate(seed.spawn(_RELAXATIONS))]

    def at(self, first: int, end: int) -> Floats:
        """Return the values of the samples from the first up to the end, which is left out."""
        total: Floats = np.sum([p.at(first, end) for p in self._parts], axis=0) / np.sqrt(_RELAXATIONS)
        return total

"""Where a value that is settling will come to rest, and when."""

from dataclasses import dataclass

import numpy as np

from livealign.model.rig import FloatArray

__all__ = ["Approach", "approach"]

_LEAST = 8
_TIME_CONSTANTS_S = np.geomspace(0.1, 20.0, 28)
_SURE = 20.0
"""Gain in chi-square that an exponential must bring over a constant."""


@dataclass(frozen=True, slots=True)
class Approach:
    """An exponential approach."""

    final: float
    left: float
    """Distance from the final value at the last reading, with its sign."""
    time_constant_s: float

    def seconds_to(self, within: float) -> float:
        """Return the time from the last reading until the value is within a distance of its final one."""
        return max(0.0, self.time_constant_s * float(np.log(max(abs(self.left), 1e-12) / within)))


def approach(time_s: FloatArray, value: FloatArray, noise: float) -> Approach | None:
    """Fit value = final + left exp(-(t - t_last) / tau), tau from a grid; None unless the readings ask for it.

    Args:
        time_s: (n,) increasing times.
        value: (n,) readings with independent noise.
        noise: standard deviation of one, > 0.
    """
    if value.size < _LEAST:
        return None
    decay = np.exp(-(time_s - time_s[-1])[None, :] / _TIME_CONSTANTS_S[:, None])
    centred = decay - decay.mean(axis=1, keepdims=True)
    deviation = value - value.mean()
    left = centred @ deviation / np.square(centred).sum(axis=1)
    misfit = np.square(deviation - left[:, None] * centred).sum(axis=1)
    best = int(misfit.argmin())
    if (
        float(deviation @ deviation) - float(misfit[best])
    ) / noise**2 < _SURE or best == _TIME_CONSTANTS_S.size - 1:
        return None
    final = float(value.mean() - left[best] * decay[best].mean())
    return Approach(final, float(left[best]), float(_TIME_CONSTANTS_S[best]))

"""Does a signal that seems at rest still creep?"""

from collections import deque

import numpy as np

from livealign.model.rig import FloatArray

__all__ = ["ALLOWED_M_S", "Creep"]

ALLOWED_M_S = 2e-6 / 60.0
"""A reading that goes nowhere faster is at rest: 2 um a minute."""
_SIGMAS = 4.0
_TELLING = 6.0
"""Standard deviations that the allowance must be worth."""
_LEAST, _MOST = 40, 600
_JUDGE_EVERY = 5
_TAIL_S = 3.0
"""So long after a move the signal may still approach its rest, which is no creep."""


class Creep:
    """Fits a line to as many of the newest means as it takes to tell the allowed creep from none.

    Creeping begins when the slope is beyond both chance and the allowance, and ends when it is below half of either.
    """

    def __init__(self) -> None:
        """Begin at rest."""
        self.rate_m_s: float | None = None
        """Slope while creeping; None at rest."""
        self._held: deque[tuple[float, float]] = deque(maxlen=_MOST)
        self._fresh = 0
        self._from_s = -np.inf

    def add(self, time_s: float, value_m: float, noise_m: float, spacing_s: float) -> None:
        """Take the next mean, whose standard deviation is `noise_m`; means come about every `spacing_s`."""
        if time_s < self._from_s:
            return
        self._held.append((time_s, value_m))
        self._fresh += 1
        if len(self._held) < _LEAST or self._fresh < _JUDGE_EVERY:
            return
        self._fresh = 0
        # The slope of k evenly spaced means has the standard deviation noise (12 / k^3)^(1/2) / spacing.
        wanted = (12.0 * (_TELLING * noise_m / (ALLOWED_M_S * spacing_s)) ** 2) ** (1.0 / 3.0)
        k = int(min(max(wanted, _LEAST), len(self._held)))
        slope, lately, u = _slopes(np.array(self._held)[-k:], noise_m)
        limit = max(_SIGMAS * u, ALLOWED_M_S)
        if self.rate_m_s is not None:
            self.rate_m_s = slope if abs(slope) > limit / 2.0 else None
        elif (
            abs(slope) > limit and lately * slope > slope**2 / 2.0
        ):  # what has just settled goes nowhere lately
            self.rate_m_s = slope

    def forget(self, moved_s: float | None = None) -> None:
        """Let go of everything: the signal has moved at this time, or is another."""
        self._held.clear()
        self._from_s = -np.inf if moved_s is None else moved_s + _TAIL_S
        self.rate_m_s = None


def _slopes(held: FloatArray, noise: float) -> tuple[float, float, float]:
    """Return the slope of (n, 2) times and values, that of their second half, and the first's standard deviation."""
    slopes = []
    for time, value in (held.T, held[len(held) // 2 :].T):
        along = time - time.mean()
        spread = float(along @ along)
        slopes.append((float(along @ value) / spread, noise / spread**0.5))
    (slope, u), (lately, _) = slopes
    return slope, lately, u

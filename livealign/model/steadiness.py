"""Is a signal at rest? Cao & Rhinehart, J. Process Control 5 (1995) 363 (citation from memory)."""

__all__ = ["STEADY_BELOW", "Steadiness"]

_L1, _L2, _L3 = 0.2, 0.1, 0.1
STEADY_BELOW = 1.725
"""99 % point of the ratio for independent noise at rest with these filter factors (own Monte Carlo, in the tests)."""


class Steadiness:
    """Ratio of two estimates of a signal's variance: around its filtered value, and from successive differences.

    About 1 at rest with independent noise, larger while the signal goes somewhere.
    """

    def __init__(self, variance: float) -> None:
        """Begin as if at rest, with the given noise variance (> 0)."""
        self._filtered: float | None = None
        self._previous = 0.0
        self._around = variance
        self._between = 2.0 * variance

    def add(self, value: float) -> None:
        """Take the next reading; consecutive readings must be independent."""
        if self._filtered is None:
            self._filtered = self._previous = value
            return
        # The expected squares at rest are 2/(2-l1) and 2 times the noise variance.
        self._around = _L2 * (value - self._filtered) ** 2 * (2.0 - _L1) / 2.0 + (1.0 - _L2) * self._around
        self._between = _L3 * (value - self._previous) ** 2 + (1.0 - _L3) * self._between
        self._filtered = _L1 * value + (1.0 - _L1) * self._filtered
        self._previous = value

    @property
    def ratio(self) -> float:
        """The ratio R."""
        return 2.0 * self._around / self._between

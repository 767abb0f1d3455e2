"""Pauses between attempts to open a link."""

import random

__all__ = ["Backoff"]

FIRST_S = 0.2


class Backoff:
    """Pauses that double from 0.2 s to a longest one, varied at random so that links do not retry in step."""

    def __init__(self, longest_s: float) -> None:
        self._longest_s = longest_s
        self._next_s = min(FIRST_S, longest_s)

    def next_s(self) -> float:
        """Return the pause before the next attempt, in seconds."""
        pause_s = self._next_s
        self._next_s = min(2 * pause_s, self._longest_s)
        return self._jittered(pause_s)

    def longest_s(self) -> float:
        """Return a pause for a link that waits for a person, in seconds."""
        return self._jittered(self._longest_s)

    def reset(self) -> None:
        """Begin again with the shortest pause: the link has worked."""
        self._next_s = min(FIRST_S, self._longest_s)

    @staticmethod
    def _jittered(pause_s: float) -> float:
        return pause_s * random.uniform(0.5, 1.0)

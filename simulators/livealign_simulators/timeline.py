"""What holds from when: settings that somebody changes while readings go on."""

from collections.abc import Callable, Iterator
from typing import Generic, TypeVar

import numpy as np

from livealign_simulators.geometry import Floats

__all__ = ["Timeline"]

T = TypeVar("T")

_KEPT = 200


class Timeline(Generic[T]):
    """Values and since when each holds. Only the last 200 are kept; before them the oldest of these holds."""

    def __init__(self, initial: T) -> None:
        """Begin with what has always held."""
        self._since_s = [-np.inf]
        self._values = [initial]

    @property
    def last(self) -> T:
        """The value that was set last."""
        return self._values[-1]

    def change(self, value: T, at_s: float) -> None:
        """Let another value hold from a time on, not before the last change."""
        self._since_s.append(max(at_s, self._since_s[-1]))
        self._values.append(value)
        del self._since_s[:-_KEPT], self._values[:-_KEPT]

    def pieces(self, time_s: Floats) -> Iterator[tuple[slice, T]]:
        """Yield the parts of rising times, none empty, and what holds in each."""
        ends = [*np.searchsorted(time_s, self._since_s[1:]), time_s.size]
        start = 0
        for end, value in zip(ends, self._values, strict=True):
            if end > start:
                yield slice(start, int(end)), value
                start = int(end)

    def spread(self, time_s: Floats, number: Callable[[T], float]) -> Floats:
        """Return a number of the value that holds at each of rising times."""
        made = np.empty(time_s.size)
        for part, value in self.pieces(time_s):
            made[part] = number(value)
        return made

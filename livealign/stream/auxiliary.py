"""Streams that nothing is measured with, but that tell how a head fares: temperature, battery, light."""

from typing import Literal

import numpy as np

from livealign.stream.channel import FLAG_STAYS_S
from livealign.stream.contracts import Floats
from livealign.stream.reader import RateMeter

__all__ = ["AuxiliaryChannel"]

_SMOOTHING_S = 1.0
"""A warning shall not flicker with every reading."""


class AuxiliaryChannel:
    """A smoothed number in the unit the person states, and whether it is within what the person states."""

    kind: Literal["auxiliary"] = "auxiliary"
    noise: None = None

    def __init__(self, name: str, unit: str, *, scale: float, offset: float, low: float, high: float) -> None:
        """Take the name, the unit as shown, and from where to where it is in order (infinite: no limit)."""
        self.name = name
        self.unit = unit
        self._scale = scale
        self._offset = offset
        self._low = low
        self._high = high
        self._rate = RateMeter()
        self._last_s: float | None = None
        self.value: float | None = None

    def take(self, raw: Floats, arrival_s: float) -> None:
        """Take (n,) raw numbers, NaN where a record has none."""
        good = raw[np.isfinite(raw)]
        if good.size == 0:
            return
        fresh = self._offset + self._scale * float(good.mean())
        if self.value is None or self._last_s is None:
            self.value = fresh
        else:
            share = -np.expm1(-(arrival_s - self._last_s) / _SMOOTHING_S)
            self.value += float(share) * (fresh - self.value)
        self._last_s = arrival_s
        self._rate.add(arrival_s, good.size)

    def rate_hz(self, now_s: float) -> float | None:
        """Readings a second."""
        return self._rate.rate_hz(now_s)

    def silent(self, now_s: float) -> bool:
        """Has it brought nothing of late, though it is one that comes often?"""
        if self._last_s is None:
            return True
        # A battery may well be told once a minute.
        return now_s - self._last_s > FLAG_STAYS_S and bool(self._rate.rate_hz(self._last_s))

    def flags(self, now_s: float, *, still_since_s: float) -> tuple[str, ...]:  # noqa: ARG002 - as other channels
        """Return "low" or "high" while it is out of bounds, or "silent"."""
        if self.silent(now_s) or self.value is None:
            return ("silent",)
        if self.value < self._low:
            return ("low",)
        return ("high",) if self.value > self._high else ()

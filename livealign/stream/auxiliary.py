"""Streams that nothing is measured with, but that tell how a head fares: temperature, battery, light."""

from typing import Literal

import numpy as np

from livealign.stream.channel import FLAG_STAYS_S
from livealign.stream.contracts import Floats
from livealign.stream.reader import RateMeter

__all__ = ["AuxiliaryChannel"]

_SMOOTHING_S = 1.0
_BACK = 0.01
"""Share of a limit by which it must be passed again for the warning to end: it shall not flicker."""
_SILENT_PERIODS = 3.0
_FIRST_PATIENCE_S = 120.0
"""A battery may well be told once a minute; after the first number nobody knows."""


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
        self._gap_s: float | None = None
        self._warning = ""
        self.value: float | None = None

    def shown(self, raw: Floats) -> Floats:
        """Return (n,) numbers in the unit as shown."""
        return self._offset + self._scale * raw

    def take(self, raw: Floats, arrival_s: float) -> None:
        """Take (n,) raw numbers, NaN where a record has none."""
        good = raw[np.isfinite(raw)]
        if good.size == 0:
            return
        fresh = float(self.shown(good).mean())
        if self.value is None or self._last_s is None:
            self.value = fresh
        else:
            gap_s = arrival_s - self._last_s
            self.value -= float(np.expm1(-gap_s / _SMOOTHING_S)) * (fresh - self.value)
            self._gap_s = gap_s if self._gap_s is None else self._gap_s + 0.2 * (gap_s - self._gap_s)
        self._judge(self.value)
        self._last_s = arrival_s
        self._rate.add(arrival_s, good.size)

    def rate_hz(self, now_s: float) -> float | None:
        """Readings a second."""
        return self._rate.rate_hz(now_s)

    def silent(self, now_s: float) -> bool:
        """Has it brought nothing for long, as often as it comes?"""
        if self._last_s is None:
            return True
        patience = _FIRST_PATIENCE_S if self._gap_s is None else _SILENT_PERIODS * self._gap_s
        return now_s - self._last_s > max(FLAG_STAYS_S, patience)

    def flags(self, now_s: float, *, still_since_s: float) -> tuple[str, ...]:  # noqa: ARG002 - as other channels
        """Return "low" or "high" while it is out of bounds, or "silent"."""
        if self.silent(now_s):
            return ("silent",)
        return (self._warning,) if self._warning else ()

    def _judge(self, value: float) -> None:
        if value < self._low:
            self._warning = "low"
        elif value > self._high:
            self._warning = "high"
        elif self._low + self._margin(self._low) <= value <= self._high - self._margin(self._high):
            self._warning = ""

    @staticmethod
    def _margin(limit: float) -> float:
        return _BACK * abs(limit) if np.isfinite(limit) else 0.0

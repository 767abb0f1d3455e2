"""The shaft angle at each position's time, where angle and position come from different links."""

from dataclasses import dataclass, field

import numpy as np

from livealign.stream.contracts import Floats

__all__ = ["AngleTrack", "PendingPositions"]

_KEEP = 4096
_WIDEST_GAP_S = 0.25
"""Angles farther apart than this are not interpolated between; nothing is ever extrapolated."""


@dataclass
class AngleTrack:
    """The recent angles of one inclinometer."""

    _time: Floats = field(default_factory=lambda: np.empty(0))
    _angle: Floats = field(default_factory=lambda: np.empty(0))

    def add(self, time_s: Floats, angle_rad: Floats) -> None:
        """Add finite angles with their times."""
        time = np.concatenate([self._time, time_s])
        order = np.argsort(time, kind="stable") if time.size and np.any(np.diff(time) < 0) else slice(None)
        self._time = time[order][-_KEEP:]
        self._angle = np.concatenate([self._angle, angle_rad])[order][-_KEEP:]

    @property
    def until_s(self) -> float:
        """Time of the newest angle; -inf if there is none."""
        return float(self._time[-1]) if self._time.size else -np.inf

    def at(self, time_s: Floats) -> Floats:
        """Return (n,) angles at times, NaN where no two angles close enough surround one."""
        if self._time.size < 2:
            return np.full(time_s.size, np.nan)
        right = np.clip(np.searchsorted(self._time, time_s), 1, self._time.size - 1)
        left = right - 1
        outside = (time_s < self._time[0]) | (time_s > self._time[-1])
        wide = self._time[right] - self._time[left] > _WIDEST_GAP_S
        result = np.interp(time_s, self._time, self._angle)
        result[outside | wide] = np.nan
        return result


@dataclass
class PendingPositions:
    """Positions that wait for the angle to catch up, oldest dropped and counted."""

    dropped: int = 0
    _time: Floats = field(default_factory=lambda: np.empty(0))
    _value: Floats = field(default_factory=lambda: np.empty(0))

    def add(self, time_s: Floats, value_m: Floats) -> None:
        """Add good positions with their times."""
        time = np.concatenate([self._time, time_s])
        self.dropped += max(0, time.size - _KEEP)
        self._time = time[-_KEEP:]
        self._value = np.concatenate([self._value, value_m])[-_KEEP:]

    def resolve(self, track: AngleTrack) -> tuple[Floats, Floats, Floats]:
        """Return times, angles and positions of all whose angle is known now; drop those whose angle never will be."""
        ready = self._time <= track.until_s
        time, value = self._time[ready], self._value[ready]
        self._time, self._value = self._time[~ready], self._value[~ready]
        angle = track.at(time)
        known = np.isfinite(angle)
        self.dropped += int((~known).sum())
        return time[known], angle[known], value[known]

"""From a device's counter, or from arrival alone, to the session's time."""

from collections import deque

import numpy as np

from livealign.stream.contracts import Floats

__all__ = ["UNIT_S", "ClockMap", "unwrap"]

UNIT_S = {"s": 1.0, "ms": 1e-3, "us": 1e-6}
_BUCKET_S = 1.0
_BUCKETS = 60
_LEAST_BUCKETS = 8
_FEW_BUCKETS = 3
_NO_CRYSTAL = 1e-3
"""A clock farther off its rate is none: records numbered at about the stated rate. That shows in a few buckets."""
_RESTART_S = 1.0
"""A counter that goes back by more than this, or does not fit arrival by more than this, has been restarted."""
_STEP_S = 0.05
_STEP_SPREADS = 8.0
_STEP_BUCKETS = 5
"""If by so much bytes seem to come early, or for so many buckets late, one of the two clocks was set."""


def unwrap(values: Floats, last: float | None, modulus: float | None) -> Floats:
    """Return counter values that go on past their wrap-around.

    Args:
        values: (n,) raw counts, finite.
        last: the unwrapped value before them, or None.
        modulus: counts in a full cycle, or None for a counter that never wraps.
    """
    if modulus is None or values.size == 0:
        return values
    joined = np.concatenate([values[:1] if last is None else [last], values])
    steps = joined[1:] - joined[:-1]
    # Not by a remainder of step + half a cycle: of 64 bits that would leave nothing of a small step.
    steps -= modulus * np.rint(steps / modulus)
    result: Floats = joined[0] + np.cumsum(steps)
    return result


class ClockMap:
    """Maps device time to host time along the lower envelope of the transport's delay.

    Bytes arrive late, never early: of all (arrival - device time) the least ones tell the offset between the clocks,
    their trend the difference in rate. The first mapping after a (re)start rests on one arrival and improves.
    """

    def __init__(self, unit_s: float, wrap_bits: int | None) -> None:
        """Take the counter's unit in seconds and its width in bits, if it wraps."""
        self._unit_s = unit_s
        self._modulus = None if wrap_bits is None else 2.0**wrap_bits
        self.restarts = 0
        self._made_up_s = 0.0
        self._until_s: float | None = None
        self._begin()

    def restart(self) -> None:
        """Forget the mapping: the device has been started again, or one of the two clocks was set."""
        self.restarts += 1
        self._begin()

    def _begin(self) -> None:
        self._last: float | None = None
        self._least: deque[tuple[float, float]] = deque(maxlen=_BUCKETS)
        self._offset = 0.0
        self._rate = 0.0
        self._origin = 0.0
        self._spread = 0.0

    @property
    def u_s(self) -> float | None:
        """Standard uncertainty of the mapping, from the scatter of the least delays; None before the first reading."""
        if not self._least:
            return None
        return float(np.hypot(self._spread, self._unit_s / 12**0.5))

    def map(self, counts: Floats, arrival_s: float) -> Floats:
        """Return session times (s) of records that arrived together; counts that are NaN give NaN."""
        good = np.isfinite(counts)
        result = np.full(counts.size, np.nan)
        if not good.any():
            return result
        device = unwrap(counts[good], self._last, self._modulus) * self._unit_s
        back = np.flatnonzero(np.diff(device) < -_RESTART_S)
        if back.size:
            at = np.flatnonzero(good)[back[0] + 1]
            return np.concatenate([self.map(counts[:at], arrival_s), self.map(counts[at:], arrival_s)])
        last = None if self._last is None else self._last * self._unit_s
        jumped = self._least and abs(arrival_s - device[-1] - self._offset_at(device[-1])) > _RESTART_S
        if jumped or (last is not None and device[0] < last - _RESTART_S):
            self.restart()
            device = unwrap(counts[good], None, self._modulus) * self._unit_s
        self._last = float(device[-1] / self._unit_s)
        self._learn(float(device[-1]), arrival_s - float(device[-1]))
        result[good] = device + self._offset + self._rate * (device - self._origin)
        return result

    def device_s(self, counts: Floats) -> Floats:
        """Return device time (s) alone; for captured bytes, whose arrival is not known.

        Wrap-around is undone, and a restarted counter goes on where it was: time never runs back.
        """
        good = np.isfinite(counts)
        result = np.full(counts.size, np.nan)
        if good.any():
            unwrapped = unwrap(counts[good], self._last, self._modulus)
            before = unwrapped[0] if self._last is None else self._last
            steps = np.diff(unwrapped, prepend=before) * self._unit_s
            if self._last is None and self._until_s is not None:
                self._made_up_s = self._until_s - float(unwrapped[0]) * self._unit_s
            back = self._made_up_s + np.cumsum(np.where(steps < -_RESTART_S, -steps, 0.0))
            self._last, self._made_up_s = float(unwrapped[-1]), float(back[-1])
            result[good] = unwrapped * self._unit_s + back
            self._until_s = float(result[good][-1])
        return result

    def falls_at(self, counts: Floats) -> int | None:
        """Return the first of (n,) counts that goes back too far for a late record; None if none does."""
        good = np.flatnonzero(np.isfinite(counts))
        whole = unwrap(counts[good], self._last, self._modulus)
        steps = np.diff(whole, prepend=whole[:1] if self._last is None else self._last) * self._unit_s
        back = np.flatnonzero(steps < -_RESTART_S)
        return int(good[back[0]]) if back.size else None

    def _offset_at(self, device: float) -> float:
        return self._offset + self._rate * (device - self._origin)

    def _learn(self, device: float, delay: float) -> None:
        bucket = device // _BUCKET_S
        if len(self._least) > _LEAST_BUCKETS and delay < self._offset_at(device) - self._step_s:
            self.restart()
        if not self._least or self._least[-1][0] // _BUCKET_S != bucket:
            if self._late_of_late():
                self.restart()
            self._least.append((device, delay))
        elif delay < self._least[-1][1]:
            self._least[-1] = (device, delay)
        else:
            return
        self._fit()

    @property
    def _step_s(self) -> float:
        return max(_STEP_S, _STEP_SPREADS * self._spread)

    def _late_of_late(self) -> bool:
        """Do the last buckets lie above all that the ones before them foretell?"""
        if len(self._least) < _LEAST_BUCKETS + _STEP_BUCKETS:
            return False
        points = np.array(self._least)
        earlier, recent = points[:-_STEP_BUCKETS], points[-_STEP_BUCKETS:]
        line = np.polyfit(earlier[:, 0], earlier[:, 1], 1)
        scatter = float((earlier[:, 1] - np.polyval(line, earlier[:, 0])).std())
        limit = max(_STEP_S, _STEP_SPREADS * scatter)
        return bool((recent[:, 1] - np.polyval(line, recent[:, 0]) > limit).all())

    def _fit(self) -> None:
        points = np.array(self._least)
        # The newest bucket is not complete: its least delay may still fall.
        whole = points[:-1]
        if len(whole) >= _FEW_BUCKETS:
            origin = float(whole[:, 0].mean())
            rate, offset = np.polyfit(whole[:, 0] - origin, whole[:, 1], 1)
            if len(points) >= _LEAST_BUCKETS or abs(rate) > _NO_CRYSTAL:
                residual = whole[:, 1] - offset - rate * (whole[:, 0] - origin)
                self._origin, self._rate = origin, float(rate)
                self._offset, self._spread = float(offset + residual.min()), float(residual.std())
                return
        self._origin, self._rate = float(points[-1, 0]), 0.0
        self._offset = float(points[:, 1].min())
        self._spread = float(points[:, 1].std()) if len(points) > 1 else 0.0

"""Calibrated streams: raw fields become angles and positions in SI units, with flags for what cannot be trusted."""

from collections import deque
from dataclasses import dataclass
from statistics import fmean, median
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from livealign.stream.clock import unwrap
from livealign.stream.contracts import Floats
from livealign.stream.linearity import Linearity
from livealign.stream.reader import RateMeter

__all__ = ["FLAG_STAYS_S", "AngleChannel", "Channel", "PositionChannel", "PositionLimits"]

Mask = NDArray[np.bool_]

FLAG_STAYS_S = 2.0
"""A passing fault stays on screen this long; a channel that brings nothing for longer is silent."""
_HISTORY = 6
_PAST = np.arange(_HISTORY)
_JUMP_NOISES = 12.0
_LEAST_JUMP_M = 50e-6
_NOISE_MEMORY = 200
_NOISY = 3.0
_TREND_SECONDS = 10
_LEAST_SECONDS = 4
_DRIFT_LEAST_M = 5e-6


class Channel:
    """What angle and position streams share: rate, last value, noise, flags, trend."""

    kind: Literal["angle", "position"]

    def __init__(self, name: str, unit: str, declared_noise: float) -> None:
        """Take the channel's name, its unit as shown, and the noise it should have (SI)."""
        self.name = name
        self.unit = unit
        self._declared = declared_noise
        self._rate = RateMeter()
        self._tail = np.empty(0)
        self._variance = 0.0
        self._learnt = 0
        self._seen: dict[str, float] = {}
        self._seconds: deque[list[float]] = deque(maxlen=_TREND_SECONDS + 1)
        self.value: float | None = None
        self._last_s: float | None = None

    @property
    def noise(self) -> float | None:
        """Standard deviation of one reading, trends removed (SI); None until there are enough readings."""
        return self._variance**0.5 if self._learnt else None

    def rate_hz(self, now_s: float) -> float | None:
        """Readings a second."""
        return self._rate.rate_hz(now_s)

    def silent(self, now_s: float) -> bool:
        """Has it brought nothing of late, whatever its link brings?"""
        return self._last_s is None or now_s - self._last_s > FLAG_STAYS_S

    def flags(self, now_s: float, *, still_since_s: float) -> tuple[str, ...]:
        """Return the channel's flags now, as far as its link is not silent.

        Args:
            now_s: the time.
            still_since_s: since when shafts and machine are at rest, so that a trend is drift; infinity if they are not.
        """
        if self.silent(now_s):
            return ("silent",)
        flags = [name for name, at in self._seen.items() if now_s - at <= FLAG_STAYS_S]
        if self.noise is not None and self.noise > _NOISY * self._declared:
            flags.append("noisy")
        drifts = self._drifts(still_since_s)
        if drifts:
            flags.append("drifting")
        elif drifts is not None and not flags:
            flags.append("steady")
        return tuple(sorted(flags))

    def _note(self, name: str, where: Mask, arrival_s: float) -> None:
        if where.any():
            self._seen[name] = arrival_s

    def _learn(self, time_s: Floats, values: Floats, arrival_s: float) -> None:
        """Learn from good readings: value, rate, noise (second differences), one-second means."""
        if values.size == 0:
            return
        self.value = float(values[-1])
        self._last_s = arrival_s
        self._rate.add(arrival_s, values.size)
        joined = np.concatenate([self._tail, values])
        if joined.size > 2:
            second = joined[2:] - 2.0 * joined[1:-1] + joined[:-2]
            squares = np.minimum(second * second, 600.0 * self._declared**2)
            fresh = float(squares.sum()) / (6.0 * second.size)
            self._learnt = min(self._learnt + second.size, _NOISE_MEMORY)
            self._variance += min(1.0, second.size / self._learnt) * (fresh - self._variance)
        self._tail = joined[-2:]
        second_now = float(time_s[-1]) // 1.0
        if not self._seconds or self._seconds[-1][0] != second_now:
            self._seconds.append([second_now, 0.0, 0.0])
        self._seconds[-1][1] += values.size
        self._seconds[-1][2] += float(values.sum())

    def _drifts(self, since_s: float) -> bool | None:
        """Compare the two halves of the whole seconds at rest; None while there are too few to tell."""
        rest = [second for second in list(self._seconds)[:-1] if second[0] >= since_s]
        if len(rest) < _LEAST_SECONDS:
            return None
        means = [total / n for _, n, total in rest]
        half = len(means) // 2
        trend = abs(fmean(means[half:]) - fmean(means[:half]))
        per_second = median(n for _, n, _ in rest)
        noise = 5.0 * (self.noise or self._declared) * (4.0 / (per_second * len(means))) ** 0.5
        return bool(trend > max(self._drift_least, noise))

    @property
    def _drift_least(self) -> float:
        return _DRIFT_LEAST_M


class AngleChannel(Channel):
    """An inclinometer: shaft angle in rad, clockwise, continuous over turns."""

    kind = "angle"

    def __init__(
        self, name: str, unit: str, declared_noise_rad: float, *, scale: float, zero_rad: float
    ) -> None:
        """Take also the radians per raw unit (negative if it counts counterclockwise) and the angle at raw zero."""
        super().__init__(name, unit, declared_noise_rad)
        self._scale = scale
        self._zero = zero_rad

    @property
    def _drift_least(self) -> float:
        return 1e-3

    def take(self, time_s: Floats, raw: Floats, arrival_s: float) -> Floats:
        """Return (n,) angles, NaN where the record had none."""
        angle = self._zero + self._scale * raw
        good = np.isfinite(angle)
        if good.any():
            whole = unwrap(angle[good], self.value, 2.0 * np.pi)
            angle[good] = whole
            self._learn(time_s[good], whole, arrival_s)
        return angle


@dataclass(frozen=True, slots=True)
class PositionLimits:
    """What a position reading must satisfy to count."""

    least_m: float = -np.inf
    greatest_m: float = np.inf
    dim_below: float = -np.inf


class PositionChannel(Channel):
    """A position detector in metres: straightened, then gain and polarity applied."""

    kind = "position"

    def __init__(
        self,
        name: str,
        unit: str,
        declared_noise_m: float,
        *,
        scale: float,
        limits: PositionLimits,
        linearity: Linearity | None = None,
    ) -> None:
        """Take also the metres per straightened unit (polarity and gain included), the limits, and what straightens."""
        super().__init__(name, unit, declared_noise_m)
        self._scale = scale
        self.limits = limits
        self._linearity = linearity
        self._history = np.empty(0)

    def take(
        self, time_s: Floats, raw: Floats, light: Floats | None, arrival_s: float
    ) -> tuple[Floats, Mask]:
        """Return (n,) positions and which of them may be used."""
        position, clipped, dim = self.measured(raw, light)
        good = np.isfinite(position) & ~clipped & ~dim
        if good.any():
            jumped = np.zeros_like(good)
            jumped[good] = self._jumped(position[good])
            good &= ~jumped
            self._note("jumped", jumped, arrival_s)
        self._note("clipped", clipped, arrival_s)
        self._note("dim", dim, arrival_s)
        self._learn(time_s[good], position[good], arrival_s)
        if clipped.any() or dim.any():
            self._last_s = arrival_s
        return position, good

    def measured(self, raw: Floats, light: Floats | None) -> tuple[Floats, Mask, Mask]:
        """Return (n,) positions, which of them are clipped and which are dim; nothing is learnt from them."""
        true, outside = (raw, False) if self._linearity is None else self._linearity(raw)
        position = self._scale * true
        here = np.isfinite(position)
        beyond = outside | (position <= self.limits.least_m) | (position >= self.limits.greatest_m)
        # Infinite: worked out from a converter at its end.
        clipped = (here & beyond) | np.isinf(position)
        dim = light < self.limits.dim_below if light is not None else np.zeros_like(here)
        return position, clipped, dim

    def _jumped(self, position: Floats) -> Mask:
        """Which readings lie far from where the six before them point; a true step is believed after three readings."""
        joined = np.concatenate([self._history, position])
        self._history = joined[-_HISTORY:]
        known = joined.size - position.size
        result = np.zeros(joined.size, dtype=bool)
        if joined.size > _HISTORY:
            # Plain indexing and sorting: numpy's window and median helpers cost more than the work, a block being short.
            past = joined[np.arange(joined.size - _HISTORY)[:, None] + _PAST]
            steps = past[:, 1:] - past[:, :-1]
            sizes = np.abs(steps)
            for rows in (past, steps, sizes):
                rows.sort(axis=1)
            half = _HISTORY // 2
            expected = (past[:, half - 1] + past[:, half]) / 2.0 + (_HISTORY + 1) / 2.0 * steps[:, half - 1]
            limit = max(_JUMP_NOISES * self._declared, _LEAST_JUMP_M) + 6.0 * sizes[:, half - 1]
            result[_HISTORY:] = np.abs(joined[_HISTORY:] - expected) > limit
        return result[known:]

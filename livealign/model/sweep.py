"""The rotation sweep: readings pooled by angle, fitted robustly, with an honest covariance."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livealign.model import robust
from livealign.model.belief import Belief, from_fit
from livealign.model.coverage import arc_rad
from livealign.model.diagnostics import Diagnosis, Evidence, diagnose
from livealign.model.linear import Solution, solve
from livealign.model.readings import BINS, CAPACITY, Readings
from livealign.model.rig import POSE, FloatArray, RigModel

__all__ = ["GrossError", "Pooled", "Sweep", "SweepFit"]

_LEAST_ARC_RAD = np.radians(5.0)
"""Below it the noise of the inclinometer would pass for turning. Uncertainty, not a rule, judges anything wider."""
_LITTLE_MORE, _WIDE_RAD = 1.2, np.radians(60.0)
"""After so small a growth, over so wide an arc, the last fit leads to the same answer as Huber's weights would."""
_NEARLY = 0.02
_MOST_GROSS = 20
_LEAST_SCALE = 0.1
"""A sensor that repeats itself to the digit is stuck or coarse, not ten times better than declared."""
_HUBER_ITERATIONS = 6
_ITERATIONS = 20


@dataclass(frozen=True)
class Pooled:
    """Readings of all detectors averaged by degree, one row each."""

    detector: NDArray[np.int64]
    angle_bin: NDArray[np.int64]
    rows: FloatArray
    """(m, n) design."""
    sin: FloatArray
    cos: FloatArray
    value: FloatArray
    """(m,) mean reading, what a round rim adds taken out, m."""
    weight: FloatArray
    """(m,) inverse variance, 1/m^2."""
    residual: FloatArray
    """(m,) reading minus fit, m."""


@dataclass(frozen=True, slots=True)
class GrossError:
    """A reading that the fit gives no weight."""

    detector: int
    time_s: float
    angle_rad: float
    size_m: float
    """By how much it misses the fit."""


@dataclass(frozen=True)
class SweepFit:
    """The result of a sweep so far."""

    belief: Belief
    pooled: Pooled
    arc_rad: float
    readings: int
    left_out: int
    """Readings with no weight."""
    noise_m: FloatArray
    """(K,) standard deviation of a single reading, as found."""
    correlation: FloatArray
    """(K,) how many consecutive readings count as one; 1 for white noise."""
    excess_m: float
    """Standard deviation by which readings at one angle disagree beyond their noise."""
    gross: tuple[GrossError, ...]
    """The largest gross errors still held, largest first."""
    freedom: float
    """Degrees of freedom of the noise estimate: readings, correlation allowed for, less parameters."""

    @property
    def noise_of_means_m(self) -> FloatArray:
        """(K,) standard deviation of a mean of n readings, times the root of n."""
        noise: FloatArray = self.noise_m * np.sqrt(self.correlation)
        return noise


class Sweep:
    """Collects a rotation's readings and fits them. Cost per reading is constant and memory bounded."""

    def __init__(self, model: RigModel) -> None:
        self._model = model
        self._tracks = [Readings() for _ in model.detectors]
        self._taken = [0] * len(model.detectors)
        self._dropped = 0
        self._fitted = 0
        """Readings at the last fit that did not start from the one before."""
        self._current = np.zeros(model.size)
        self._scale = np.ones(len(model.detectors))
        self._correlation = np.ones(len(model.detectors))
        self._excess = 0.0

    def add(
        self, index: int, angle_rad: FloatArray, value_m: FloatArray, time_s: FloatArray | None = None
    ) -> None:
        """Add readings of detector `index`.

        Args:
            index: of the detector.
            angle_rad: (n,) shaft angles, continuous over turns, finite.
            value_m: (n,) calibrated positions, finite.
            time_s: (n,) when they were taken; a hundredth of a second apart if not given.
        """
        d, t = self._model.detectors[index], self._tracks[index]
        seen = angle_rad + d.phase_rad
        cos = np.cos(seen)
        if time_s is None:
            time_s = 0.01 * (self._taken[index] + np.arange(value_m.size, dtype=np.float64))
        columns = (np.sin(seen), cos, value_m - d.sag_m * cos, time_s, angle_rad)
        start = 0
        while start < value_m.size:
            if t.room == 0:
                self._thin()
            stop = start + t.room
            part = [column[start:stop] for column in columns]
            t.add(*part)
            self._taken[index] += part[0].size
            start = stop

    @property
    def readings(self) -> int:
        """How many readings have been added."""
        return sum(self._taken)

    def _thin(self) -> None:
        """Make room: leave gross errors out for good, and average."""
        self.fit()
        for t, z in zip(self._tracks, self._standardised(self._current)[0], strict=True):
            if t.n > CAPACITY // 2:
                good = np.abs(z) < robust.CUT
                self._dropped += int(t.count[~good].sum())
                t.thin(good)

    def fit(self, *, live: bool = False) -> SweepFit | None:
        """Fit all readings so far; None while there is none.

        Args:
            live: the fit is looked at while more readings come: where little has changed since the last one, start from
                that, keep its scale of the noise, and stop a little earlier.

        Iteratively reweighted least squares: Huber's weights first, since they lead to one answer from any start,
        then the biweight, which gives gross errors no weight at all.
        A pooled reading's variance is that of its readings' mean, correlation included, plus the excess
        by which pooled readings disagree among themselves (DerSimonian & Laird 1986, moment estimate).
        """
        if self.readings == 0:
            return None
        seen = sum(np.bincount(t.bins, minlength=BINS) for t in self._tracks)
        arc = arc_rad(np.flatnonzero(seen), BINS)
        grown = self.readings > _LITTLE_MORE * self._fitted
        anew = not live or grown or arc < _WIDE_RAD
        if anew:
            self._fitted = self.readings
            self._iterate(robust.huber, _HUBER_ITERATIONS, rest=0.1)
        pooled, solution, standardised = self._iterate(
            robust.biweight, _ITERATIONS, rest=_NEARLY if live else 1e-3, rescale=anew
        )
        return self._result(arc, pooled, solution, standardised)

    def _iterate(
        self, weigh: Callable[[FloatArray], FloatArray], most: int, *, rest: float, rescale: bool = True
    ) -> tuple[Pooled, Solution, list[FloatArray]]:
        """Reweight and solve until no parameter moves by more than `rest` of its standard uncertainty."""
        left = most
        while True:
            x = self._current
            z, base = self._standardised(x, rescale=rescale)
            pooled = self._pool(x, z, base, weigh)
            solution = solve(pooled.rows, pooled.value, pooled.weight)
            self._current = solution.x
            self._excess = self._disagreement(pooled, solution)
            moved = np.abs(solution.x - x)
            left -= 1
            if left == 0 or bool(np.all(moved <= rest * np.sqrt(np.diag(solution.cov)) + 1e-12)):
                return pooled, solution, z

    def _base(self, index: int, x: FloatArray) -> FloatArray:
        """Variance of each stored reading up to the common scale: its own noise, and the angle's on the slope."""
        d, t = self._model.detectors[index], self._tracks[index]
        by_sin, by_cos = self._model.amplitudes(index, x[-POSE:])
        slope = by_sin * t.cos - by_cos * t.sin
        return (d.noise_m**2 + np.square(slope * d.angle_noise_rad)) / t.count

    def _standardised(
        self, x: FloatArray, *, rescale: bool = True
    ) -> tuple[list[FloatArray], list[FloatArray]]:
        """Residuals over their standard deviation, and their variances up to the common scale of each detector.

        That scale is found on the way, if it is to be.
        """
        residuals, variances = [], []
        for i, t in enumerate(self._tracks):
            base = self._base(i, x)
            z = (t.value - self._model.expected(i, t.sin, t.cos, x)) / np.sqrt(base)
            if rescale and t.n > POSE:
                self._scale[i] = max(robust.scale(z), _LEAST_SCALE)
            residuals.append(z / self._scale[i])
            variances.append(base)
        return residuals, variances

    def _pool(
        self,
        x: FloatArray,
        z: list[FloatArray],
        base: list[FloatArray],
        weigh: Callable[[FloatArray], FloatArray],
    ) -> Pooled:
        parts: list[tuple[NDArray[Any], ...]] = []
        for i, t in enumerate(self._tracks):
            if t.n == 0:
                continue
            share = weigh(z[i])
            w = share / base[i]
            total = np.bincount(t.bins, weights=w, minlength=BINS)
            used = np.flatnonzero(total > 0.0)
            total = total[used]
            sin, cos, value = (
                np.bincount(t.bins, weights=w * v, minlength=BINS)[used] / total
                for v in (t.sin, t.cos, t.value)
            )
            if not t.thinned:
                self._correlation[i] = robust.correlation_time(z[i] * share)
            factor = robust.variance_factor(z[i], POSE / 2 + 1) * self._correlation[i] * self._scale[i] ** 2
            variance = factor / total + self._excess
            residual = value - self._model.expected(i, sin, cos, x)
            value -= self._model.roundness(i, sin, cos, x[-POSE:])
            which = np.full(used.size, i)
            parts.append(
                (which, used, self._model.rows(i, sin, cos), sin, cos, value, 1.0 / variance, residual)
            )
        return Pooled(*(np.concatenate(column) for column in zip(*parts, strict=True)))

    def _disagreement(self, pooled: Pooled, solution: Solution) -> float:
        """Moment estimate of the excess variance of pooled readings."""
        own = 1.0 / np.maximum(1.0 / pooled.weight - self._excess, 1e-18)
        freedom = own.size - solution.rank
        if freedom < 1:
            return 0.0
        residual = pooled.value - pooled.rows @ solution.x
        q = float(own @ np.square(residual))
        spread = float(own.sum() - np.square(own).sum() / own.sum())
        return max(0.0, (q - freedom) / spread)

    def _result(self, arc: float, pooled: Pooled, solution: Solution, z: list[FloatArray]) -> SweepFit:
        k = len(self._model.detectors)
        enough = arc >= _LEAST_ARC_RAD
        y0, y1, z0, z1 = (enough and seen for seen in solution.observable[k:])
        systematic = np.concatenate(
            [
                self._model.systematic_rows(i, pooled.sin[part], pooled.cos[part], solution.x[k:])
                for i in range(k)
                for part in [pooled.detector == i]
            ]
        )
        belief = from_fit(solution.x, solution.cov, solution.gain @ systematic, self._model, (y0, y1, z0, z1))
        noise = np.array([s * d.noise_m for s, d in zip(self._scale, self._model.detectors, strict=True)])
        gross = sorted(
            (g for i in range(k) for g in self._gross(i, z[i], solution.x)), key=lambda g: -abs(g.size_m)
        )
        left_out = sum(
            float(t.count @ (np.abs(v) >= robust.CUT)) for t, v in zip(self._tracks, z, strict=True)
        )
        independent = sum(n / tau for n, tau in zip(self._taken, self._correlation, strict=True)) - left_out
        return SweepFit(
            belief=belief,
            pooled=pooled,
            arc_rad=arc,
            readings=self.readings,
            left_out=round(left_out) + self._dropped,
            noise_m=noise,
            correlation=self._correlation.copy(),
            excess_m=self._excess**0.5,
            gross=tuple(gross[:_MOST_GROSS]),
            freedom=max(1.0, independent - solution.rank),
        )

    def examine(self) -> tuple[SweepFit, tuple[Diagnosis, ...]] | None:
        """Fit, look for what disturbs, and correct the one thing that can be: a lag between angle and position."""
        fit = self.fit()
        if fit is None:
            return None
        found = diagnose(self.evidence(fit))
        lags = [d for d in found if d.name == "lag"]
        if lags:
            for lag in lags:
                self._tracks[lag.where[0]].shift(lag.size)
            fit = self.fit() or fit
            found = (*lags, *(d for d in diagnose(self.evidence(fit)) if d.name != "lag"))
        return fit, found

    def evidence(self, fit: SweepFit) -> Evidence:
        """Return what `diagnose` needs of a fit just made."""
        x = fit.belief.mean[: self._model.size]
        standardised = zip(*self._standardised(x), strict=True)
        weight = [
            robust.biweight(z) / (base * self._scale[i] ** 2) for i, (z, base) in enumerate(standardised)
        ]
        return Evidence(self._model, x, self._tracks, weight, fit.noise_m, fit.arc_rad)

    def _gross(self, index: int, z: FloatArray, x: FloatArray) -> list[GrossError]:
        t = self._tracks[index]
        where = np.flatnonzero(np.abs(z) >= robust.CUT)
        size = t.value[where] - self._model.expected(index, t.sin[where], t.cos[where], x)
        worst = np.argsort(-np.abs(size), kind="stable")[:_MOST_GROSS]
        return [
            GrossError(index, float(t.time_s[j]), float(t.angle[j]), float(s))
            for j, s in zip(where[worst], size[worst], strict=True)
        ]

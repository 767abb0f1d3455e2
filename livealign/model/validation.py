"""Is linearising good enough? The linear uncertainty against drawn errors (JCGM 101:2008, clause 8).

Chance hides a small difference between a drawn interval and a computed one until there are millions of trials. So every
trial is made twice: as it is, and linearised. Both have the same luck, and what their intervals differ by is what
linearising does. That the computed interval agrees with the drawn one as far as chance allows is asked for besides.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from livealign.model.budget import functionals
from livealign.model.montecarlo import Draws, propagate
from livealign.model.rig import FloatArray, RigModel
from livealign.model.sweep import SweepFit

__all__ = ["COVERAGE", "Agreement", "compare", "linearised"]

COVERAGE = 0.95
_UPPER = (1.0 + COVERAGE) / 2.0
_K = 1.959963984540054
"""For the linear interval. The trials take the readings' scatter as known, so here the linear side does too."""
_SMALL = 2.0**-12
"""A power of two, so that nothing is rounded."""
_LEAST_BLOCKS = 10
_BLOCK = 100
_SURE = 2.0
_BEYOND_CHANCE = 4.0
"""In standard uncertainties of an end; several figures with two ends each are looked at."""


@dataclass(frozen=True, slots=True)
class Agreement:
    """One figure's uncertainty by both ways, in the figure's own unit (m or rad)."""

    u_linear: float
    u_drawn: float
    half_linear: float
    """Half the 95 % interval: k u."""
    low: float
    high: float
    """Ends of the drawn 95 % interval, which is probabilistically symmetric, seen from the estimate."""
    difference: float
    """The larger of those by which the ends of the drawn and the computed interval differ."""
    chance: float
    """Standard uncertainty of a drawn end, from the number of trials."""
    bent: float
    """The larger of those by which linearising the same trials moves the ends."""
    bent_chance: float
    """Standard uncertainty of that."""
    tolerance: float
    """Half a unit in the second significant digit of u."""

    @property
    def half_drawn(self) -> float:
        """Half the drawn interval."""
        return (self.high - self.low) / 2.0

    @property
    def good(self) -> bool | None:
        """Do both ends agree within the tolerance? None if there are too few trials to tell."""
        seen = ((self.difference, self.chance), (self.bent, self.bent_chance))
        if any(size - _BEYOND_CHANCE * chance > self.tolerance for size, chance in seen):
            return False
        return True if self.bent + _SURE * self.bent_chance <= self.tolerance else None

    @property
    def off(self) -> float:
        """By how much linearising is off: what it moves the ends by, or more if chance does not explain the rest."""
        return max(self.bent, self.difference - _BEYOND_CHANCE * self.chance)

    def trials_wanted(self, trials: int) -> float:
        """Return about how many trials would tell, after so many; may be infinite."""
        margin = self.tolerance - self.bent
        wanted = (_SURE if margin > 0.0 else _BEYOND_CHANCE) * self.bent_chance
        return math.inf if margin == 0.0 else trials * max(1.0, (wanted / margin) ** 2)


def linearised(model: RigModel, fit: SweepFit, trials: int, seed: int) -> Draws:
    """Return the very trials that `propagate` makes, linearised: made so small that nothing bends, then magnified."""
    small_model = replace(model, beta_cov=model.beta_cov * _SMALL**2)
    small_fit = replace(fit, pooled=replace(fit.pooled, weight=fit.pooled.weight / _SMALL**2))
    draws = propagate(small_model, small_fit, trials, seed)
    return Draws(draws.pose / _SMALL, draws.feet / _SMALL)


def compare(model: RigModel, fit: SweepFit, drawn: Draws, straight: Draws) -> tuple[Agreement | None, ...]:
    """Return for each figure how the two ways agree; None for a figure that is not observable.

    In the order of `budget.functionals`: offset and slope toward 3 o'clock, offset and slope up, the feet toward
    3 o'clock, the feet up.

    Args:
        model: the rig.
        fit: of the rotation.
        drawn: of `propagate`.
        straight: of `linearised`, trial by trial the same.
    """
    belief = fit.belief
    rows = functionals(model, belief)
    u = np.sqrt(np.maximum(np.einsum("fi,ij,fj->f", rows, belief.cov, rows), 0.0))
    y0, y1, z0, z1 = belief.observable
    feet = model.feet_x_m.size
    known = [y0, y1, z0, z1, *[y0 and y1] * feet, *[z0 and z1] * feet]
    errors, linear = (np.concatenate([d.pose, d.feet], axis=1) for d in (drawn, straight))
    return tuple(
        _agreement(float(u[i]), errors[:, i], linear[:, i]) if known[i] and u[i] > 0.0 else None
        for i in range(u.size)
    )


def _agreement(u: float, errors: FloatArray, linear: FloatArray) -> Agreement:
    low, high = (float(v) for v in _ends(errors))
    half = _K * u
    moved = _moved(errors, linear)
    return Agreement(
        u_linear=u,
        u_drawn=float(errors.std(ddof=1)),
        half_linear=half,
        low=low,
        high=high,
        difference=max(abs(low + half), abs(high - half)),
        chance=_chance(errors),
        bent=float(np.abs(moved.mean(axis=0)).max()),
        bent_chance=float(moved.std(axis=0, ddof=1).max()) / math.sqrt(moved.shape[0]),
        tolerance=0.5 * 10.0 ** (math.floor(math.log10(u)) - 1),
    )


def _moved(errors: FloatArray, linear: FloatArray) -> FloatArray:
    """(B, 2) by how much linearising moves the ends, block by block.

    A single trial stands at an end, and how much that one bends is luck. The mean over many small blocks is not.
    """
    blocks = max(_LEAST_BLOCKS, errors.size // _BLOCK)
    pairs = zip(np.array_split(errors, blocks), np.array_split(linear, blocks), strict=True)
    return np.array([_ends(e) - _ends(x) for e, x in pairs])


def _ends(errors: FloatArray) -> FloatArray:
    """(2,) ends of the interval for the truth, seen from the estimate: the truth is the estimate less its error."""
    ends: FloatArray = -np.quantile(errors, [_UPPER, 1.0 - _UPPER])
    return ends


def _chance(errors: FloatArray) -> float:
    """Return the standard uncertainty of the ends: ranks one binomial standard deviation to either side.

    In few trials that may come out small by luck; then it is that of a normal distribution.
    """
    n = errors.size
    ordered = np.sort(errors)
    spread = math.sqrt(n * _UPPER * (1.0 - _UPPER))
    density = math.exp(-_K * _K / 2.0) / math.sqrt(2.0 * math.pi) / float(errors.std(ddof=1))
    found = [spread / n / density]
    for share in (1.0 - _UPPER, _UPPER):
        below, above = (min(max(math.floor(share * n + s), 0), n - 1) for s in (-spread, spread))
        found.append(float(ordered[above] - ordered[below]) / 2.0)
    return max(found)

"""A detector against known displacements: gain, polarity, straightness, and what depends on the direction.

The displacements are set and the readings follow, so the reading is fitted on the displacement,
raw = c + polarity gain true. c is of no interest (every rotation fits its own), so neither is the gauge's zero.

Straight or not: a polynomial of degree 1, 2, 3, then a table is taken, the first from which the readings do not deviate
significantly. The test is the lack-of-fit F test (Draper & Smith, Applied Regression Analysis; from memory): the scatter of
the positions about the curve against the scatter of repeated visits to one position, to which what the gauge may be
wrong by is added; at 1 %. Without repeated visits nothing can be tested, and the detector is taken for straight.
"""

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.polynomial import Polynomial
from numpy.typing import NDArray

from livealign.model.budget import expansion
from livealign.model.linear import solve
from livealign.model.rig import FloatArray
from livealign.model.straight_line import Line, chance_of_f, directions, straight_line

__all__ = ["SIGNIFICANT", "DetectorCalibration", "NotCalibratableError", "calibrate_detector"]

SIGNIFICANT = 0.01
"""A deviation is taken for real where chance would make it less often than this."""
_HIGHEST_DEGREE = 3
_LEAST_TABLE = 5
"""Fewer points make no table."""
_LEAST_REPEATS = 2
_NORMAL_975 = 1.959963984540054
_LEAST_SHARE = 2e-4
"""Of the span. A deviation below is left alone, however sure: 1 um in 5 mm."""


class NotCalibratableError(ValueError):
    """The readings do not determine a calibration; the message says why, for the person."""


@dataclass(frozen=True, slots=True)
class DetectorCalibration:
    """What steps of known size say of a detector, all in the unit of the displacements."""

    shape: Literal["straight", "polynomial", "table"]
    polarity: Literal[1, -1]
    gain: float
    """To be applied after the shape: raw change per true change; 1 if the shape holds it."""
    gain_u: float
    """Share of the gain; such that 1.96 of it hold 95 %, however few the readings are."""
    straight_gain: float
    polynomial: tuple[float, ...] | None
    """c0, c1, ... from the raw number to the true one, polarity not applied."""
    table: tuple[tuple[float, float], ...] | None
    """(raw, true) likewise."""
    straight_worst: float
    """Largest deviation of a position's mean from the straight line."""
    worst: float
    """The same from the shape chosen."""
    straight_chance: float | None
    """Probability of deviating from the line that much by chance; None where nothing was repeated."""
    unexplained: bool
    """It is not straight, but the positions are too few, or not in order, to say what it is."""
    hysteresis: float | None
    """Reading while rising less that while falling, as displacement; None if there was one direction only."""
    hysteresis_u: float | None
    scatter: float | None
    """Standard deviation of visits to the same position; None if none was repeated."""
    readings_share: float
    """Part of gain_u squared that is the readings', not the gauge's."""
    visits: int
    positions: int
    least: float
    greatest: float

    @property
    def span(self) -> float:
        """From the least to the greatest displacement."""
        return self.greatest - self.least


def calibrate_detector(true: FloatArray, raw: FloatArray, gauge_u: float) -> DetectorCalibration:
    """Work out a detector's calibration.

    The errors of a gauge go together along its range (a micrometer's screw), so more steps do not average them: the gain
    is taken to be as uncertain as two independent readings of it at the ends of the range would leave it.

    Args:
        true: (n,) displacements that were set, in the order of the visits; positive where polarity 1 wants the number
            to grow.
        raw: (n,) mean raw number at each visit, in the same unit.
        gauge_u: standard uncertainty of a displacement, in that unit.

    Raises:
        NotCalibratableError: if there are too few positions or visits, or the number does not follow.
    """
    places, where = np.unique(true, return_inverse=True)
    if places.size < 2:
        raise NotCalibratableError("at least two different positions are needed")
    way = directions(true)
    both_ways = min(int((way > 0).sum()), int((way < 0).sum())) >= 2
    try:
        line = straight_line(true, raw, way if both_ways else None)
    except ValueError as e:
        raise NotCalibratableError(f"{e}; go through the positions up and down") from e
    if abs(line.slope) <= 4.0 * line.u_slope:
        raise NotCalibratableError(
            "the number does not follow the displacement; check the field and the set-up"
        )
    fit = _Fit(
        true, raw, where=where, places=places, line=line, way=way if both_ways else None, gauge_u=gauge_u
    )
    return fit.chosen()


class _Fit:
    """The visits, and the shapes that are tried on them."""

    def __init__(
        self,
        true: FloatArray,
        raw: FloatArray,
        *,
        where: NDArray[np.intp],
        places: FloatArray,
        line: Line,
        way: FloatArray | None,
        gauge_u: float,
    ) -> None:
        self._true, self._where, self._places = true, where, places
        self._line, self._gauge_u = line, gauge_u
        self._count = np.bincount(where)
        self._sign: Literal[1, -1] = 1 if line.slope > 0 else -1
        self._gain = abs(line.slope)
        self._repeats, self._pure, self._step, self._step_u = self._repeated(raw / line.slope, way)
        self._directed = self._step is not None
        # The effect of the direction is taken out.
        self._raw = raw if self._step is None or way is None else raw - 0.5 * self._step * line.slope * way
        self._seen = self._raw / line.slope

    def _means(self, values: FloatArray) -> FloatArray:
        means: FloatArray = np.bincount(self._where, weights=values) / self._count
        return means

    def _repeated(
        self, seen: FloatArray, way: FloatArray | None
    ) -> tuple[int, float | None, float | None, float | None]:
        """Degrees of freedom and variance of visits to one position; effect of the direction, and its uncertainty."""
        n, k = seen.size, self._places.size
        a = np.zeros((n, k + (way is not None)))
        a[np.arange(n), self._where] = 1.0
        if way is not None:
            a[:, k] = 0.5 * way
        found = solve(a, seen, np.ones(n))
        within, freedom = seen - a @ found.x, n - found.rank
        pure = float(within @ within) / freedom if freedom >= _LEAST_REPEATS else None
        if way is None or not found.observable[k]:
            return freedom, pure, None, None
        step_u = None if pure is None else math.sqrt(pure * float(found.cov[k, k]))
        return freedom, pure, float(found.x[k]), step_u

    def chosen(self) -> DetectorCalibration:
        """Return the first shape from which nothing deviates significantly."""
        line = self._line
        away = self._seen - self._true
        away -= away.mean()
        straight_worst = float(np.abs(self._means(away)).max())
        chance = self._chance(away, 2)
        type_a = line.u_slope / self._gain
        span = float(self._places[-1] - self._places[0])
        result = DetectorCalibration(
            shape="straight",
            polarity=self._sign,
            gain=self._gain,
            gain_u=0.0,
            straight_gain=self._gain,
            polynomial=None,
            table=None,
            straight_worst=straight_worst,
            worst=straight_worst,
            straight_chance=chance,
            unexplained=False,
            hysteresis=self._step,
            hysteresis_u=self._step_u,
            scatter=None if self._pure is None else math.sqrt(self._pure),
            readings_share=0.0,
            visits=self._true.size,
            positions=self._places.size,
            least=float(self._places[0]),
            greatest=float(self._places[-1]),
        )
        if chance is None or chance >= SIGNIFICANT or straight_worst < _LEAST_SHARE * span:
            return self._with_u(result, type_a, line.freedom)
        for degree in range(2, min(_HIGHEST_DEGREE, self._places.size - 2) + 1):
            curve = self._curve(degree)
            away = self._sign * curve(self._raw) - self._true
            away -= away.mean()
            chance = self._chance(away, degree + 1)
            if chance is not None and chance >= SIGNIFICANT and self._rises(curve):
                freedom = self._true.size - degree - 1 - self._directed
                return self._bent(result, away, freedom, polynomial=tuple(map(float, curve.coef)))
        points = self._points()
        if points is None:
            return self._with_u(replace(result, unexplained=True), type_a, line.freedom)
        away = self._seen - self._means(self._seen)[self._where]
        return self._bent(result, away, self._repeats, table=points)

    def _chance(self, away: FloatArray, parameters: int) -> float | None:
        """Probability that positions deviate from a curve so much by chance."""
        freedom = self._places.size - parameters
        if self._pure is None or freedom < 1:
            return None
        lack = float(self._count @ np.square(self._means(away))) / freedom
        gauge = float(self._count.mean()) * self._gauge_u**2
        expected = self._pure + gauge
        if expected == 0.0:
            return 1.0 if lack == 0.0 else 0.0
        # Welch and Satterthwaite's degrees of freedom: the gauge's are infinite.
        below = self._repeats * (expected / self._pure) ** 2 if self._pure > 0.0 else 1e9
        return chance_of_f(lack / expected, freedom, min(below, 1e9))

    def _curve(self, degree: int) -> Polynomial:
        """From the raw number to the true one without polarity, its zero where the straight line has it."""
        curve = Polynomial.fit(self._raw, self._sign * self._true, degree).convert()
        return curve - float(np.mean(curve(self._raw) - self._raw / self._gain))

    def _rises(self, curve: Polynomial) -> bool:
        grid = np.linspace(self._raw.min(), self._raw.max(), 200)
        return bool(np.all(curve.deriv()(grid) > 0.0))

    def _points(self) -> tuple[tuple[float, float], ...] | None:
        """The table; None if there are too few points, or two positions give the same number."""
        if self._places.size < _LEAST_TABLE:
            return None
        raw, true = self._means(self._raw), self._sign * self._places
        true = true - float(np.mean(true - raw / self._gain))
        order = np.argsort(true)
        if not np.all(np.diff(raw[order]) > 0.0):
            return None
        return tuple(zip(raw[order].tolist(), true[order].tolist(), strict=True))

    def _bent(
        self,
        result: DetectorCalibration,
        away: FloatArray,
        freedom: int,
        *,
        polynomial: tuple[float, ...] | None = None,
        table: tuple[tuple[float, float], ...] | None = None,
    ) -> DetectorCalibration:
        spread = math.sqrt(float(np.square(self._true - self._true.mean()).sum()))
        type_a = math.sqrt(float(away @ away) / freedom) / spread
        worst = float(np.abs(self._means(away)).max())
        shaped = replace(
            result,
            shape="polynomial" if polynomial else "table",
            gain=1.0,
            polynomial=polynomial,
            table=table,
            worst=worst,
        )
        return self._with_u(shaped, type_a, freedom)

    def _with_u(self, result: DetectorCalibration, type_a: float, freedom: int) -> DetectorCalibration:
        gauge = math.sqrt(2.0) * self._gauge_u / result.span
        variance = type_a**2 + gauge**2
        # The budget takes a gain's uncertainty for normal: few readings are allowed for here.
        factor = expansion(variance, type_a**2, freedom) / _NORMAL_975
        share = type_a**2 / variance if variance > 0.0 else 0.0
        return replace(result, gain_u=math.sqrt(variance) * factor, readings_share=share)

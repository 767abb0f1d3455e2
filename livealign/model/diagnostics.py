"""What the residuals of a sweep say about the rig: each a named finding with its size, or nothing.

Most are small linear questions: add the columns that the disturbances would need to the fit, all at once, and see
whether the readings want them. A finding is made when its size is both certain (z standard deviations) and worth a word.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from livealign.model import robust
from livealign.model.linear import Solution, solve
from livealign.model.readings import Readings, speed
from livealign.model.rig import POSE, FloatArray, RigModel

__all__ = ["Diagnosis", "DiagnosisName", "Evidence", "diagnose", "range_ahead"]

DiagnosisName = Literal[
    "second harmonic",
    "hysteresis",
    "heads at different angles",
    "angles run against each other",
    "lag",
    "fast turning",
    "drift",
    "turns disagree",
    "uneven detectors",
    "more than noise",
    "many left out",
    "short arc",
    "out of range ahead",
]

_SURE = 5.0
_LEAST_M = 2e-6
_LEAST_NOISES = 0.5
_LEAST_LAG_S = 1e-3
_LEAST_HEADS_RAD = np.radians(0.3)
_LEAST_LATE_S = 0.015
"""So much later than another may a link be that nobody has measured; while the shafts turn that looks like an angle."""
_LEAST_RUN_RAD = np.radians(20.0)
_ALIKE = 0.9
_PARTS = 20
_FAST_RAD_S = np.radians(60.0)
_SHORT_RAD = np.radians(60.0)
_OWN = 3
"""Constant, sine and cosine of each detector's own, so that detectors which disagree in gain are not taken for drifting."""
_BATCHES = 24
"""Parts of a turn whose means show how far residuals hang together over seconds."""
_UNEVEN = 3.0
_MANY = 0.05
_BOTH_WAYS = 0.1
"""Least share of readings taken turning the other way before directions are compared."""


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """One finding."""

    name: DiagnosisName
    size: float
    """m, rad, rad/s, s or a ratio, as `unit` says."""
    unit: Literal["m", "rad", "rad/s", "s", ""]
    where: tuple[int, ...]
    """Detectors concerned; empty for the whole rig."""
    sureness: float
    """Size over its standard uncertainty, where that is how it was judged; else 0."""


@dataclass(frozen=True)
class Evidence:
    """A fitted sweep, as the questions need it: one entry a detector."""

    model: RigModel
    x: FloatArray
    """(n,) the fit: constants and pose."""
    readings: list[Readings]
    weight: list[FloatArray]
    """Inverse variances of the readings, gross errors 0."""
    noise_m: FloatArray
    """(K,) found."""
    arc_rad: float


@dataclass(frozen=True)
class _Series:
    """One detector's readings in order of time, thinned."""

    sin: FloatArray
    cos: FloatArray
    residual: FloatArray
    slope: FloatArray
    """dm/dtheta."""
    time_s: FloatArray
    angle: FloatArray
    speed: FloatArray
    """rad/s, smoothed."""
    weight: FloatArray

    @property
    def alive(self) -> bool:
        """Are there enough readings to ask questions?"""
        return self.residual.size > 2 * POSE


def diagnose(evidence: Evidence, most: int = 4000) -> tuple[Diagnosis, ...]:
    """Return all findings, in a fixed order, from at most about that many readings a detector."""
    series = [_series(evidence, i, most) for i in range(len(evidence.readings))]
    if not any(s.alive for s in series):
        return ()
    found, left = _ask(evidence, series)
    found += _turns(evidence, series, left) + _heads(evidence.model, series) + _whole(evidence, series, left)
    return tuple(found)


def range_ahead(
    model: RigModel, x: FloatArray, index: int, limits_m: tuple[float, float], covered: NDArray[np.bool_]
) -> float | None:
    """Return the angle (rad) not yet covered at which a detector will leave its range; None if it will not.

    Args:
        model: the rig.
        x: the fit so far.
        index: the detector.
        limits_m: its least and greatest reading.
        covered: (n,) which of n equal sectors of the turn have been read already.
    """
    angles = (np.arange(covered.size) + 0.5) * (2.0 * np.pi / covered.size)
    seen = angles + model.detectors[index].phase_rad
    expected = model.expected(index, np.sin(seen), np.cos(seen), x)
    outside = ((expected <= limits_m[0]) | (expected >= limits_m[1])) & ~covered
    return float(angles[np.argmax(outside)]) if outside.any() else None


def _series(e: Evidence, index: int, most: int) -> _Series:
    t = e.readings[index]
    order = np.argsort(t.time_s, kind="stable")
    order = order[:: max(1, order.size // most)]
    by_sin, by_cos = e.model.amplitudes(index, e.x[-POSE:])
    sin, cos, time, angle = t.sin[order], t.cos[order], t.time_s[order], t.angle[order]
    return _Series(
        sin=sin,
        cos=cos,
        residual=t.value[order] - e.model.expected(index, sin, cos, e.x),
        slope=by_sin * cos - by_cos * sin,
        time_s=time,
        angle=angle,
        speed=speed(time, angle),
        weight=e.weight[index][order],
    )


def _second_harmonic(s: _Series) -> FloatArray | None:
    return np.column_stack([s.cos**2 - s.sin**2, 2.0 * s.sin * s.cos])


def _direction(s: _Series) -> FloatArray | None:
    """The reading jumps when the direction of turning changes: half the jump either way."""
    way = np.where(np.abs(s.speed) > np.radians(1.0), np.sign(s.speed), 0.0)
    forward, backward = float(np.mean(way > 0)), float(np.mean(way < 0))
    return 0.5 * way[:, None] if min(forward, backward) > _BOTH_WAYS else None


def _lag(s: _Series) -> FloatArray | None:
    """A reading that belongs to an angle taken earlier. At constant speed it cannot be told from a turned pose."""
    return (-s.speed * s.slope)[:, None] if float(np.std(s.speed)) > np.radians(1.0) else None


def _drift(s: _Series) -> FloatArray | None:
    """From the first reading to the last."""
    span = float(s.time_s[-1] - s.time_s[0])
    return ((s.time_s - s.time_s.mean()) / span)[:, None] if span > 0.0 else None


_QUESTIONS: tuple[tuple[DiagnosisName, Literal["m", "s"], Callable[[_Series], FloatArray | None]], ...] = (
    ("second harmonic", "m", _second_harmonic),
    ("hysteresis", "m", _direction),
    ("lag", "s", _lag),
    ("drift", "m", _drift),
)


@dataclass(frozen=True)
class _Asked:
    """One question put to one detector."""

    name: DiagnosisName
    unit: Literal["m", "s"]
    detector: int
    columns: FloatArray


def _ask(e: Evidence, series: list[_Series]) -> tuple[list[Diagnosis], list[FloatArray]]:
    """Ask all questions at once, beside each detector's own turn, so that one disturbance is not taken for another.

    Returns:
        The findings, and what stays unexplained of each detector's residuals by them.
    """
    asked = [
        _Asked(name, unit, i, columns)
        for name, unit, question in _QUESTIONS
        for i, s in enumerate(series)
        for columns in [question(s) if s.alive else None]
        if columns is not None
    ]
    answer, parts, left = _answered(series, asked)
    inflation = [_inflation(s, rest) if s.alive else 1.0 for s, rest in zip(series, left, strict=True)]
    found, accepted = [], []
    for a, part in zip(asked, parts, strict=True):
        if not all(answer.observable[part]):
            continue
        size = answer.x[part]
        sure = float(np.sqrt(size @ np.linalg.solve(answer.cov[part, part], size) / inflation[a.detector]))
        whole = float(size[0]) if size.size == 1 else float(np.hypot(*size))
        if sure > _SURE and abs(whole) > (_LEAST_LAG_S if a.unit == "s" else _least_m(e, a.detector)):
            found.append(Diagnosis(a.name, whole, a.unit, (a.detector,), sure))
            accepted.append(a)
    return found, _answered(series, accepted)[2]


def _answered(series: list[_Series], asked: list[_Asked]) -> tuple[Solution, list[slice], list[FloatArray]]:
    """Solve for the fit and the questions; return the solution, where each question's answer is, and the residuals."""
    parts = []
    width = _OWN * len(series)
    for a in asked:
        parts.append(slice(width, width + a.columns.shape[1]))
        width += a.columns.shape[1]
    blocks = [np.zeros((s.residual.size, width)) for s in series]
    for i, s in enumerate(series):
        blocks[i][:, _OWN * i : _OWN * (i + 1)] = np.column_stack([np.ones(s.sin.size), s.sin, s.cos])
    for a, part in zip(asked, parts, strict=True):
        blocks[a.detector][:, part] = a.columns
    answer = solve(
        np.concatenate(blocks),
        np.concatenate([s.residual for s in series]),
        np.concatenate([s.weight for s in series]),
    )
    left = [s.residual - block @ answer.x for s, block in zip(series, blocks, strict=True)]
    return answer, parts, left


def _inflation(s: _Series, left: FloatArray) -> float:
    """By how much variances exceed the weights' word, judged by what is unexplained: its size, and how long it lasts."""
    z = left * np.sqrt(s.weight)
    used = max(float(np.mean(s.weight > 0.0)), 0.1)
    fast = robust.correlation_time(z) * float(np.mean(np.square(z)))
    slow = float(np.mean([part.sum() ** 2 / part.size for part in np.array_split(z, min(_BATCHES, z.size))]))
    return max(fast, slow, 1e-12) / used


def _least_m(e: Evidence, index: int) -> float:
    return max(_LEAST_M, _LEAST_NOISES * e.model.detectors[index].noise_m)


def _turns(e: Evidence, series: list[_Series], left: list[FloatArray]) -> list[Diagnosis]:
    """Compare passes over the same degrees: chi-square of their means, pass by pass."""
    found = []
    for i, (s, rest) in enumerate(zip(series, left, strict=True)):
        if not s.alive:
            continue
        way = np.sign(np.where(np.abs(s.speed) > np.radians(1.0), s.speed, 0.0))
        turn = np.floor((s.angle - s.angle[0]) / (2.0 * np.pi))
        degree = np.floor(np.degrees(s.angle)).astype(np.int64) % 360
        passes = np.unique(np.stack([degree.astype(float), turn, way]), axis=1, return_inverse=True)
        keys, inverse = passes[0], np.asarray(passes[1]).ravel()
        weight = np.bincount(inverse, weights=s.weight)
        good = weight > 0.0
        mean = np.bincount(inverse, weights=s.weight * rest)[good] / weight[good]
        place, weight = keys[0][good].astype(np.int64), weight[good]
        total = np.bincount(place, weights=weight, minlength=360)
        middle = np.bincount(place, weights=weight * mean, minlength=360) / np.maximum(total, 1e-300)
        freedom = place.size - int(np.count_nonzero(total))
        if freedom < 10:
            continue
        chi2 = float(weight @ np.square(mean - middle[place]))
        # Wilson & Hilferty 1931: the cube root of chi-square per degree of freedom is nearly normal.
        sure = ((chi2 / freedom) ** (1.0 / 3.0) - 1.0 + 2.0 / (9.0 * freedom)) / (
            2.0 / (9.0 * freedom)
        ) ** 0.5
        apart = float(np.sqrt(np.mean(np.square(mean - middle[place]))))
        if sure > _SURE and apart > _least_m(e, i):
            found.append(Diagnosis("turns disagree", apart, "m", (i,), sure))
    return found


def _heads(model: RigModel, series: list[_Series]) -> list[Diagnosis]:
    """Do two heads with inclinometers of their own keep the same angle between them?"""
    first: dict[int, int] = {}
    for i, d in enumerate(model.detectors):
        if series[i].alive:
            first.setdefault(d.sensor, i)
    indices = sorted(first.values())
    found = []
    for i in indices[1:]:
        a, b = series[indices[0]], series[i]
        both = (a.time_s >= b.time_s[0]) & (a.time_s <= b.time_s[-1])
        if int(both.sum()) < 20:
            continue
        other = np.interp(a.time_s[both], b.time_s, b.angle)
        run = float(np.ptp(a.angle[both]))
        if min(run, float(np.ptp(other))) > _LEAST_RUN_RAD and _against(a.angle[both], other):
            found.append(Diagnosis("angles run against each other", run, "rad", (indices[0], i), 0.0))
            continue
        apart = (a.angle[both] - other + np.pi) % (2.0 * np.pi) - np.pi
        # Averages of a twentieth of the readings each, so that noise counts as little of a difference.
        parts = np.array([part.mean() for part in np.array_split(apart, _PARTS)])
        noise = robust.scale(np.diff(apart)) * (_PARTS / (2.0 * apart.size)) ** 0.5
        spread = float(parts.max() - parts.min())
        late = _LEAST_LATE_S * float(np.quantile(np.abs(a.speed), 0.95))
        if spread > _LEAST_HEADS_RAD + _SURE * noise + late:
            found.append(Diagnosis("heads at different angles", spread, "rad", (indices[0], i), 0.0))
    return found


def _against(one: FloatArray, other: FloatArray) -> bool:
    return float(np.corrcoef(one, other)[0, 1]) < -_ALIKE


def _whole(e: Evidence, series: list[_Series], left: list[FloatArray]) -> list[Diagnosis]:
    found = []
    fastest = max(float(np.quantile(np.abs(s.speed), 0.95)) for s in series if s.alive)
    if fastest > _FAST_RAD_S:
        found.append(Diagnosis("fast turning", fastest, "rad/s", (), 0.0))
    ratio = {
        i: float(e.noise_m[i] / e.model.detectors[i].noise_m) * robust.scale(rest * np.sqrt(s.weight))
        for i, (s, rest) in enumerate(zip(series, left, strict=True))
        if s.alive
    }
    best, worst = min(ratio, key=ratio.__getitem__), max(ratio, key=ratio.__getitem__)
    if ratio[best] > _UNEVEN:
        found.append(Diagnosis("more than noise", ratio[best], "", (), 0.0))
    if ratio[worst] > _UNEVEN * ratio[best]:
        found.append(Diagnosis("uneven detectors", ratio[worst] / ratio[best], "", (worst,), 0.0))
    for i, s in enumerate(series):
        if not s.alive:
            continue
        out = float(np.mean(s.weight == 0.0))
        if out > _MANY:
            found.append(Diagnosis("many left out", out, "", (i,), 0.0))
    if e.arc_rad < _SHORT_RAD:
        found.append(Diagnosis("short arc", e.arc_rad, "rad", (), 0.0))
    return found

"""Does the pose conform to the tolerance, and how sure is that (JCGM 106, ISO 14253-1)?"""

import math
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np

from livealign.advice.probability import at_most, inside
from livealign.model.belief import Belief
from livealign.model.rig import FloatArray
from livealign.snapshot import Verdict
from livealign.units import rounded_up

__all__ = [
    "FLEX_PLANE_SOURCE",
    "Criterion",
    "CriterionName",
    "can_change",
    "flex_plane",
    "judge",
    "offset_angle",
]

FLEX_PLANE_SOURCE = "API RP 686, 2nd ed. (2009), cl. 5.4.6.2"

CriterionName: TypeAlias = Literal["flex-plane", "offset-angle", "speed-table", "speed-inverse"]
_State: TypeAlias = Literal["conforming", "not conforming", "undecided"]

_NOTHING = 1e-12


@dataclass(frozen=True)
class Criterion:
    """Limits on lengths of two-dimensional vectors (3 o'clock, up), each linear in the pose; and what decides."""

    name: CriterionName
    source: str
    limit_words: str
    labels: tuple[str, ...]
    across: FloatArray
    """(C, 2) factors of (Y0, Y') and likewise of (Z0, Z'), already divided by each limit: at most 1 conforms."""
    shown: tuple[tuple[float, str], ...]
    """Per limit: its size and unit for words."""
    guard: float | None = None
    """Width of the guard band in standard uncertainties; None: the job's confidence decides."""


def flex_plane(
    apart_m: float,
    limit: float,
    source: str = FLEX_PLANE_SOURCE,
    units: str = "mm",
    guard: float | None = None,
) -> Criterion:
    """Return the criterion: at each flex plane the offset over the distance between the planes.

    With the axes crossing the planes x1 and x2, the coupling bends at x1 by offset(x2) / (x2 - x1) and at x2 by
    offset(x1) / (x2 - x1).

    Args:
        apart_m: distance between the flex planes, centred on the coupling.
        limit: greatest angle, rad.
        source: of the limit.
        units: "mm" or "inch", for words.
        guard: as in `Criterion`.
    """
    half = apart_m / 2.0
    factors = np.array([[1.0, half], [1.0, -half]]) / (apart_m * limit)
    labels = ("flex plane of the stationary machine", "flex plane of the movable machine")
    size, unit = 1e3 * limit, _slope_unit(units)
    words = f"{size:.4g} {unit} at both flex planes"
    return Criterion("flex-plane", source, words, labels, factors, ((size, unit),) * 2, guard)


def offset_angle(
    offset_m: float,
    slope: float,
    source: str,
    units: str,
    *,
    name: CriterionName = "offset-angle",
    condition: str = "",
    guard: float | None = None,
) -> Criterion:
    """Return the criterion: offset at the coupling centre, and slope.

    Args:
        offset_m: greatest offset, m.
        slope: greatest slope, rad.
        source: of the limits; empty: the job file.
        units: "mm" or "inch", for words.
        name: of the rule that gave the limits.
        condition: under which they hold, in words, such as "up to 1500 rpm".
        guard: as in `Criterion`.
    """
    factors = np.array([[1.0 / offset_m, 0.0], [0.0, 1.0 / slope]])
    size, unit = (offset_m / 25.4e-6, "mil") if units == "inch" else (1e3 * offset_m, "mm")
    words = f"offset {size:.4g} {unit} and angle {1e3 * slope:.4g} {_slope_unit(units)}"
    shown = ((size, unit), (1e3 * slope, _slope_unit(units)))
    return Criterion(
        name,
        source or "job file",
        f"{words} {condition}".rstrip(),
        ("offset at the coupling", "angle"),
        factors,
        shown,
        guard,
    )


def _slope_unit(units: str) -> str:
    return "mil/in" if units == "inch" else "mm/m"


def judge(criterion: Criterion, belief: Belief, target: FloatArray, confidence: float) -> Verdict:
    """Return the verdict on a pose's deviation from the target.

    A verdict needs a certainty: the confidence, or with a guard band of so many u the probability that such a band
    promises for a single quantity (0.977 for 2 u).

    - Conforming: the whole Gaussian pose lies inside all limits with that probability at least. By that, every
      deviation is inside its limit by the guard band at least.
    - Not conforming: a deviation, taken along its own direction, is beyond its limit with that probability at least:
      beyond the limit by the guard band. By that, the probability of conforming is 1 - certainty at most. A small
      probability alone would not do: where hardly anything is known it is small too, as there is more room outside.
    - Undecided: neither.

    `used` and `worst` tell the estimate's own length, so that they agree with the offsets and slopes that are shown; it
    is an upward biased estimate near zero, which is why `worst` tells twice its u beside it.

    Args:
        criterion: the limits, and what decides.
        belief: the pose.
        target: (4,) wanted pose.
        confidence: the certainty; not used with a guard band.
    """
    if not belief.known:
        return Verdict(criterion=criterion.name, source=criterion.source, limit=_limit_words(criterion))
    found = _weigh(criterion, belief, target, confidence)
    worst = int(found.used.argmax())
    return Verdict(
        state=found.state,
        probability=round(found.inside, 4),
        criterion=criterion.name,
        source=criterion.source,
        limit=_limit_words(criterion),
        worst=_worst_words(criterion, worst, float(found.used[worst]), float(found.u[worst])),
        used=round(float(found.used[worst]), 4),
    )


def can_change(criterion: Criterion, belief: Belief, target: FloatArray, confidence: float) -> bool:
    """Return whether knowing more, by turning further, could still change the verdict.

    A verdict is final when it is given with the confidence: the machine would then turn out to be the other with a
    probability of 1 - confidence at most, if everything became known. As long as there is none (not known, undecided),
    or a guard band gave it with less, it can change.

    A final verdict may fall back to undecided for a while as the estimate wanders. Uncertainty that turning does not
    shrink (angle zeros, gains, distances) counts as if it did, so True does not promise that turning brings a verdict.

    Args:
        criterion: the limits, and what decides.
        belief: the pose.
        target: (4,) wanted pose.
        confidence: probability with which the answer has to hold.
    """
    if not belief.known:
        return True
    found = _weigh(criterion, belief, target, confidence)
    if found.state == "undecided":
        return True
    return (found.inside if found.state == "conforming" else found.beyond) < confidence


@dataclass(frozen=True)
class _Weighed:
    state: _State
    inside: float
    """Probability that all limits are kept."""
    beyond: float
    """Probability that a deviation, along its own direction, is beyond its limit; of the one where it is greatest."""
    used: FloatArray
    """(C,) shares of the limits."""
    u: FloatArray
    """(C,) their standard uncertainties, each along its deviation."""


def _weigh(criterion: Criterion, belief: Belief, target: FloatArray, confidence: float) -> _Weighed:
    deviation, cov = belief.pose - target, belief.pose_cov
    kept = inside(criterion.across, deviation, cov)
    used, u = _along(criterion.across, deviation, cov)
    beyond = at_most(float(((used - 1.0) / np.maximum(u, _NOTHING)).max()))
    certainty = confidence if criterion.guard is None else at_most(criterion.guard)
    state: _State = "undecided"
    if kept >= certainty:
        state = "conforming"
    elif beyond >= certainty:
        state = "not conforming"
    return _Weighed(state, kept, beyond, used, u)


def _along(across: FloatArray, deviation: FloatArray, cov: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(C,) lengths of the combined deviations, and their standard uncertainties along their own directions.

    A deviation without a direction gets the uncertainty of its least known one.
    """
    y, z = across @ deviation[:2], across @ deviation[2:]
    length = np.hypot(y, z)
    yy, yz, zz = (
        np.einsum("ci,ij,cj->c", across, part, across) for part in (cov[:2, :2], cov[:2, 2:], cov[2:, 2:])
    )
    least_known = (yy + zz) / 2.0 + np.hypot((yy - zz) / 2.0, yz)
    safe = np.where(length > _NOTHING, length, 1.0)
    along = (y**2 * yy + 2.0 * y * z * yz + z**2 * zz) / safe**2
    square = np.where(length > _NOTHING, along, least_known)
    return length, np.sqrt(np.maximum(square, 0.0))


def _limit_words(criterion: Criterion) -> str:
    if criterion.guard is None:
        return criterion.limit_words
    return f"{criterion.limit_words}; guard band {criterion.guard:.4g} u"


def _worst_words(criterion: Criterion, index: int, used: float, u: float) -> str:
    size, unit = criterion.shown[index]
    decimals = max(0, 1 - math.floor(math.log10(size)))
    value, plus_minus = f"{used * size:.{decimals}f}", f"{rounded_up(2.0 * u * size, decimals):.{decimals}f}"
    return f"{criterion.labels[index]}: {value} +- {plus_minus} of {size:.4g} {unit}"

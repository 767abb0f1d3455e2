"""The tightest tolerance that a rig can prove, worked out before anything is read.

A machine that stands exactly as wanted conforms surely, but only a limit that its uncertainty fits into can be shown to be
kept: the smallest one for which the probability of conforming still reaches what a verdict needs. It follows from the rig
file's figures, the job's distances and the arc that can be turned; what wanders or is loose on the day comes on top.
"""

from dataclasses import dataclass

import numpy as np

from livealign.advice.probability import at_most, inside
from livealign.advice.verdict import Criterion
from livealign.model.belief import Belief, from_fit
from livealign.model.budget import SOURCES, budget, functionals
from livealign.model.linear import solve
from livealign.model.rig import FloatArray, RigModel

__all__ = ["Provable", "foreseen", "provable"]

_HALVINGS = 40
_OFFSET, _ANGLE = np.array([[1.0, 0.0]]), np.array([[0.0, 1.0]])


@dataclass(frozen=True, slots=True)
class Provable:
    """What can be proven by turning through one arc."""

    arc_rad: float
    known: bool
    """False: this arc or rig does not tell the whole pose, and nothing can be proven."""
    offset_m: float | None = None
    """Smallest limit of the offset at the coupling."""
    slope: float | None = None
    """Smallest limit of the slope, rad."""
    share: float | None = None
    """The job's own limits could be this share of what they are; above 1 they cannot be proven."""
    largest_offset: str | None = None
    """What most of the offset's uncertainty comes from."""
    largest_slope: str | None = None


def foreseen(model: RigModel, pose: FloatArray, arc: float, readings: int) -> Belief | None:
    """Return what a rotation would tell; None if it would not tell the whole pose.

    Args:
        model: the rig.
        pose: (4,) at which the machine will stand.
        arc: rad, about 12 o'clock.
        readings: of each detector, spread evenly over the arc; independent of each other.
    """
    angles = (np.arange(readings) + 0.5) / readings * arc - arc / 2.0
    rows, weights, systematic = [], [], []
    for i, d in enumerate(model.detectors):
        sin, cos = np.sin(angles + d.phase_rad), np.cos(angles + d.phase_rad)
        by_sin, by_cos = model.amplitudes(i, pose)
        variance = d.noise_m**2 + np.square((by_sin * cos - by_cos * sin) * d.angle_noise_rad)
        rows.append(model.rows(i, sin, cos))
        weights.append(1.0 / variance)
        systematic.append(model.systematic_rows(i, sin, cos, pose))
    a, w = np.concatenate(rows), np.concatenate(weights)
    found = solve(a, np.zeros(w.size), w)
    if not all(found.observable[-4:]):
        return None
    x = np.concatenate([np.zeros(len(model.detectors)), pose])
    return from_fit(x, found.cov, found.gain @ np.concatenate(systematic), model, (True, True, True, True))


def provable(
    model: RigModel,
    criterion: Criterion,
    *,
    target: FloatArray,
    target_cov: FloatArray,
    confidence: float,
    arc: float,
    readings: int,
) -> Provable:
    """Return the tightest limits that can be proven by turning through an arc.

    Args:
        model: the rig.
        criterion: the job's limits, and what decides.
        target: (4,) wanted pose, where the machine is taken to stand.
        target_cov: (4, 4) its covariance.
        confidence: what a verdict needs, if no guard band decides.
        arc: rad.
        readings: of each detector.
    """
    belief = foreseen(model, target, arc, readings)
    if belief is None:
        return Provable(arc, known=False)
    certainty = confidence if criterion.guard is None else at_most(criterion.guard)
    cov = belief.loosened(target_cov).pose_cov
    return Provable(
        arc,
        known=True,
        offset_m=_smallest(_OFFSET, cov, certainty),
        slope=_smallest(_ANGLE, cov, certainty),
        share=_smallest(criterion.across, cov, certainty),
        largest_offset=_largest(model, belief, target_cov, (0, 2)),
        largest_slope=_largest(model, belief, target_cov, (1, 3)),
    )


def _smallest(across: FloatArray, cov: FloatArray, certainty: float) -> float:
    """Return the factor on limits of 1 at which a pose exactly as wanted conforms with just that certainty."""
    spread = np.einsum("ci,ij,cj->c", across, cov[:2, :2] + cov[2:, 2:], across)
    high = 40.0 * float(np.sqrt(spread.max()))
    low = 0.0
    nothing = np.zeros(4)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        if middle > 0.0 and inside(across / middle, nothing, cov) >= certainty:
            high = middle
        else:
            low = middle
    return high


def _largest(model: RigModel, belief: Belief, target_cov: FloatArray, which: tuple[int, int]) -> str:
    """Return the source of the largest part of two figures' variance: those toward 3 o'clock and up."""
    rows = functionals(model, belief)[list(which)]
    parts = np.zeros(len(SOURCES))
    for line in budget(model, belief, rows, freedom=1e6):
        parts += np.square(line.parts)
    of_target = float(target_cov[which[0], which[0]] + target_cov[which[1], which[1]])
    named: dict[str, float] = dict(zip(SOURCES, parts.tolist(), strict=True))
    named["target"] = of_target
    return max(named, key=named.__getitem__)

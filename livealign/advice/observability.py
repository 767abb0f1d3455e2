"""What a rig or a rotation cannot tell, and what to add, in words."""

from collections.abc import Sequence

import numpy as np

from livealign.model.rig import POSE, FloatArray, RigModel
from livealign.units import Units, distance_words

__all__ = ["missing"]

_ANGLES = np.arange(8) * (np.pi / 4.0)
_RANK_TOLERANCE = 1e-9
_APART_M = {"mm": 0.1, "inch": 4 * 0.0254}
"""Distance between two planes that tells a slope well enough."""


def missing(
    model: RigModel,
    observable: tuple[bool, bool, bool, bool],
    arc_deg: float,
    *,
    read: Sequence[bool] | None = None,
    units: Units = "mm",
) -> tuple[str, ...]:
    """Return what is not known after a rotation, why, and what to add; nothing if all is known.

    Whether the rig, the detectors that brought readings, or the turn is to blame is told by the directions in which the
    pose could change without any reading changing, over a whole turn (the null space of the design).

    Args:
        model: the rig.
        observable: which of Y0, Y', Z0, Z' the rotation told.
        arc_deg: how far the shafts were turned.
        read: per detector, whether it brought readings that could be used; None: all did.
        units: for distances in words.
    """
    if all(observable):
        return ()
    everyone = range(len(model.detectors))
    used = [i for i in everyone if read is None or read[i]]
    blind = _unseen(model, everyone)
    if blind.size:
        return (_add_to_the_rig(model, blind, units), *_silent(model, everyone, used))
    if _unseen(model, used).size:
        return tuple(_silent(model, everyone, used))
    return (f"{arc_deg:.0f} deg covered: turn further, the more the better.",)


def _unseen(model: RigModel, detectors: Sequence[int]) -> FloatArray:
    """Return the (2, r) directions (offset, slope) in which the axis can move unseen; r = 0: none.

    Over a whole turn both planes are seen alike, so those of the vertical plane stand for both.
    """
    seen = [np.zeros((1, POSE))]
    for i in detectors:
        angles = _ANGLES + model.detectors[i].phase_rad
        rows = model.rows(i, np.sin(angles), np.cos(angles))[:, -POSE:]
        seen.append(rows - rows.mean(axis=0))  # its constant is not known
    vertical = np.concatenate(seen)[:, POSE // 2 :]
    _, s, vt = np.linalg.svd(vertical, full_matrices=True)
    kept = int(np.sum(s > _RANK_TOLERANCE))
    unseen: FloatArray = vt[kept:].T
    return unseen


def _add_to_the_rig(model: RigModel, unseen: FloatArray, units: Units) -> str:
    if unseen.shape[1] > 1:
        return "Nothing can be had: there is no detector. Add one on either shaft."
    offset, slope = unseen[:, 0]
    if abs(slope) < _RANK_TOLERANCE:
        return (
            "The offset cannot be had: indicators on a face see the slope only. "
            "Add an indicator on a rim, or a light detector."
        )
    # The axis may pivot about the one point of it that is seen.
    pivot = -float(offset / slope)
    what = "The slope" if abs(pivot) < _RANK_TOLERANCE else "The slope, and the offset at the coupling,"
    if len(model.detectors) == 1:
        return f"{what} cannot be had: there is only one detector. Add one on the other shaft, or at a second depth."
    both = "both" if len(model.detectors) == 2 else "all"
    return (
        f"{what} cannot be had: {both} detectors look at the same plane, {_place(pivot, units)}. "
        f"Set one head at least {distance_words(_APART_M[units], units)} from the other, or add an indicator on a face."
    )


def _place(x_m: float, units: Units) -> str:
    if abs(x_m) < _RANK_TOLERANCE:
        return "at the coupling's centre"
    side = "movable" if x_m > 0 else "stationary"
    return f"{distance_words(abs(x_m), units)} from the coupling on the {side} machine's side"


def _silent(model: RigModel, everyone: Sequence[int], used: Sequence[int]) -> list[str]:
    return [
        f"{model.detectors[i].name} brought no reading that can be used: check its link and its flags, then turn again."
        for i in everyone
        if i not in used
    ]

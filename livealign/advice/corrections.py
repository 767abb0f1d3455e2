"""The moves that bring the movable axis to where it is wanted, and the gap at the coupling."""

import numpy as np

from livealign.advice import words
from livealign.model.belief import Belief
from livealign.model.rig import FloatArray, RigModel
from livealign.snapshot import Foot, PlanePose, Pose

__all__ = ["feet_moves", "gap_mm", "pose_of", "unknown_feet"]


def pose_of(belief: Belief) -> Pose:
    """Return the pose with standard uncertainties in mm and mm/m; None where it cannot be known."""
    mm = 1e3 * belief.pose
    u = 1e3 * np.sqrt(np.diag(belief.pose_cov))

    def pair(i: int) -> tuple[float | None, float | None]:
        return (round(float(mm[i]), 6), round(float(u[i]), 6)) if belief.observable[i] else (None, None)

    return Pose(vertical=PlanePose(*pair(2), *pair(3)), horizontal=PlanePose(*pair(0), *pair(1)))


def gap_mm(belief: Belief, diameter_m: float, *, vertical: bool) -> float | None:
    """Return the coupling gap over a diameter: top minus bottom, or 3 minus 9 o'clock."""
    slope = 3 if vertical else 1
    return round(-1e3 * diameter_m * float(belief.pose[slope]), 6) if belief.observable[slope] else None


def feet_moves(
    model: RigModel, names: tuple[str, ...], belief: Belief, target: FloatArray, units: str
) -> tuple[Foot, ...]:
    """Return the move at every foot plane: target line minus present line, up and toward 3 o'clock positive.

    Args:
        model: gives the foot planes and, with the belief, their uncertainty.
        names: of the foot planes.
        belief: the present pose.
        target: (4,) wanted pose Y0, Y', Z0, Z' in m and rad.
        units: "mm" or "inch", for the words.
    """
    n = len(names)
    gap = target - belief.pose
    across = 1e3 * (gap[0] + gap[1] * model.feet_x_m)
    up = 1e3 * (gap[2] + gap[3] * model.feet_x_m)
    u = 1e3 * np.sqrt(np.diag(belief.feet_cov(model)))
    knows_across, knows_up = all(belief.observable[:2]), all(belief.observable[2:])
    feet = []
    for i, name in enumerate(names):
        v, vu = (round(float(up[i]), 6), round(float(u[n + i]), 6)) if knows_up else (None, None)
        h, hu = (round(float(across[i]), 6), round(float(u[i]), 6)) if knows_across else (None, None)
        x_mm = round(1e3 * float(model.feet_x_m[i]), 6)
        feet.append(
            Foot(name, x_mm, v, vu, h, hu, words.vertical_move(v, units), words.horizontal_move(h, units))
        )
    return tuple(feet)


def unknown_feet(model: RigModel, names: tuple[str, ...]) -> tuple[Foot, ...]:
    """Return the foot planes before any pose is known."""
    return tuple(Foot(name, round(1e3 * float(x), 6)) for name, x in zip(names, model.feet_x_m, strict=True))

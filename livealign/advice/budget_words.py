"""The uncertainty budget in words: which part is the largest, and what would shrink it."""

import math

import numpy as np

from livealign.model.belief import Belief
from livealign.model.budget import SOURCES, budget, expansion, functionals
from livealign.model.rig import POSE, FloatArray, RigModel
from livealign.snapshot import BudgetLine, BudgetPart

__all__ = ["budget_lines"]

_REMEDY = {
    "readings": "turn further or once more, slowly; steady the rig",
    "angle zeros": "find each head's angle zero by reversal, and state it",
    "gains": "calibrate the detectors against known steps",
    "distances": "measure the distances between heads, coupling and feet more closely",
    "bracket sag": "measure the bracket's sag on a stiff bar again",
    "target": "find the growth more closely, best by a reading when hot",
}


def budget_lines(
    model: RigModel,
    belief: Belief,
    freedom: float,
    *,
    feet: tuple[str, ...],
    diameter_m: float,
    target_cov: FloatArray,
) -> tuple[BudgetLine, ...]:
    """Return the budget of offsets, slopes, gap and every foot; of what is observable only.

    Args:
        model: the rig.
        belief: pose and what it depends on.
        freedom: degrees of freedom of the readings' part.
        feet: names of the foot planes.
        diameter_m: of the coupling, for the gap.
        target_cov: (4, 4) of the target that moves at the feet are reckoned from.
    """
    rows = functionals(model, belief)
    budgets = budget(model, belief, rows, freedom)
    y0, y1, z0, z1 = belief.observable
    n, k = len(feet), belief.constants
    wanted = [
        ("vertical offset", "mm", 1e3, 2, z0),
        ("vertical slope", "mm/m", 1e3, 3, z1),
        ("horizontal offset", "mm", 1e3, 0, y0),
        ("horizontal slope", "mm/m", 1e3, 1, y1),
        ("vertical gap", "mm", 1e3 * diameter_m, 3, z1),
        ("horizontal gap", "mm", 1e3 * diameter_m, 1, y1),
        *((f"{name}, vertical", "mm", 1e3, 4 + n + i, z0 and z1) for i, name in enumerate(feet)),
        *((f"{name}, horizontal", "mm", 1e3, 4 + i, y0 and y1) for i, name in enumerate(feet)),
    ]
    growth = np.sqrt(
        np.maximum(np.einsum("fi,ij,fj->f", rows[:, k : k + POSE], target_cov, rows[:, k : k + POSE]), 0.0)
    )
    lines = []
    for quantity, unit, factor, index, known in wanted:
        if not known:
            continue
        b = budgets[index]
        parts: dict[str, float] = dict(zip(SOURCES, b.parts, strict=True))
        if index >= POSE:
            parts["target"] = float(growth[index])
        u = math.hypot(*parts.values())
        largest = max(parts, key=parts.__getitem__)
        told = tuple(
            BudgetPart(source, round(factor * part, 6)) for source, part in parts.items() if part > 0.0
        )
        k95 = float(expansion(u**2, b.parts[0] ** 2, freedom))
        lines.append(
            BudgetLine(quantity, unit, round(factor * u, 6), round(k95, 3), told, largest, _REMEDY[largest])
        )
    return tuple(lines)

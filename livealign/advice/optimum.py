"""Linear programs, with and without whole numbers: a typed door to scipy's HiGHS, which is loaded when first used."""

from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np

from livealign.model.rig import FloatArray

__all__ = ["Method", "Optimum", "least", "least_whole"]

Method: TypeAlias = Literal["highs", "highs-ds", "highs-ipm"]

_LONGEST_S = 3.0
"""After which the best choice of whole numbers found so far is taken, and said to be unproven."""


@dataclass(frozen=True, slots=True, eq=False)
class Optimum:
    """The least value of a linear program, and where it is taken."""

    x: FloatArray
    value: float
    rows_bind: FloatArray
    """How fast the value would fall if a row's limit were loosened; 0 where it does not bind. Empty for whole numbers."""
    proven: bool = True


def least(
    cost: FloatArray,
    rows: FloatArray,
    limits: FloatArray,
    *,
    low: FloatArray | None = None,
    method: Method = "highs",
) -> Optimum | None:
    """Return the x with rows @ x <= limits and x >= low that makes cost @ x least; None if there is no such x.

    Args:
        cost: (n,).
        rows: (m, n).
        limits: (m,); rows with an infinite limit are left out.
        low: (n,) least values; None: x is free.
        method: how it is solved.

    Raises:
        ValueError: if the cost can fall without end.
    """
    from scipy.optimize import linprog  # noqa: PLC0415  it takes long to load

    kept = np.isfinite(limits)
    bounds = [(None, None)] * cost.size if low is None else [(float(v), None) for v in low]
    found = linprog(cost, A_ub=rows[kept], b_ub=limits[kept], bounds=bounds, method=method)
    if found.status == 3:
        raise ValueError("the cost falls without end")
    if found.status != 0:
        return None
    bind = np.zeros(limits.size)
    bind[kept] = -np.asarray(found.ineqlin.marginals)
    return Optimum(np.asarray(found.x), float(found.fun), bind)


def least_whole(
    cost: FloatArray,
    rows: FloatArray,
    low: FloatArray,
    high: FloatArray,
    *,
    most: FloatArray,
    whole: FloatArray,
) -> Optimum | None:
    """Return the x with low <= rows @ x <= high and 0 <= x <= most that makes cost @ x least; None if there is none.

    Args:
        cost: (n,).
        rows: (m, n).
        low: (m,).
        high: (m,).
        most: (n,) greatest values.
        whole: (n,) 1 where x must be a whole number, 0 elsewhere.
    """
    from scipy.optimize import milp  # noqa: PLC0415
    from scipy.sparse import csr_array  # noqa: PLC0415

    found = milp(
        cost,
        integrality=whole,
        bounds=(np.zeros(cost.size), most),
        constraints=[(csr_array(rows), low, high)],
        options={"mip_rel_gap": 0.0, "time_limit": _LONGEST_S},
    )
    if found.x is None:
        return None
    return Optimum(np.asarray(found.x), float(found.fun), np.zeros(0), proven=found.status == 0)

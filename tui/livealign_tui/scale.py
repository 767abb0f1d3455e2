"""Axes with round marks that stand in the middle of rows, so that zero and every mark are exact."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["RowAxis", "row_axis", "step_above"]


@dataclass(frozen=True, slots=True)
class RowAxis:
    """Where values come to stand, in rows counted from the top."""

    zero: int
    """Row of zero."""
    tall: int
    """Rows from one mark to the next."""
    step: float
    """From one mark to the next."""
    rows: int

    def dot(self, value: float) -> int:
        """Return the half row of a value, kept inside the rows."""
        at = math.floor(2 * self.zero + 1 - 2 * self.tall * value / self.step)
        return min(max(at, 0), 2 * self.rows - 1)

    def marks(self) -> list[tuple[int, float]]:
        """Return the row and the value of each mark."""
        return [
            (row, (self.zero - row) // self.tall * self.step)
            for row in range(self.rows)
            if (self.zero - row) % self.tall == 0
        ]


def step_above(value: float) -> float:
    """Return the smallest of 1, 2, 5 times a power of ten that is not below `value` (> 0)."""
    power = 10.0 ** math.floor(math.log10(value))
    for factor in (1.0, 2.0, 5.0):
        if factor * power >= value * (1 - 1e-9):
            return factor * power
    return 10.0 * power


def row_axis(low: float, high: float, rows: int, talls: Sequence[int]) -> RowAxis:
    """Return the finest axis on which `low` <= 0 and `high` >= 0 find room.

    Args:
        low: least value, at most 0.
        high: greatest value, at least 0, and above `low`.
        rows: how many there are, at least 3.
        talls: rows allowed from one mark to the next.
    """
    finest = (high - low) / (rows - 1)
    steps = [step_above(finest * tall) for tall in talls]
    # One of these has room: ten times the finest needs three rows at most.
    choices = [(s * grown, t) for s, t in zip(steps, talls, strict=True) for grown in (1, 2, 2.5, 5, 10)]
    for step, tall in sorted(choices, key=lambda choice: choice[0] / choice[1]):
        per_row = step / tall
        above, below = math.ceil(high / per_row - 0.5), math.ceil(-low / per_row - 0.5)
        if above + below < rows and f"{step:e}"[0] in "125":
            return RowAxis(above + (rows - 1 - above - below) // 2, tall, step, rows)
    return RowAxis(rows // 2, 1, step_above(high - low), rows)

"""What a person does with the moves that the program tells: whole shims, and pushes as fine as a dial shows."""

from collections.abc import Iterator, Sequence
from typing import Literal

from livealign.errors import PersonError
from livealign.snapshot import Foot, Plane

__all__ = ["GOOD_ENOUGH_MM", "Tool", "moves", "wanted", "worst_mm"]

_SHIM_STEP_MM = 0.02
_SHIFT_STEP_MM = 0.01
GOOD_ENOUGH_MM = 0.03

Tool = Literal["shim", "shift"]


def wanted(foot: Foot, plane: Plane) -> float | None:
    """Return the move of a foot plane in mm; None: not known."""
    return foot.vertical_mm if plane == "vertical" else foot.horizontal_mm


def worst_mm(feet: Sequence[Foot], plane: Plane) -> float:
    """Return the greatest move that is told."""
    return max((abs(wanted(f, plane) or 0.0) for f in feet), default=0.0)


def moves(feet: Sequence[Foot], plane: Plane) -> Iterator[tuple[Tool, Foot, float]]:
    """Yield what is done, at which foot plane, and by how many mm, where that is anything at all.

    Raises:
        PersonError: if no move is known for a foot plane.
    """
    tool: Tool = "shim" if plane == "vertical" else "shift"
    step = _SHIM_STEP_MM if plane == "vertical" else _SHIFT_STEP_MM
    for foot in feet:
        move = wanted(foot, plane)
        if move is None:
            raise PersonError(f"no move is known for the {foot.name}", where="service")
        amount = round(round(move / step) * step, 6)
        if amount:
            yield tool, foot, amount

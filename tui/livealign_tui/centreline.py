"""Both shafts' centrelines on squared paper, the handbooks' graphical method."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

from livealign.snapshot import Foot, Plane, PlanePose
from livealign_tui.canvas import Canvas
from livealign_tui.drawing import Drawing
from livealign_tui.scale import RowAxis, row_axis, step_above
from livealign_tui.words import Units, number, units_of

__all__ = ["Centreline"]

_MARGIN = 8
_LEAST_MM = 0.02
_TOP = 1
"""Row in which the paper begins, below the title."""
_TITLE: dict[Plane, str] = {"vertical": "up and down", "horizontal": "sideways, up is 3 o'clock"}


@dataclass(frozen=True, slots=True)
class _Paper:
    """Where things come to stand: lengths in mm, heights in the person's unit."""

    left_mm: float
    right_mm: float
    wide: int
    along_mm: float
    axis: RowAxis

    @property
    def level(self) -> int:
        """Row of the stationary axis."""
        return _TOP + self.axis.zero

    def column(self, x_mm: float) -> int:
        """Return the column of a point along the shafts."""
        return _MARGIN + round((x_mm - self.left_mm) / (self.right_mm - self.left_mm) * (self.wide - 1))

    def dot(self, height: float) -> int:
        """Return the half row of a height."""
        return 2 * _TOP + self.axis.dot(height)


class Centreline(Drawing):
    """One plane: the stationary axis level, the movable one as it lies, coupling and feet marked."""

    KINDS: ClassVar[tuple[str, ...]] = ("stationary", "movable", "found", "paper", "mark", "axis")
    COMPONENT_CLASSES: ClassVar[set[str]] = {f"drawing--{kind}" for kind in KINDS}
    DEFAULT_CSS = """
    Centreline { height: 1fr; width: 1fr; }
    Centreline > .drawing--stationary { color: $quiet; }
    Centreline > .drawing--movable { color: $foreground; }
    Centreline > .drawing--found { color: $found; }
    Centreline > .drawing--paper { color: $ruling; }
    Centreline > .drawing--mark { color: $foreground; }
    Centreline > .drawing--axis { color: $quiet; }
    """

    def __init__(self, plane: Plane, *, id: str | None = None) -> None:  # noqa: A002 - Textual's name
        super().__init__(id=id)
        self._plane: Plane = plane
        self._pose, self._found = PlanePose(), PlanePose()
        self._feet: tuple[tuple[str, float], ...] = ()
        self._units: Units = units_of("mm")

    def show(self, pose: PlanePose, found: PlanePose, feet: Sequence[Foot], units: Units) -> None:
        """Show this pose over the one found first."""
        marks = tuple((foot.name, foot.x_mm) for foot in feet)
        new = (pose, found, marks, units)
        if new != (self._pose, self._found, self._feet, self._units):
            self._pose, self._found, self._feet, self._units = new
            self.redraw()

    def draw(self, width: int, height: int) -> Canvas:
        """Return the graph for this size; too little room leaves it out."""
        canvas = Canvas(width, height)
        if height < 6 or width < _MARGIN + 21:
            return canvas
        canvas.text(1, 0, _TITLE[self._plane], "mark")
        if self._found != self._pose and _is_known(self._found):
            canvas.text(3 + len(_TITLE[self._plane]), 0, "as found", "found")
        known = [pose for pose in (self._found, self._pose) if _is_known(pose)]
        paper = self._paper(width, height, known)
        self._rule(canvas, paper)
        before = paper.column(0) - paper.column(paper.left_mm)
        canvas.text(paper.column(paper.left_mm), paper.level, "═" * before, "stationary")
        for pose in known:
            kind = "movable" if pose == self._pose else "found"
            ends = [
                (paper.column(x), paper.dot(_height(pose, x) * self._units.per_mm))
                for x in (0.0, paper.right_mm)
            ]
            canvas.line(ends[0], ends[1], kind)
        if not known:
            canvas.text(paper.column(0) + 2, paper.level - 1, "not known", "axis")
        marks = [("coupling", paper.column(0)), *((name, paper.column(x)) for name, x in self._feet)]
        self._marks(canvas, _TOP + paper.axis.rows, marks)
        if height > 6:
            canvas.text(1, height - 1, self._scale_words(paper), "axis")
        return canvas

    def _paper(self, width: int, height: int, known: Sequence[PlanePose]) -> _Paper:
        """Return the squares on which all that is known finds room."""
        reach = max([abs(x) for _, x in self._feet] or [100.0])
        # Title, axis and names take three rows, the scale one more.
        rows = height - (4 if height > 6 else 3)
        heights = [_height(pose, x) * self._units.per_mm for pose in known for x in (0.0, reach)]
        least = _LEAST_MM * self._units.per_mm
        # A square is two rows high, or one where rows are few.
        axis = row_axis(min([*heights, -least]), max([*heights, least]), rows, (2,) if rows >= 7 else (1,))
        left, right, wide = -0.3 * reach, 1.06 * reach, width - _MARGIN - 1
        inch = 1.0 if self._units.length == "mm" else 25.4
        along = step_above((right - left) * 4 / wide / inch) * inch
        return _Paper(left, right, wide, along, axis)

    @staticmethod
    def _rule(canvas: Canvas, paper: _Paper) -> None:
        square = paper.axis.step
        decimals = 3 if square < 0.01 else 2 if square < 0.1 else 1 if square < 1 else 0
        first = math.ceil(paper.left_mm / paper.along_mm)
        crossings = range(first, math.floor(paper.right_mm / paper.along_mm) + 1)
        columns = [paper.column(i * paper.along_mm) for i in crossings]
        for row, value in paper.axis.marks():
            canvas.text(0, _TOP + row, number(value, decimals).rjust(_MARGIN - 1), "axis")
            canvas.paper(_MARGIN, _TOP + row, ("·" if value else "─") * paper.wide, "paper")
        for row in range(paper.axis.rows):
            for x in columns:
                canvas.paper(x, _TOP + row, "│" if _TOP + row != paper.level else "┼", "paper")

    @staticmethod
    def _marks(canvas: Canvas, at: int, marks: Sequence[tuple[str, int]]) -> None:
        for x in range(_MARGIN, canvas.width):
            canvas.text(x, at, "─", "axis")
        free_from = 0
        for i, (name, x) in enumerate(marks):
            canvas.text(x, at, "╫" if i == 0 else "┴", "mark")
            start = max(free_from, min(x - len(name) // 2, canvas.width - len(name)))
            following = marks[i + 1][1] if i + 1 < len(marks) else canvas.width
            room = max(following - start - 1, 4) if i + 1 < len(marks) else len(name)
            said = name[:room]
            canvas.text(start, at + 1, said, "axis")
            free_from = start + len(said) + 1

    def _scale_words(self, paper: _Paper) -> str:
        """Return the size of a square, and how much larger heights are drawn than lengths."""
        per_dot_mm = paper.axis.step / paper.axis.tall / self._units.per_mm / 2
        magnified = (paper.right_mm - paper.left_mm) / (paper.wide - 1) / per_dot_mm
        along = f"{paper.along_mm:g} mm" if self._units.length == "mm" else f"{paper.along_mm / 25.4:g} in"
        square = f"{paper.axis.step:g} {self._units.length}"
        if paper.wide < 55:
            return f"square {square} x {along}; height {magnified:.0f} x"
        return f"a square: {square} high, {along} long; heights magnified {magnified:.0f} times"


def _is_known(pose: PlanePose) -> bool:
    return pose.offset_mm is not None and pose.slope_mm_per_m is not None


def _height(pose: PlanePose, x_mm: float) -> float:
    return (pose.offset_mm or 0.0) + (pose.slope_mm_per_m or 0.0) * x_mm / 1000

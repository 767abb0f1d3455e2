"""Values against time, with the band in which the true value lies (95 %)."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import ClassVar

from livealign_tui.canvas import Canvas
from livealign_tui.drawing import Drawing
from livealign_tui.history import SPAN_S, Point
from livealign_tui.scale import RowAxis, row_axis
from livealign_tui.words import Units, expanded, number, units_of

__all__ = ["StripChart"]

_MARGIN = 9
_FINAL = 16
"""Columns of the mark at the value where the machine is heading."""
_LONGEST_GAP_S = 2.0
_LEAST_SPAN_MM = 0.02


@dataclass(slots=True)
class _Column:
    """What one column of the chart shows, in the person's unit."""

    value: float
    low: float
    high: float


class StripChart(Drawing):
    """The last minute of one value: line, band, zero, and the value aimed at."""

    KINDS: ClassVar[tuple[str, ...]] = ("line", "band", "aim", "final", "axis", "paper")
    COMPONENT_CLASSES: ClassVar[set[str]] = {f"drawing--{kind}" for kind in KINDS}
    DEFAULT_CSS = """
    StripChart { height: 1fr; min-height: 4; }
    StripChart > .drawing--line { color: $foreground; }
    StripChart > .drawing--band { color: $band; }
    StripChart > .drawing--aim { color: $aim; }
    StripChart > .drawing--final { color: $foreground; text-style: bold; }
    StripChart > .drawing--axis { color: $quiet; }
    StripChart > .drawing--paper { color: $ruling; }
    """

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 - Textual's name
        super().__init__(id=id)
        self._points: Sequence[Point] = ()
        self._now_s = 0.0
        self._units: Units = units_of("mm")
        self._aim_mm: float | None = None
        self._final_mm: float | None = None

    def show(
        self,
        points: Sequence[Point],
        now_s: float,
        units: Units,
        aim_mm: float | None = None,
        final_mm: float | None = None,
    ) -> None:
        """Show these points up to `now_s`; `aim_mm` is drawn where it is not zero, `final_mm` is where they are heading."""
        self._points, self._now_s, self._units = points, now_s, units
        self._aim_mm, self._final_mm = aim_mm, final_mm
        self.redraw()

    def draw(self, width: int, height: int) -> Canvas:
        """Return the chart for this size."""
        canvas = Canvas(width, height, ground="band")
        wide, rows = width - _MARGIN, height - 1
        if wide < 10 or rows < 4:
            return canvas
        columns = self._columns(wide)
        axis = self._axis(columns, rows)
        self._rule(canvas, axis)
        if self._aim_shown():
            aim = axis.dot((self._aim_mm or 0.0) * self._units.per_mm) // 2
            canvas.paper(_MARGIN, aim, ("aim " + "-- " * width)[:wide], "aim")
        before: int | None = None
        for x, column in enumerate(columns, start=_MARGIN):
            if column is None:
                before = None
                continue
            canvas.bar(x, axis.dot(column.high), axis.dot(column.low), "band")
            here = axis.dot(column.value)
            start = here if before is None else before + (here > before) - (here < before)
            canvas.bar(x, min(start, here), max(start, here), "line")
            before = here
        if self._final_mm is not None:
            final = axis.dot(self._final_mm * self._units.per_mm) // 2
            canvas.paper(width - _FINAL, final, "- " * (_FINAL // 2), "final")
            canvas.text(width - 1, final, "<", "final")
        return canvas

    def _aim_shown(self) -> bool:
        return (
            self._aim_mm is not None
            and abs(self._aim_mm * self._units.per_mm) > 0.5 * 10.0**-self._units.decimals
        )

    def _columns(self, wide: int) -> list[_Column | None]:
        """Return the points pooled into columns of equal time, the newest at the right."""
        dt = SPAN_S / wide
        newest = math.floor(self._now_s / dt)
        columns: list[_Column | None] = [None] * wide
        last: _Column | None = None
        last_i, last_s = 0, 0.0
        for point in self._points:
            i = math.floor(point.time_s / dt) - newest + wide - 1
            if i < 0 or i >= wide:
                continue
            if last is not None and point.time_s - last_s <= _LONGEST_GAP_S:
                for between in range(last_i + 1, i):
                    columns[between] = last
            last = self._pooled(columns[i], point)
            columns[i] = last
            last_i, last_s = i, point.time_s
        return columns

    def _pooled(self, column: _Column | None, point: Point) -> _Column | None:
        if point.value_mm is None:
            return None
        value = point.value_mm * self._units.per_mm
        spread = (expanded(point.u_mm) or 0.0) * self._units.per_mm
        if column is None:
            return _Column(value, value - spread, value + spread)
        return _Column(value, min(column.low, value - spread), max(column.high, value + spread))

    def _axis(self, columns: Sequence[_Column | None], rows: int) -> RowAxis:
        """Return the axis: all values, zero and the aim, and the band as it mostly is."""
        shown = [column for column in columns if column is not None]
        values = [0.0, *(column.value for column in shown)]
        values += [mm * self._units.per_mm for mm in (self._aim_mm, self._final_mm) if mm is not None]
        if shown:
            spread = median((column.high - column.low) / 2 for column in shown)
            values += [shown[-1].low, shown[-1].high, shown[-1].value - spread, shown[-1].value + spread]
        low, high = min(values), max(values)
        lack = _LEAST_SPAN_MM * self._units.per_mm - (high - low)
        if lack > 0:
            low, high = low - lack / 2, high + lack / 2
        return row_axis(low, high, rows, (2, 3, 4) if rows > 5 else (1, 2))

    def _rule(self, canvas: Canvas, axis: RowAxis) -> None:
        """Draw the axis, its numbers, zero, and the time below."""
        decimals = max(0, -math.floor(math.log10(axis.step) + 1e-9))
        wide = canvas.width - _MARGIN
        for at in range(axis.rows):
            canvas.text(_MARGIN - 1, at, "│", "axis")
        for at, value in axis.marks():
            canvas.text(0, at, number(value, decimals).rjust(_MARGIN - 2), "axis")
            canvas.paper(_MARGIN, at, "─" * wide if at == axis.zero else ("·     " * wide)[:wide], "paper")
        canvas.text(0, axis.rows, self._units.length.rjust(_MARGIN - 2), "axis")
        for back_s in (60, 40, 20):
            canvas.text(_MARGIN + round(wide * (1 - back_s / SPAN_S)), axis.rows, f"-{back_s} s", "axis")
        canvas.text(canvas.width - 3, axis.rows, "now", "axis")

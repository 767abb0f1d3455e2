"""What each pooled reading is off the fit, against the angle; wrong readings and a bent fit show here."""

from collections.abc import Sequence
from typing import ClassVar

from livealign.snapshot import Residual
from livealign_tui.canvas import Canvas
from livealign_tui.drawing import Drawing
from livealign_tui.ribbon import MARGIN, angle_column
from livealign_tui.scale import step_above
from livealign_tui.words import Units, units_of

__all__ = ["ResidualStrip"]

_LEAST_MM = 0.002


class ResidualStrip(Drawing):
    """Residuals in the ribbon's scale of angles; a cross is a reading left out."""

    KINDS: ClassVar[tuple[str, ...]] = ("first", "second", "out", "zero", "axis")
    COMPONENT_CLASSES: ClassVar[set[str]] = {f"drawing--{kind}" for kind in KINDS}
    DEFAULT_CSS = """
    ResidualStrip { height: 1fr; }
    ResidualStrip > .drawing--first { color: $foreground; }
    ResidualStrip > .drawing--second { color: $ink; }
    ResidualStrip > .drawing--out { color: $not-conforming; text-style: bold; }
    ResidualStrip > .drawing--zero { color: $ruling; }
    ResidualStrip > .drawing--axis { color: $quiet; }
    """

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 - Textual's name
        super().__init__(id=id)
        self._residuals: Sequence[Residual] = ()
        self._units: Units = units_of("mm")

    def show(self, residuals: Sequence[Residual], units: Units) -> None:
        """Show these residuals."""
        if residuals != self._residuals or units != self._units:
            self._residuals, self._units = residuals, units
            self.redraw()

    def draw(self, width: int, height: int) -> Canvas:
        """Return the strip for this size; too little room leaves it out."""
        canvas = Canvas(width, height)
        if height < 4 or width < 40 or not self._residuals:
            return canvas
        used = [abs(r.residual_mm) for r in self._residuals if r.used]
        limit = step_above(max(*used, _LEAST_MM) if used else _LEAST_MM) * self._units.per_mm
        rows = height - 1
        detectors = sorted({r.detector for r in self._residuals})
        self._title(canvas, detectors, limit)
        for at, sign in ((1, "+"), (1 + rows // 2, "0"), (rows, "-")):
            canvas.text(MARGIN - 2, at, sign, "axis")
        canvas.paper(MARGIN, 1 + rows // 2, "─" * (width - 2 * MARGIN), "zero")
        middle = 2 * (1 + rows // 2) + 0.5
        for residual in self._residuals:
            share = max(-1.0, min(1.0, residual.residual_mm * self._units.per_mm / limit))
            x, y = (
                angle_column(residual.angle_deg, width),
                round(middle - share * (2 * ((rows - 1) // 2) + 0.5)),
            )
            if residual.used:
                canvas.dot(x, y, "first" if residual.detector == detectors[0] else "second")
            else:
                canvas.text(x, max(1, min(y // 2, rows)), "x", "out")
        return canvas

    def _title(self, canvas: Canvas, detectors: Sequence[str], limit: float) -> None:
        x = MARGIN
        parts = [(f"residuals, ± {limit:g} {self._units.length}", "axis")]
        parts += [(name, "first" if i == 0 else "second") for i, name in enumerate(detectors)]
        for text, kind in [*parts, ("x left out", "out")]:
            canvas.text(x, 0, text, kind)
            x += len(text) + 3

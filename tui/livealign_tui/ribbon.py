"""The turn unrolled: how much each direction has told, and where turning next pays most."""

from typing import ClassVar

from livealign.snapshot import RotationState
from livealign_tui.canvas import Canvas
from livealign_tui.drawing import Drawing

__all__ = ["MARGIN", "Ribbon", "angle_column"]

MARGIN = 5
"""Columns left free on either side; the residuals below keep to the same."""

_SECTORS = 36
_SHADES = " ░▒▓█"


def angle_column(angle_deg: float, width: int) -> int:
    """Return the column that stands for an angle of the turn in a widget of this width."""
    wide = width - 2 * MARGIN
    return MARGIN + min(int((angle_deg % 360.0) / 360.0 * wide), wide - 1)


def _shade(share: float) -> str:
    """Return the shade of a sector; only nothing is blank."""
    if share <= 0:
        return _SHADES[0]
    return _SHADES[min(1 + int(share * 4), 4)]


class Ribbon(Drawing):
    """0 to 360 deg from left to right: scale, shade, readings left out, caret."""

    KINDS: ClassVar[tuple[str, ...]] = ("ink", "edge", "axis", "out", "caret")
    COMPONENT_CLASSES: ClassVar[set[str]] = {f"drawing--{kind}" for kind in KINDS}
    DEFAULT_CSS = """
    Ribbon { height: 5; }
    Ribbon > .drawing--ink { color: $ink; background: $panel; }
    Ribbon > .drawing--edge { color: $quiet; }
    Ribbon > .drawing--axis { color: $quiet; }
    Ribbon > .drawing--out { color: $not-conforming; text-style: bold; }
    Ribbon > .drawing--caret { color: $foreground; text-style: bold; }
    """

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 - Textual's name
        super().__init__(id=id)
        self._rotation = RotationState()

    def show(self, rotation: RotationState) -> None:
        """Show this state of the sweep."""
        if rotation != self._rotation:
            self._rotation = rotation
            self.redraw()

    def draw(self, width: int, height: int) -> Canvas:
        """Return the ribbon for this size: the more lines, the thicker."""
        canvas = Canvas(width, height)
        wide = width - 2 * MARGIN
        if wide < _SECTORS or height < 4:
            return canvas
        for angle in range(0, 361, 60):
            canvas.text(MARGIN + round(angle / 360 * wide) - len(str(angle)) // 2, 0, str(angle), "axis")
        canvas.text(1, 0, "deg", "axis")
        thick = height - 3
        covered = self._rotation.covered
        for at in range(1, 1 + thick):
            canvas.text(MARGIN - 1, at, "│", "edge")
            canvas.text(MARGIN + wide, at, "│", "edge")
            for i in range(wide):
                sector = i * _SECTORS // wide
                share = covered[sector] if sector < len(covered) else 0.0
                canvas.text(MARGIN + i, at, _shade(share), "ink")
        for residual in self._rotation.residuals:
            if not residual.used:
                canvas.text(angle_column(residual.angle_deg, width), 1 + thick, "•", "out")
        self._caret(canvas, 2 + thick)
        return canvas

    def _caret(self, canvas: Canvas, at: int) -> None:
        angle = self._rotation.next_angle_deg
        if angle is None:
            return
        x = angle_column(angle, canvas.width)
        said = f"{angle % 360:.0f} deg: a reading here helps most"
        canvas.text(x, at, "^", "caret")
        after = x + 2 + len(said) <= canvas.width
        canvas.text(x + 2 if after else x - 1 - len(said), at, said, "axis")

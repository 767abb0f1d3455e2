"""Numbers that are read from two metres away."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

from livealign_tui.canvas import Canvas
from livealign_tui.drawing import Drawing

__all__ = ["BigDigits", "BigNumber"]

# Five by seven dots a figure, each line a string of columns.
_FIGURES = {
    "0": (" ### ", "#   #", "#   #", "#   #", "#   #", "#   #", " ### "),
    "1": ("  #  ", " ##  ", "  #  ", "  #  ", "  #  ", "  #  ", " ### "),
    "2": (" ### ", "#   #", "    #", "  ## ", " #   ", "#    ", "#####"),
    "3": (" ### ", "#   #", "    #", "  ## ", "    #", "#   #", " ### "),
    "4": ("   # ", "  ## ", " # # ", "#  # ", "#####", "   # ", "   # "),
    "5": ("#####", "#    ", "#### ", "    #", "    #", "#   #", " ### "),
    "6": (" ### ", "#    ", "#    ", "#### ", "#   #", "#   #", " ### "),
    "7": ("#####", "    #", "   # ", "   # ", "  #  ", "  #  ", "  #  "),
    "8": (" ### ", "#   #", "#   #", " ### ", "#   #", "#   #", " ### "),
    "9": (" ### ", "#   #", "#   #", " ####", "    #", "    #", " ### "),
    "+": ("     ", "  #  ", "  #  ", "#####", "  #  ", "  #  ", "     "),
    "-": ("     ", "     ", "     ", "#####", "     ", "     ", "     "),
    ".": (" ", " ", " ", " ", " ", " ", "#"),
    "?": (" ### ", "#   #", "    #", "   # ", "  #  ", "     ", "  #  "),
}


@dataclass(frozen=True, slots=True)
class BigNumber:
    """A number in figures, with the words over it and the unit beside it."""

    title: str
    figures: str
    """Digits, sign and point; "?" where the number is not known."""
    unit: str


class BigDigits(Drawing):
    """A few numbers, one above the other, as large as the room allows."""

    KINDS: ClassVar[tuple[str, ...]] = ("digit", "title")
    COMPONENT_CLASSES: ClassVar[set[str]] = {f"drawing--{kind}" for kind in KINDS}
    DEFAULT_CSS = """
    BigDigits { height: 1fr; }
    BigDigits > .drawing--digit { color: $foreground; }
    BigDigits > .drawing--title { color: $foreground; text-style: bold; }
    """

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 - Textual's name
        super().__init__(id=id)
        self._numbers: tuple[BigNumber, ...] = ()

    def show(self, numbers: Sequence[BigNumber]) -> None:
        """Show these numbers."""
        new = tuple(numbers)
        if new != self._numbers:
            self._numbers = new
            self.redraw()

    def draw(self, width: int, height: int) -> Canvas:
        """Return the numbers for this size."""
        canvas = Canvas(width, height)
        if not self._numbers:
            return canvas
        dots = max(1, min(self._fitting(number, width, height) for number in self._numbers))
        rows = (7 * dots + 1) // 2
        each = height // len(self._numbers)
        for i, number in enumerate(self._numbers):
            top = i * each + max(0, (each - rows - 1) // 2)
            canvas.text(2, top, number.title, "title")
            end = _figures(canvas, 2, top + 1, number.figures, dots)
            canvas.text(end + 1, top + rows, number.unit, "title")
        return canvas

    def _fitting(self, number: BigNumber, width: int, height: int) -> int:
        """Return how many half rows a dot may have, so that width and height suffice."""
        across = sum(len(_FIGURES[c][0]) + 1 for c in number.figures)
        by_width = (width - 4 - len(number.unit)) // max(across, 1)
        by_height = 2 * (height // len(self._numbers) - 1) // 7
        return min(by_width, by_height)


def _figures(canvas: Canvas, x: int, row: int, text: str, dots: int) -> int:
    """Draw the figures and return the column after them."""
    for c in text:
        pattern = _FIGURES[c]
        for j, line in enumerate(pattern):
            for i, mark in enumerate(line):
                if mark == "#":
                    for across in range(dots):
                        top = 2 * row + j * dots
                        canvas.bar(x + i * dots + across, top, top + dots - 1, "digit")
        x += (len(pattern[0]) + 1) * dots
    return x

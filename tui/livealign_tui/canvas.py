"""A grid of half-height dots and letters that becomes the lines of a widget."""

from collections.abc import Mapping

from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip

__all__ = ["Canvas"]


class Canvas:
    """Two dots a character cell, one above the other; letters stand over paper and under nothing.

    Every terminal font has the half blocks; where there is no colour the dots are still seen.
    """

    def __init__(self, width: int, height: int, *, ground: str = "") -> None:
        """Keep the size; paper is seen through dots of the kind `ground` too."""
        self.width = max(width, 0)
        self.height = max(height, 0)
        self._ground = ground
        self._dots: list[list[str]] = [[""] * self.width for _ in range(2 * self.height)]
        self._letters: dict[tuple[int, int], tuple[str, str]] = {}
        self._paper: dict[tuple[int, int], tuple[str, str]] = {}

    def dot(self, x: int, y: int, kind: str) -> None:
        """Set the dot in column `x`, half row `y` from the top; outside the grid nothing happens."""
        if 0 <= x < self.width and 0 <= y < 2 * self.height:
            self._dots[y][x] = kind

    def bar(self, x: int, top: int, bottom: int, kind: str) -> None:
        """Set the dots of one column from `top` to `bottom`, both included."""
        for y in range(max(top, 0), min(bottom, 2 * self.height - 1) + 1):
            self.dot(x, y, kind)

    def line(self, start: tuple[int, int], end: tuple[int, int], kind: str) -> None:
        """Set the dots of a straight line."""
        (x1, y1), (x2, y2) = start, end
        steps = max(abs(x2 - x1), abs(y2 - y1), 1)
        for i in range(steps + 1):
            self.dot(round(x1 + (x2 - x1) * i / steps), round(y1 + (y2 - y1) * i / steps), kind)

    def text(self, x: int, row: int, text: str, kind: str) -> None:
        """Write text over whatever is there; what does not fit is cut."""
        self._write(self._letters, x, row, text, kind)

    def paper(self, x: int, row: int, text: str, kind: str) -> None:
        """Write text that any dot or letter covers."""
        self._write(self._paper, x, row, text, kind)

    def _write(
        self, layer: dict[tuple[int, int], tuple[str, str]], x: int, row: int, text: str, kind: str
    ) -> None:
        if 0 <= row < self.height:
            for i, c in enumerate(text):
                if 0 <= x + i < self.width:
                    layer[x + i, row] = (c, kind)

    def strips(self, styles: Mapping[str, Style]) -> list[Strip]:
        """Return the lines, each as wide as the grid; `styles` has one for every kind, and "" for nothing."""
        blended: dict[tuple[str, str], Style] = {}
        return [self._strip(row, styles, blended) for row in range(self.height)]

    def _strip(self, row: int, styles: Mapping[str, Style], blended: dict[tuple[str, str], Style]) -> Strip:
        segments: list[Segment] = []
        run, run_style = "", styles[""]
        tops, bottoms = self._dots[2 * row], self._dots[2 * row + 1]
        for x in range(self.width):
            c, style = self._cell((x, row), (tops[x], bottoms[x]), styles, blended)
            if style is not run_style and run:
                segments.append(Segment(run, run_style))
                run = ""
            run_style = style
            run += c
        if run:
            segments.append(Segment(run, run_style))
        return Strip(segments, self.width)

    def _cell(
        self,
        at: tuple[int, int],
        dots: tuple[str, str],
        styles: Mapping[str, Style],
        blended: dict[tuple[str, str], Style],
    ) -> tuple[str, Style]:
        top, bottom = dots
        letter = self._letters.get(at)
        if letter is not None:
            return letter[0], styles[letter[1]]
        paper = self._paper.get(at) if top == bottom and top in {"", self._ground} else None
        if paper is not None:
            return paper[0], _on(styles, paper[1], top, blended)
        if top == bottom:
            return ("█" if top else " "), styles[top]
        if not bottom:
            return "▀", styles[top]
        if not top:
            return "▄", styles[bottom]
        return "▀", _on(styles, top, bottom, blended)


def _on(styles: Mapping[str, Style], kind: str, ground: str, blended: dict[tuple[str, str], Style]) -> Style:
    """Return the style of one kind with another kind's colour behind it."""
    if not ground:
        return styles[kind]
    style = blended.get((kind, ground))
    if style is None:
        style = blended[kind, ground] = styles[kind] + Style(bgcolor=styles[ground].color)
    return style

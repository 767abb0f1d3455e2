"""Lines of text with columns, redrawn only when they changed."""

from collections.abc import Iterable, Sequence
from typing import TypeAlias

from textual.content import Content
from textual.widgets import Static

from livealign_tui.words import NOT_KNOWN

__all__ = ["Block", "Cell", "known", "line", "row"]

Cell: TypeAlias = str | tuple[str, str]
"""Text, or text and its style."""


def known(text: str, style: str = "") -> Cell:
    """Return the text in its style, or in grey where it says that nothing is known."""
    return (text, "$unknown") if NOT_KNOWN in text else (text, style)


def line(*parts: Cell | Content) -> Content:
    """Return one line put together from its parts."""
    return Content.assemble(*parts)


def row(cells: Sequence[Cell], widths: Sequence[int]) -> Content:
    """Return one line of a table; a negative width sets the text to the right. The last column may run on."""
    parts: list[Cell] = []
    for i, (cell, width) in enumerate(zip(cells, widths, strict=True)):
        text, style = (cell, "") if isinstance(cell, str) else cell
        last = i == len(cells) - 1
        room = abs(width)
        if not last and len(text) > room:
            text = text[: room - 1] + "~"
        parts.append((text.rjust(room) if width < 0 else text if last else text.ljust(room), style))
        if not last:
            parts.append("  ")
    return Content.assemble(*parts)


class Block(Static):
    """Some lines of text that are as high as they are many."""

    DEFAULT_CSS = """
    Block { height: 0; width: 1fr; text-wrap: nowrap; text-overflow: ellipsis; }
    """

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:  # noqa: A002 - Textual's name
        super().__init__(id=id, classes=classes)
        self._lines: list[Content] = []

    @property
    def rows(self) -> int:
        """How many rows it takes, with the space that is left around it."""
        return len(self._lines) + self.styles.margin.height

    def show(self, lines: Iterable[Content]) -> None:
        """Show these lines in place of the former."""
        new = list(lines)
        if new == self._lines and [a.spans for a in new] == [b.spans for b in self._lines]:
            return
        if len(new) != len(self._lines):
            self.styles.height = len(new)
        self._lines = new
        self.update(Content("\n").join(new), layout=False)

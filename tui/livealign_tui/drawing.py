"""A widget that draws itself on a canvas, once per change, in the styles of its component classes."""

from typing import ClassVar

from rich.style import Style
from textual.strip import Strip
from textual.widget import Widget

from livealign_tui.canvas import Canvas

__all__ = ["Drawing"]


class Drawing(Widget):
    """Base of the charts: `draw` is asked for a canvas when something changed, and its lines are kept."""

    KINDS: ClassVar[tuple[str, ...]] = ()
    """Kinds of dot and letter; each is a component class of the same name with "drawing--" before it."""
    ALLOW_SELECT = False

    _strips: list[Strip] | None = None

    def draw(self, width: int, height: int) -> Canvas:
        """Return the picture for this size."""
        raise NotImplementedError

    def redraw(self) -> None:
        """Draw again at the next refresh."""
        self._strips = None
        self.refresh()

    def notify_style_update(self) -> None:
        """Draw again in the new colours."""
        super().notify_style_update()
        self._strips = None

    def render_line(self, y: int) -> Strip:
        """Return one line of the picture."""
        width, height = self.size
        if (
            self._strips is None
            or len(self._strips) != height
            or (self._strips and self._strips[0].cell_length != width)
        ):
            styles: dict[str, Style] = {
                kind: self.get_component_rich_style(f"drawing--{kind}") for kind in self.KINDS
            }
            styles[""] = self.rich_style
            self._strips = self.draw(width, height).strips(styles)
        return self._strips[y] if y < len(self._strips) else Strip.blank(width, self.rich_style)

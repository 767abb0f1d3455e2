"""The small windows: a note, and help."""

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Input, Static

from livealign_tui.block import line
from livealign_tui.words import wrap

__all__ = ["HelpDialog", "LineDialog"]

_MEANING_WIDTH = 53
_KEYS = (
    ("2 3 4 5 6", "the pages: Links, Readiness, Rotation, Findings, Adjust"),
    ("left right tab", "the page before, the page after"),
    ("space", "begin a rotation, or end it"),
    ("v  h", "follow the machine up and down (v) or sideways (h)"),
    ("p", "pause reading: values are shown but kept out of the result; p again goes on"),
    ("n", "write a note into the record"),
    ("b", "the whole uncertainty budget, on the Findings page"),
    ("l", "large digits, on the Adjust page"),
    ("c", "what the chart on the Adjust page follows: the offset, then each foot plane"),
    ("up down enter", "on the Readiness page: choose a line, check it off; x not applicable, o open again"),
    ("f  t", "on the Readiness page: soft foot (f), the shaft while bolts are tightened (t)"),
    ("e", "on the Readiness page: close the job, or begin and end what is watched there"),
    ("ctrl+p", "all commands by name, and the choice of colours"),
    ("q", "leave; the service goes on"),
)
_WORDS = (
    ("± U", "the true value lies within, 95 times in 100; twice the standard uncertainty"),
    ("conforming", "inside tolerance, with the certainty the job asks for"),
    ("undecided", "nearer to the limit than the readings can tell; read more, or move closer"),
    ("high, low", "the movable shaft against the stationary one, at the coupling"),
    ("3 o'clock", "to the right of one who stands behind the movable machine and looks at the coupling"),
    ("left out", "readings that do not fit the turn and carry no weight"),
    ("not known", "nothing measured tells it; it is not zero"),
)


class LineDialog(ModalScreen[str | None]):
    """Asks for one line of text; escape gives None."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "leave", "leave", id="line.leave")]

    def __init__(self, prompt: str, longest: int) -> None:
        """Keep what is asked.

        Args:
            prompt: the question, on one line or two.
            longest: the most characters of an answer.
        """
        super().__init__()
        self._prompt = prompt
        self._longest = longest

    def compose(self) -> ComposeResult:
        """Build the window."""
        with Vertical(id="dialog"):
            yield Static(self._prompt, markup=False)
            yield Input(id="line-text", max_length=self._longest)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Hand the text back."""
        self.dismiss(event.value.strip())

    def action_leave(self) -> None:
        """Leave without an answer."""
        self.dismiss(None)


class HelpDialog(ModalScreen[None]):
    """Keys and words."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,question_mark,q,enter,space", "leave", "leave", id="help.leave"),
    ]

    def compose(self) -> ComposeResult:
        """Build the window."""
        with VerticalScroll(id="dialog", classes="-help"):
            yield Static(_table("Keys", _KEYS))
            yield Static(_table("Words", _WORDS))

    def action_leave(self) -> None:
        """Close the window."""
        self.dismiss(None)


def _table(title: str, rows: tuple[tuple[str, str], ...]) -> Content:
    lines = [line((title, "bold"))]
    for key, meaning in rows:
        for i, part in enumerate(wrap(meaning, _MEANING_WIDTH)):
            lines.append(line(((key if i == 0 else "").ljust(15), "bold $key"), " ", part))
    return Content("\n").join(lines)

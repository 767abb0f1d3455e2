"""What every page has in common."""

from collections.abc import Sequence

from textual.containers import Vertical
from textual.content import Content

from livealign.snapshot import Snapshot, VerdictState
from livealign_tui.block import line
from livealign_tui.history import History
from livealign_tui.words import verdict_words, wrap

__all__ = ["STATE_STYLE", "Page", "advice_lines", "verdict_cell"]

STATE_STYLE: dict[VerdictState, str] = {
    "conforming": "bold $conforming",
    "undecided": "bold $undecided",
    "not conforming": "bold $not-conforming",
    "not known": "$unknown",
}
"""Colours that colour-blind people tell apart; the word always stands with them."""


class Page(Vertical):
    """One page of the dashboard; only the page in front is shown snapshots."""

    def __init__(self, *, id: str) -> None:  # noqa: A002 - Textual's name
        super().__init__(id=id)
        self._last: Snapshot | None = None
        self.history = History()
        self._built = False

    def show(self, snapshot: Snapshot, history: History) -> None:
        """Show this snapshot."""
        self._last, self.history = snapshot, history
        self._refill()

    def on_mount(self) -> None:
        """Show what has come while the page was being built."""
        self._built = True
        self._refill()

    def on_resize(self) -> None:
        """Lay the words out again for the new width."""
        self._refill()

    def _refill(self) -> None:
        if self._built and self.app.is_running and self._last is not None and self.size.width:
            self.fill(self._last)

    def fill(self, snapshot: Snapshot) -> None:
        """Put the snapshot into the page's widgets."""
        raise NotImplementedError


def verdict_cell(snapshot: Snapshot) -> tuple[str, str]:
    """Return the verdict in words and in its colour."""
    return verdict_words(snapshot.verdict), STATE_STYLE[snapshot.verdict.state]


def advice_lines(snapshot: Snapshot, width: int, rows: int, more: Sequence[str] = ()) -> list[Content]:
    """Return what to do next on at most `rows` lines, the most important first."""
    said = [text for text in dict.fromkeys([*snapshot.advice, *more]) if text]
    lines: list[Content] = []
    for i, text in enumerate(said):
        left = rows - len(lines)
        if left < 1:
            break
        head = " Next: " if i == 0 else " Then: "
        for j, part in enumerate(wrap(text.replace("+-", "±"), width - len(head) - 1, rows=left)):
            lines.append(line((head if j == 0 else " " * len(head), "bold"), part))
    return lines

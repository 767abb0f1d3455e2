"""The line at the top, the buttons, and the line of pages at the bottom."""

from collections.abc import Sequence
from datetime import datetime

from textual.app import ComposeResult
from textual.containers import Horizontal
from textual.widgets import Static

from livealign.snapshot import Snapshot
from livealign_tui.block import Block, line
from livealign_tui.words import links_words, phase_words, printable

__all__ = ["ActionBar", "Header", "KeyButton", "PageBar"]


class KeyButton(Static):
    """A key and what it does; a click does the same."""

    def __init__(self, key: str, label: str, action: str, *, id: str) -> None:  # noqa: A002 - Textual's name
        super().__init__(id=id)
        self._key = key
        self._action = action
        self._label = label
        self._on = False

    def on_mount(self) -> None:
        """Show key and label."""
        self._say()

    def relabel(self, label: str) -> None:
        """Change what the button says it does."""
        if label != self._label:
            self._label = label
            self._say()

    def mark(self, on: bool) -> None:
        """Show that this is what is in front, or no longer."""
        if on != self._on:
            self._on = on
            self.set_class(on, "-on")
            self._say()

    def _say(self) -> None:
        self.update(line((self._key, "bold" if self._on else "bold $key"), f" {self._label}"))

    async def on_click(self) -> None:
        """Do what the key does."""
        await self.run_action(f"screen.{self._action}")


class Header(Block):
    """Job, phase, links and the time of day."""

    def say(self, snapshot: Snapshot | None, now: datetime) -> None:
        """Show the line for this snapshot."""
        width = self.size.width
        clock = f"{now:%H:%M}"
        if snapshot is None:
            self.show([line(" livealign", clock.rjust(max(width - 11, 6)))])
            return
        phase = phase_words(snapshot)
        right = f"{links_words(snapshot)}  {clock}"
        room = width - len(phase) - len(right) - 7
        job = printable(snapshot.job)
        job = job if len(job) <= room else job[: max(room - 1, 3)] + "~"
        gap = " " * max(width - 2 - len(job) - 3 - len(phase) - len(right), 2)
        style = "bold $undecided" if snapshot.hold else "bold"
        self.show([line(" ", (job, "bold"), "   ", (phase, style), gap, right)])


class ActionBar(Horizontal):
    """What can be done, as buttons."""

    def compose(self) -> ComposeResult:
        """Build the buttons."""
        yield KeyButton("space", "begin rotation", "toggle_rotation", id="do-rotation")
        yield KeyButton("v", "up-down", "follow('vertical')", id="do-vertical")
        yield KeyButton("h", "sideways", "follow('horizontal')", id="do-horizontal")
        yield KeyButton("p", "pause", "pause", id="do-pause")
        yield KeyButton("n", "note", "note", id="do-note")
        yield KeyButton("l", "large", "large", id="do-large")
        # Only where there is room; the findings page names the key.
        yield KeyButton("b", "budget", "budget", id="do-budget")

    def say(self, snapshot: Snapshot) -> None:
        """Let the buttons say what they would do now."""
        turning = snapshot.phase == "rotation"
        self.query_one("#do-rotation", KeyButton).relabel("end rotation" if turning else "begin rotation")
        self.query_one("#do-pause", KeyButton).relabel("go on" if snapshot.hold else "pause")
        for plane in ("vertical", "horizontal"):
            followed = snapshot.phase == "adjust" and snapshot.plane == plane
            self.query_one(f"#do-{plane}", KeyButton).mark(followed)


class PageBar(Horizontal):
    """The pages in the order of the job, help and leaving."""

    def __init__(self, pages: Sequence[tuple[str, str, str]], *, id: str) -> None:  # noqa: A002 - Textual's name
        super().__init__(id=id)
        self._pages = pages

    def compose(self) -> ComposeResult:
        """Build the tabs."""
        for key, page, title in self._pages:
            yield KeyButton(key, title, f"page('{page}')", id=f"tab-{page}")
        yield Static("", id="page-bar-gap")
        yield KeyButton("?", "help", "help", id="tab-help")
        yield KeyButton("q", "quit", "quit", id="tab-quit")

    def say(self, page: str) -> None:
        """Mark the page in front."""
        for _, name, _ in self._pages:
            self.query_one(f"#tab-{name}", KeyButton).mark(name == page)

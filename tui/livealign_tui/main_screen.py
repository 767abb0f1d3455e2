"""The one screen: header, a page, buttons and pages, and the way from one page to another."""

import time
from collections.abc import Callable
from datetime import datetime
from typing import Any, ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import Screen
from textual.widgets import ContentSwitcher

from livealign.snapshot import Phase, Plane, Snapshot
from livealign_tui.adjust_page import AdjustPage
from livealign_tui.bars import ActionBar, Header, PageBar
from livealign_tui.block import Block, line
from livealign_tui.dialogs import HelpDialog, LineDialog
from livealign_tui.findings_page import FindingsPage
from livealign_tui.history import History
from livealign_tui.links_page import LinksPage
from livealign_tui.page import Page
from livealign_tui.palette import Commands
from livealign_tui.readiness_page import KEYS, ReadinessPage
from livealign_tui.rotation_page import RotationPage

__all__ = ["MainScreen"]

# By number in the order of the job: 1 is the machine's, 7 the record's.
_PAGES = (
    ("2", "links", "Links"),
    ("3", "readiness", "Readiness"),
    ("4", "rotation", "Rotation"),
    ("5", "findings", "Findings"),
    ("6", "adjust", "Adjust"),
)
_PAGE_OF: dict[Phase, str] = {
    "ready": "links",
    "rotation": "rotation",
    "findings": "findings",
    "adjust": "adjust",
}
_JUST_NOW_S = 8.0
_NOTE_LENGTH = 500

Ask = Callable[..., None]


class MainScreen(Screen[None]):
    """Shows snapshots and turns keys into commands."""

    COMMANDS = Screen.COMMANDS | {Commands}
    BINDINGS: ClassVar[list[BindingType]] = [
        *(Binding(key, f"page('{page}')", title, id=f"page.{page}") for key, page, title in _PAGES),
        *(Binding(key, f"readiness('{key}')", what, id=f"readiness.{key}") for key, what in KEYS.items()),
        Binding("left,shift+tab", "turn(-1)", "page before", id="page.before"),
        Binding("right,tab", "turn(1)", "page after", id="page.after"),
        Binding("space", "toggle_rotation", "begin or end rotation", id="rotation.toggle"),
        Binding("v", "follow('vertical')", "adjust up and down", id="adjust.vertical"),
        Binding("h", "follow('horizontal')", "adjust sideways", id="adjust.horizontal"),
        Binding("p", "pause", "pause reading", id="reading.pause"),
        Binding("n", "note", "note", id="record.note"),
        Binding("l", "large", "large digits", id="adjust.large"),
        Binding("c", "chart", "chart: next value", id="adjust.chart"),
        Binding("b", "budget", "uncertainty budget", id="findings.budget"),
        Binding("question_mark", "help", "help", id="help"),
        Binding("q", "quit", "quit", id="quit"),
    ]

    def __init__(self, ask: Ask, now: Callable[[], datetime]) -> None:
        super().__init__()
        self._ask = ask
        self._now = now
        self._history = History()
        self._snapshot: Snapshot | None = None
        self._went_s: float | None = None
        self._built = False

    def compose(self) -> ComposeResult:
        """Build the screen."""
        yield Header(id="header")
        yield Block(id="contact")
        with ContentSwitcher(id="pages", initial="links"):
            yield LinksPage(id="links")
            yield ReadinessPage(self._ask, id="readiness")
            yield RotationPage(id="rotation")
            yield FindingsPage(id="findings")
            yield AdjustPage(id="adjust")
        yield ActionBar(id="actions")
        yield PageBar(_PAGES, id="page-bar")

    def on_mount(self) -> None:
        """Show what has come while the screen was being built."""
        self._built = True
        self.query_one(PageBar).say("links")
        self.say_header()
        if self._snapshot is not None:
            self._follow(None, self._snapshot)

    def on_resize(self) -> None:
        """Lay the header out again."""
        self.say_header()

    def _whole(self) -> bool:
        """Tell whether all widgets are there: no longer being built, and not yet being taken down."""
        return self._built and self.app.is_running

    def say_header(self) -> None:
        """Show the header for now."""
        if self._whole():
            self.query_one(Header).say(self._snapshot, self._now())

    def say_trouble(self, text: str) -> None:
        """Say why nothing comes; the values below are marked as old."""
        if self._whole():
            self.query_one("#contact", Block).show([line(f" {text}")] if text else [])
            self.query_one(ContentSwitcher).set_class(bool(text), "-old")

    def show(self, snapshot: Snapshot) -> None:
        """Show this snapshot; the page follows the phase unless the person has just gone elsewhere."""
        before, self._snapshot = self._snapshot, snapshot
        self._history.add(snapshot)
        if self._whole():
            self._follow(before, snapshot)

    def _follow(self, before: Snapshot | None, snapshot: Snapshot) -> None:
        self.say_header()
        self.query_one(ActionBar).say(snapshot)
        new_phase = before is None or before.phase != snapshot.phase
        if new_phase and not self._just_went():
            self._bring(_PAGE_OF[snapshot.phase])
        self._refresh_page()

    def _just_went(self) -> bool:
        return self._went_s is not None and time.monotonic() - self._went_s < _JUST_NOW_S

    def _page(self) -> Page:
        return self.query_one(f"#{self.query_one(ContentSwitcher).current}", Page)

    def _refresh_page(self) -> None:
        if self._snapshot is not None:
            self._page().show(self._snapshot, self._history)

    def _bring(self, page: str) -> None:
        self.query_one(ContentSwitcher).current = page
        self.query_one(PageBar).say(page)
        self._refresh_page()

    def action_page(self, page: str) -> None:
        """Go to a page."""
        self._went_s = time.monotonic()
        self._bring(page)

    def action_turn(self, step: int) -> None:
        """Go to the page before or after."""
        names = [name for _, name, _ in _PAGES]
        at = names.index(self.query_one(ContentSwitcher).current or names[0])
        self.action_page(names[(at + step) % len(names)])

    def _command(self, name: str, **args: Any) -> None:
        # What the person asks for now leads on, wherever they went before.
        self._went_s = None
        self._ask(name, **args)

    def action_toggle_rotation(self) -> None:
        """Begin a rotation, or end the one being read."""
        turning = self._snapshot is not None and self._snapshot.phase == "rotation"
        self._command("end_rotation" if turning else "begin_rotation")

    def action_follow(self, plane: Plane) -> None:
        """Follow a plane live."""
        self._command("adjust", plane=plane)

    def action_pause(self) -> None:
        """Keep readings out of the result, or let them in again."""
        self._command("hold", on=not (self._snapshot is not None and self._snapshot.hold))

    def action_note(self) -> None:
        """Ask for a note and pass it on."""

        def keep(text: str | None) -> None:
            if text:
                self._ask("note", text=text)

        prompt = "Note for the record (enter keeps it, escape leaves)"
        self.app.push_screen(LineDialog(prompt, _NOTE_LENGTH), keep)

    def action_readiness(self, key: str) -> None:
        """Do what a key does on the page Readiness; elsewhere f and t lead there."""
        page = self.query_one(ReadinessPage)
        if self.query_one(ContentSwitcher).current != "readiness":
            if key not in {"f", "t"}:
                return
            page.leave_view()
            self.action_page("readiness")
        page.act(key)

    def action_large(self) -> None:
        """Show the adjust page with large digits, or with its chart again."""
        adjust = self.query_one(AdjustPage)
        if self.query_one(ContentSwitcher).current != "adjust":
            adjust.remove_class("-large")
            self.action_page("adjust")
        adjust.toggle_large()

    def action_budget(self) -> None:
        """Show the findings with the whole uncertainty budget, or without it again."""
        findings = self.query_one(FindingsPage)
        if self.query_one(ContentSwitcher).current != "findings":
            findings.remove_class("-budget")
            self.action_page("findings")
        findings.toggle_budget()

    def action_chart(self) -> None:
        """Let the chart follow the next value."""
        self.query_one(AdjustPage).next_series()

    def action_help(self) -> None:
        """Show keys and words."""
        self.app.push_screen(HelpDialog())

    def action_quit(self) -> None:
        """Leave; the service goes on."""
        self.app.exit()

"""Readiness: the checklist, soft feet, and the shaft while bolts are tightened."""

from collections.abc import Callable
from typing import Any, Literal

from textual.app import ComposeResult
from textual.containers import Horizontal
from textual.events import Click

from livealign.snapshot import ReadinessItem, Snapshot
from livealign_tui.bars import KeyButton
from livealign_tui.block import Block
from livealign_tui.bolts_lines import bolt_up_lines, soft_foot_lines, soft_foot_rows
from livealign_tui.checks_lines import caution_lines, item_lines, rest_lines
from livealign_tui.dialogs import LineDialog
from livealign_tui.page import Page
from livealign_tui.words import Units, number, units_of

__all__ = ["KEYS", "ReadinessPage", "View"]

Ask = Callable[..., None]
View = Literal["checks", "feet", "bolts"]

KEYS: dict[str, str] = {
    "up": "the line above",
    "down": "the line below",
    "enter": "check off, or loosen and tighten",
    "x": "not applicable",
    "o": "open again",
    "g": "feeler gauge",
    "m": "mark a step",
    "e": "begin or end, or close the job",
    "w": "another name",
    "f": "soft foot",
    "t": "bolts tightened",
}
"""What the page takes, and what for."""

_BUTTONS: dict[View, dict[str, str]] = {
    "checks": {
        "enter": "check off",
        "x": "not applicable",
        "o": "open",
        "e": "close",
        "f": "soft foot",
        "t": "bolts",
    },
    "feet": {"enter": "loosen/tighten", "g": "gauge", "e": "begin/end", "f": "checklist", "t": "bolts"},
    "bolts": {"m": "mark step", "e": "begin/end", "f": "soft foot", "t": "checklist"},
}
_NAME_LENGTH, _REASON_LENGTH = 60, 500
_REST_ROWS = 5
_GAUGED = 4


class ReadinessPage(Page):
    """One of three views, and the buttons that belong to it."""

    def __init__(self, ask: Ask, *, id: str) -> None:  # noqa: A002 - Textual's name
        super().__init__(id=id)
        self._ask = ask
        self._view: View = "checks"
        self._chosen = 0
        self._who = ""

    def compose(self) -> ComposeResult:
        """Build the page."""
        yield Block(id="readiness-caution")
        yield Block(id="readiness-list")
        yield Block(id="readiness-rest")
        with Horizontal(id="readiness-keys"):
            for key in ("enter", "x", "o", "g", "m", "e", "f", "t"):
                yield KeyButton(key, "", f"readiness('{key}')", id=f"ready-{key}")

    def fill(self, snapshot: Snapshot) -> None:
        """Put the snapshot into the view."""
        width, units = self.size.width, units_of(snapshot.units)
        self._chosen = min(self._chosen, max(self._choices(snapshot) - 1, 0))
        caution = caution_lines(width)
        room = self.size.height - len(caution) - 1
        checks = self._view == "checks"
        if checks:
            shown = item_lines(snapshot, self._chosen, room - _REST_ROWS)
        elif self._view == "feet":
            shown = soft_foot_lines(snapshot, self._chosen, units, width, room)
        else:
            shown = bolt_up_lines(snapshot, units, width, room)
        self.query_one("#readiness-caution", Block).show(caution)
        self.query_one("#readiness-list", Block).show(shown)
        rest = rest_lines(snapshot, self._chosen, units, width) if checks else []
        self.query_one("#readiness-rest", Block).show(rest)
        labels = dict(_BUTTONS[self._view])
        if checks and snapshot.closed is not None:
            labels["e"] = "reopen"
        for key in ("enter", "x", "o", "g", "m", "e", "f", "t"):
            button = self.query_one(f"#ready-{key}", KeyButton)
            button.display = key in labels
            button.relabel(labels.get(key, ""))

    def leave_view(self) -> None:
        """Go back to the checklist."""
        self._view, self._chosen = "checks", 0

    def act(self, key: str) -> None:
        """Do what a key of this page does; nothing before there is a snapshot."""
        snapshot = self._last
        if snapshot is None:
            return
        if key in {"up", "down"}:
            self._choose(self._chosen + (1 if key == "down" else -1), snapshot)
        elif key in {"f", "t"}:
            view: View = "feet" if key == "f" else "bolts"
            self._view, self._chosen = ("checks" if self._view == view else view), 0
            self._refill()
        elif key == "w":
            self._ask_name(lambda: None)
        elif self._view == "checks":
            self._check(key, snapshot)
        elif self._view == "feet":
            self._soft_foot(key, snapshot)
        else:
            self._bolt_up(key, snapshot)

    def on_click(self, event: Click) -> None:
        """Choose the line that was clicked, where lines are chosen."""
        shown = self.query_one("#readiness-list", Block)
        if self._last is None or self._view != "checks" or event.widget is not shown:
            return
        items, rows = len(self._last.readiness), shown.rows
        first = max(0, min(self._chosen - rows // 2, items - rows))
        self._choose(first + event.y, self._last)

    def _choices(self, snapshot: Snapshot) -> int:
        if self._view == "checks":
            return len(snapshot.readiness)
        return soft_foot_rows(snapshot) if self._view == "feet" else 0

    def _choose(self, line: int, snapshot: Snapshot) -> None:
        self._chosen = max(0, min(line, self._choices(snapshot) - 1))
        self._refill()

    def _check(self, key: str, snapshot: Snapshot) -> None:
        if key == "e":
            self._close(snapshot)
            return
        if key not in {"enter", "x", "o"} or not snapshot.readiness:
            return
        item = snapshot.readiness[self._chosen]
        if key == "enter":
            self._with_name(lambda: self._check_off(item, units_of(snapshot.units)))
        elif key == "o":
            self._with_name(lambda: self._say(item, "open"))
        else:
            self._with_name(
                lambda: self._line(
                    f"Why does this not apply: {item.title}?",
                    lambda why: self._say(item, "not applicable", text=why),
                    longest=_REASON_LENGTH,
                )
            )

    def _check_off(self, item: ReadinessItem, units: Units) -> None:
        if item.limit_mm is None:
            self._say(item, "done")
            return
        limit = number(item.limit_mm * units.per_mm, 2, sign=False)

        def measured(text: str) -> None:
            found = _numbers(text)
            if len(found) == 1:
                self._say(item, "done", value_mm=found[0] / units.per_mm)
            else:
                self._complain(f"{text!r} is not a number in {units.length}, such as {limit}")

        self._line(f"Measured, in {units.length} (at most {limit}): {item.title}", measured)

    def _say(self, item: ReadinessItem, state: str, **more: Any) -> None:
        self._ask("check_off", item=item.id, state=state, who=self._who, **more)

    def _close(self, snapshot: Snapshot) -> None:
        if snapshot.closed is not None:
            self._ask("close_out", on=False)
            return

        def close(why: str) -> None:
            if why:
                self._ask("close_out", state="not verified", who=self._who, text=why)
            else:
                self._ask("close_out", state="verified", who=self._who)

        prompt = "Close the job: enter alone closes it as verified; or write why it is not verified"
        self._with_name(lambda: self._line(prompt, close, longest=_REASON_LENGTH, empty=True))

    def _soft_foot(self, key: str, snapshot: Snapshot) -> None:
        told = snapshot.soft_foot
        if key == "e":
            self._ask("soft_foot", action="end" if told.state == "watching" else "begin")
        elif key == "enter" and any(f.bolt == "loose" for f in told.feet):
            self._ask("soft_foot", action="tighten")
        elif key in {"enter", "g"} and told.feet:
            foot = told.feet[self._chosen]
            if key == "enter":
                self._ask("soft_foot", action="loosen", foot=foot.plane, side=foot.side)
                return
            units = units_of(snapshot.units)

            def gauged(text: str) -> None:
                found = _numbers(text)
                if len(found) not in {1, _GAUGED}:
                    self._complain("four numbers are wanted, or one for all corners")
                    return
                gaps = tuple(g / units.per_mm for g in (found * _GAUGED)[:_GAUGED])
                self._ask("soft_foot", action="gauge", foot=foot.plane, side=foot.side, gaps_mm=gaps)

            self._line(
                f"Gaps at {foot.plane}, {foot.side}, in {units.length}: inner near, inner far, outer near, outer far",
                gauged,
            )

    def _bolt_up(self, key: str, snapshot: Snapshot) -> None:
        if key == "e":
            self._ask("bolt_up", action="end" if snapshot.bolt_up.state == "watching" else "begin")
        elif key == "m":
            self._line("What was tightened?", lambda name: self._ask("bolt_up", action="mark", text=name))

    def _with_name(self, then: Callable[[], None]) -> None:
        """Go on, once the person has said who they are."""
        if self._who:
            then()
        else:
            self._ask_name(then)

    def _ask_name(self, then: Callable[[], None]) -> None:
        def named(name: str) -> None:
            self._who = name
            then()

        self._line("Your name, for the record; it is asked once (w gives another)", named)

    def _line(
        self,
        prompt: str,
        then: Callable[[str], None],
        *,
        longest: int = _NAME_LENGTH,
        empty: bool = False,
    ) -> None:
        """Ask for a line and go on with it, unless the person leaves, or gives nothing where something is wanted."""

        def answered(text: str | None) -> None:
            if text is not None and (text or empty):
                then(text)

        self.app.push_screen(LineDialog(prompt, longest), answered)

    def _complain(self, words: str) -> None:
        self.app.notify(words, title="Not done", severity="warning", markup=False)


def _numbers(text: str) -> list[float]:
    """Return the numbers in a line, blanks or semicolons between them; none if one of the words is no number."""
    try:
        return [float(part.replace(",", ".")) for part in text.replace(";", " ").split()]
    except ValueError:
        return []

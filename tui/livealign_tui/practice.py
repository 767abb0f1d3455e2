"""Practice: the dashboard of a simulated machine, with keys that work at it."""

import asyncio
import contextlib
from collections.abc import Callable
from datetime import datetime
from typing import Any, ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Static

from livealign.errors import PersonError
from livealign_tui.bars import ActionBar, KeyButton
from livealign_tui.block import Block, line
from livealign_tui.dialogs import HelpDialog
from livealign_tui.main_screen import Ask, MainScreen
from livealign_tui.practice_lines import STEPS, state_words, step_words, truth_lines
from livealign_tui.stand_client import StandClient
from livealign_tui.words import units_of, wrap

__all__ = ["PracticeScreen"]

_HEAD = " SIMULATION  "
_POLL_S = 0.4
_TURN_STEPS_DEG = (10, 30, 90)
_DEG_PER_S = 30.0
_SIDES = ("both", "left", "right")
_HELP = (
    ("A  D", "turn both shafts back (A, counterclockwise) or on (D, clockwise); R: by 10, 30 or 90 deg"),
    ("X", "let go of the shafts"),
    ("F  G", "which feet (F: next foot plane), and which side of them (G: both, left, right)"),
    ("W  S", "put shims under them (W), or take some out (S)"),
    ("<  >", "push the foot plane toward 9 o'clock (<) or 3 o'clock (>)"),
    ("+  -", "more or less shims, further or less far, at a time"),
    ("B", "loosen the bolts, or tighten them"),
    ("U", "pull out a link's plug, and put it in again; then the next link's"),
    ("T", "the truth beside what the program says"),
)


class PracticeBar(Vertical):
    """How the simulated machine stands, and the keys that work at it."""

    DEFAULT_CSS = """
    PracticeBar { height: 2; }
    PracticeBar Block { background: $panel; }
    """

    def compose(self) -> ComposeResult:
        """Build both lines."""
        yield Block(id="practice-state")
        with Horizontal(id="practice-keys"):
            yield KeyButton("A", "", "shafts(-1)", id="hand-back")
            yield KeyButton("D", "", "shafts(1)", id="hand-on")
            yield KeyButton("W", "", "shim(1)", id="hand-add")
            yield KeyButton("S", "", "shim(-1)", id="hand-out")
            yield KeyButton("<", "push", "push(-1)", id="hand-nine")
            yield KeyButton(">", "push", "push(1)", id="hand-three")
            yield KeyButton("F", "feet", "next_foot", id="hand-feet")
            yield KeyButton("G", "side", "next_side", id="hand-side")
            yield KeyButton("B", "bolts", "bolts", id="hand-bolts")
            yield KeyButton("U", "plug", "plug", id="hand-plug")
            yield KeyButton("T", "truth", "truth", id="hand-truth")

    def say(self, words: Content, turn_deg: int, step: str, *, unplugged: bool) -> None:
        """Show the line, and what the keys do now."""
        self.query_one("#practice-state", Block).show([words])
        for key, label in (("back", f"-{turn_deg}"), ("on", f"+{turn_deg}")):
            self.query_one(f"#hand-{key}", KeyButton).relabel(label)
        self.query_one("#hand-add", KeyButton).relabel(f"+{step}")
        self.query_one("#hand-out", KeyButton).relabel(f"-{step}")
        plug = self.query_one("#hand-plug", KeyButton)
        plug.relabel("out" if unplugged else "plug")
        plug.mark(unplugged)


class TruthDialog(ModalScreen[None]):
    """Truth beside estimate."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,T,q,enter,space", "leave", "leave", id="truth.leave"),
    ]
    DEFAULT_CSS = "TruthDialog { align: center middle; }"

    def __init__(self, lines: list[Content]) -> None:
        super().__init__()
        self._lines = lines

    def compose(self) -> ComposeResult:
        """Build the window."""
        note = "U holds the truth 95 times in 100 if nothing is wrong with the rig. Escape leaves."
        with VerticalScroll(id="dialog"):
            yield Static(line(("The simulated machine as it truly lies", "bold")))
            yield Static(Content("\n").join(self._lines))
            yield Static(f"\n{note}", markup=False)

    def action_leave(self) -> None:
        """Close it."""
        self.dismiss()


class _PracticeHelp(HelpDialog):
    """The dashboard's help, after the keys that work at the machine."""

    def on_mount(self) -> None:
        lines = [line(("At the simulated machine: capital letters", "bold"))]
        for keys, meaning in _HELP:
            for i, part in enumerate(wrap(meaning, 53)):
                lines.append(line(((keys if i == 0 else "").ljust(15), "bold $key"), " ", part))
        self.query_one("#dialog").mount(Static(Content("\n").join(lines)), before=0)


class PracticeScreen(MainScreen):
    """The dashboard's screen, and beside it a mechanic's hands. What they do goes to the stand, not to the service."""

    CSS = """
    #practice-keys { padding-left: 1; }
    #practice-keys KeyButton { padding: 0; margin-right: 1; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("A", "shafts(-1)", "turn back", id="hand.back"),
        Binding("D", "shafts(1)", "turn on", id="hand.on"),
        Binding("R", "next_turn", "turn by", id="hand.turn"),
        Binding("X", "let_go", "let go of the shafts", id="hand.stop"),
        Binding("F", "next_foot", "which feet", id="hand.feet"),
        Binding("G", "next_side", "which side", id="hand.side"),
        Binding("W", "shim(1)", "add shims", id="hand.add"),
        Binding("S", "shim(-1)", "take shims out", id="hand.out"),
        Binding("less_than_sign", "push(-1)", "push toward 9 o'clock", id="hand.nine"),
        Binding("greater_than_sign", "push(1)", "push toward 3 o'clock", id="hand.three"),
        Binding("plus", "step(1)", "more at a time", id="hand.more"),
        Binding("minus", "step(-1)", "less at a time", id="hand.less"),
        Binding("B", "bolts", "loosen or tighten", id="hand.bolts"),
        Binding("U", "plug", "unplug or replug", id="hand.plug"),
        Binding("T", "truth", "truth", id="hand.truth"),
    ]

    def __init__(self, ask: Ask, now: Callable[[], datetime], stand: StandClient) -> None:
        super().__init__(ask, now)
        self._stand = stand
        self._state: dict[str, Any] | None = None
        self._no_answer = "Waiting for the practice stand."
        self._foot = 0
        self._side = 0
        self._step = 2
        self._turn = 1
        self._next_link = 0
        self._soon = asyncio.Event()

    def compose(self) -> ComposeResult:
        """Build the screen."""
        for widget in super().compose():
            if isinstance(widget, ActionBar):
                yield PracticeBar(id="practice")
            yield widget

    def on_mount(self) -> None:
        """Begin to watch the stand."""
        self._say()
        self.run_worker(self._watch(), name="stand", group="stand")

    async def on_unmount(self) -> None:
        """Let go of the stand."""
        await self._stand.close()

    async def _watch(self) -> None:
        while True:
            try:
                self._state = await self._stand.state()
            except PersonError as e:
                self._state, self._no_answer = None, f"{e.what}. {e.advice}".rstrip(" .")
            self._say()
            self._soon.clear()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(_POLL_S):
                    await self._soon.wait()

    def _say(self) -> None:
        if not self.app.is_running:
            return
        units = units_of(self._units())
        if self._state is None:
            said = line((f" {self._no_answer}", "bold $not-conforming"))
        else:
            room = self.size.width - len(_HEAD) - 1
            words = state_words(self._state, self._foot_index(), _SIDES[self._side], units, room)
            said = line((_HEAD, "bold $undecided"), words)
        self.query_one(PracticeBar).say(
            said, self._turn_deg(), step_words(self._amount(), units), unplugged=bool(self._unplugged())
        )

    def _unplugged(self) -> list[str]:
        links = () if self._state is None else self._state["links"]
        return [link["name"] for link in links if not link["plugged"]]

    def _units(self) -> Any:
        return "mm" if self._state is None else self._state["units"]

    def _amount(self) -> float:
        return STEPS[self._units()][self._step]

    def _turn_deg(self) -> int:
        return _TURN_STEPS_DEG[self._turn]

    def _foot_index(self) -> int:
        return self._foot % len(self._state["feet"]) if self._state is not None else 0

    def _do(self, **action: Any) -> None:
        self.run_worker(self._act(action), name=action["do"], group="hands")

    async def _act(self, action: dict[str, Any]) -> None:
        try:
            await self._stand.act(**action)
        except PersonError as e:
            self.notify(str(e), title="Not done", severity="warning", markup=False)
        self._soon.set()

    def _at_foot(self, do: str, **more: Any) -> None:
        if self._state is not None:
            self._do(do=do, foot=self._state["feet"][self._foot_index()]["name"], wait=False, **more)

    def _chosen_side(self) -> dict[str, str]:
        return {} if self._side == 0 else {"side": _SIDES[self._side]}

    def _mm(self, way: int) -> float:
        return way * self._amount() / units_of(self._units()).per_mm

    def action_shafts(self, way: int) -> None:
        """Turn both shafts, after what turning there is."""
        self._do(do="turn", by_deg=way * self._turn_deg(), deg_per_s=_DEG_PER_S, after=True, wait=False)

    def action_let_go(self) -> None:
        """Let the shafts come to rest."""
        self._do(do="stop")

    def action_shim(self, way: int) -> None:
        """Put shims under the chosen feet, or take some out."""
        self._at_foot("shim", mm=self._mm(way), **self._chosen_side())

    def action_push(self, way: int) -> None:
        """Push the chosen foot plane sideways."""
        self._at_foot("shift", mm=self._mm(way))

    def action_bolts(self) -> None:
        """Tighten the chosen bolts if one of them is loose, else loosen them."""
        if self._state is None:
            return
        bolts = self._state["feet"][self._foot_index()]["bolts"]
        chosen = _SIDES[1:] if self._side == 0 else (_SIDES[self._side],)
        loose = any(bolts[side] == "loose" for side in chosen)
        self._at_foot("tighten" if loose else "loosen", **self._chosen_side())

    def action_plug(self) -> None:
        """Put a plug in again that is out, or pull out the next one."""
        if self._state is None:
            return
        links = self._state["links"]
        if out := self._unplugged():
            self._do(do="replug", link=out[0])
            return
        self._do(do="unplug", link=links[self._next_link % len(links)]["name"])
        self._next_link += 1

    def action_next_foot(self) -> None:
        """Choose the next foot plane."""
        if self._state is not None:
            self._foot = self._foot_index() + 1
            self._say()

    def action_next_side(self) -> None:
        """Choose both feet of the plane, the left one or the right one."""
        self._side = (self._side + 1) % len(_SIDES)
        self._say()

    def action_next_turn(self) -> None:
        """Choose how far the shafts are turned at a time."""
        self._turn = (self._turn + 1) % len(_TURN_STEPS_DEG)
        self._say()

    def action_step(self, way: int) -> None:
        """Choose how much is put in, taken out or pushed at a time."""
        self._step = min(max(self._step + way, 0), len(STEPS["mm"]) - 1)
        self._say()

    def action_truth(self) -> None:
        """Ask the stand how the machine truly lies, and show it beside what the program says."""
        self.run_worker(self._show_truth(), name="truth", group="hands")

    async def _show_truth(self) -> None:
        try:
            truth = (await self._stand.state(truth=True))["truth"]
        except PersonError as e:
            self.notify(str(e), title="Not done", severity="warning", markup=False)
            return
        self.app.push_screen(TruthDialog(truth_lines(self._snapshot, truth)))

    def action_help(self) -> None:
        """Show keys and words."""
        self.app.push_screen(_PracticeHelp())

"""The dashboard application: snapshots in, commands out."""

from collections.abc import Callable
from datetime import datetime
from typing import Any

from textual.app import App
from textual.message import Message
from textual.reactive import reactive
from textual.theme import Theme

from livealign.errors import PersonError
from livealign.snapshot import Snapshot
from livealign_tui.feed import Connect, Feed
from livealign_tui.main_screen import Ask, MainScreen

__all__ = ["Arrived", "Dashboard"]

_REDRAWS_PER_S = 10

_DARK = Theme(
    name="livealign-dark",
    primary="#7f93a8",
    secondary="#5f7183",
    accent="#b8c4d0",
    warning="#f0a04b",
    error="#f0a04b",
    success="#35c0b0",
    foreground="#e3e6e8",
    background="#14181c",
    surface="#1b2025",
    panel="#242b32",
    dark=True,
)
_LIGHT = Theme(
    name="livealign-light",
    primary="#4d6073",
    secondary="#6b7d8f",
    accent="#2f3f4f",
    warning="#a84f00",
    error="#a84f00",
    success="#00766b",
    foreground="#1c2226",
    background="#f6f6f2",
    surface="#ecece6",
    panel="#e0e1da",
    dark=False,
)
_DARK_INKS = {
    "conforming": "#35c0b0",
    "undecided": "#b79bf7",
    "not-conforming": "#f0943a",
    "unknown": "#8d979f",
    "quiet": "#97a1a9",
    "key": "#9fc3e6",
    "band": "#3b5570",
    "ink": "#8fb3d6",
    "ruling": "#4a545d",
    "aim": "#c9d27a",
    "found": "#7d8a96",
}
_LIGHT_INKS = {
    "conforming": "#00766b",
    "undecided": "#6a3fc4",
    "not-conforming": "#a84f00",
    "unknown": "#6b7379",
    "quiet": "#5f676d",
    "key": "#1f5c94",
    "band": "#b4cbe2",
    "ink": "#2f6596",
    "ruling": "#bfc4c6",
    "aim": "#767a10",
    "found": "#8b959d",
}


class Arrived(Message):
    """A snapshot to show; one that waits is replaced by a newer one."""

    def __init__(self, snapshot: Snapshot) -> None:
        super().__init__()
        self.snapshot = snapshot

    def can_replace(self, message: Message) -> bool:
        """Tell that a newer snapshot makes an older one pointless."""
        return isinstance(message, Arrived)


class Dashboard(App[None]):
    """Watches a service through a contact; tests give their own, or none and post `Arrived`."""

    TITLE = "livealign"
    CSS_PATH = "app.tcss"
    VERTICAL_BREAKPOINTS = [(0, "-low"), (32, "-tall")]  # noqa: RUF012 - the type is the base class's
    HORIZONTAL_BREAKPOINTS = [(0, "-narrow"), (90, "-broad"), (105, "-wide")]  # noqa: RUF012 - as above
    # Nothing takes the focus but a dialog's line of text.
    AUTO_FOCUS = "Input"

    snapshot: reactive[Snapshot | None] = reactive(None, always_update=True, layout=False, init=False)

    def __init__(
        self,
        connect: Connect | None,
        *,
        now: Callable[[], datetime] | None = None,
        screen: Callable[[Ask, Callable[[], datetime]], MainScreen] = MainScreen,
    ) -> None:
        super().__init__()
        self._feed = Feed(connect) if connect is not None else None
        self._main = screen(self.ask, now or _local_time)
        self.register_theme(_DARK)
        self.register_theme(_LIGHT)
        self.theme = _DARK.name

    def get_theme_variable_defaults(self) -> dict[str, str]:
        """Return the dashboard's own colours, for a dark or a light theme."""
        return _DARK_INKS if self.current_theme.dark else _LIGHT_INKS

    def on_mount(self) -> None:
        """Begin to watch."""
        self.push_screen(self._main)
        if self._feed is not None:
            self.run_worker(self._feed.run(), name="feed", group="feed", exit_on_error=True)
            self.set_interval(1 / _REDRAWS_PER_S, self._take)
        self.set_interval(1.0, self._each_second)

    def _take(self) -> None:
        """Decode the newest snapshot only; all before it were replaced unread."""
        if self._feed is None:
            return
        try:
            snapshot = self._feed.take()
        except PersonError as e:
            self._main.say_trouble(e.what)
            return
        if snapshot is not None:
            self.post_message(Arrived(snapshot))
            self._main.say_trouble("")

    def _each_second(self) -> None:
        self._main.say_header()
        if self._feed is not None and self._feed.trouble:
            self._main.say_trouble(self._feed.trouble)

    def on_arrived(self, message: Arrived) -> None:
        """Keep the snapshot."""
        self.snapshot = message.snapshot

    def watch_snapshot(self, snapshot: Snapshot | None) -> None:
        """Show the snapshot."""
        if snapshot is not None:
            self._main.show(snapshot)

    def ask(self, name: str, **args: Any) -> None:
        """Send a command; what comes of it is seen in the next snapshots, a refusal is shown."""
        self.run_worker(self._send(name, args), name=name, group="commands")

    async def _send(self, name: str, args: dict[str, Any]) -> None:
        if self._feed is None:
            return
        try:
            await self._feed.command(name, **args)
        except PersonError as e:
            self.notify(str(e), title="Not done", severity="warning", markup=False)
        else:
            if name == "note":
                self.notify("The note is kept.", timeout=3)


def _local_time() -> datetime:
    return datetime.now().astimezone()

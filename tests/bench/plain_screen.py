"""The plain reference for the dashboard: a Textual program that shows a changing number ten times a second."""

from itertools import count

from textual.app import App, ComposeResult
from textual.widgets import Static

__all__: list[str] = []


class Plain(App[None]):
    """One number."""

    def compose(self) -> ComposeResult:
        yield Static()

    def on_mount(self) -> None:
        numbers = count()
        number = self.query_one(Static)
        self.set_interval(0.1, lambda: number.update(f"{next(numbers) / 1000:.3f} mm"))


if __name__ == "__main__":
    Plain().run()

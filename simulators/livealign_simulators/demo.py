"""The `demo` command: a simulated machine is measured and brought into line by the real program."""

import asyncio
import contextlib
import importlib
import json
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import click

from livealign.errors import PersonError
from livealign.paths import ServiceNote
from livealign_simulators.background import Background
from livealign_simulators.operator import QUICK, Outcome
from livealign_simulators.ports import have_ptys
from livealign_simulators.signals import cancel_on_signals
from livealign_simulators.stage import set_up
from livealign_simulators.summary import summary

__all__ = ["demo"]

# Named as text: a simulator knows nothing of the dashboard, which is looked up when there is a terminal for it.
_DASHBOARD = ("livealign_tui.command", "run_dashboard")

Say = Callable[[str], None]


@click.command(
    epilog="""\b
Examples:
  livealign demo
  livealign demo --headless
  livealign demo --headless --json --seed 7
  livealign demo --keep recordings
  livealign demo --practice          you are the mechanic: docs/practice.md
"""
)
@click.option("--headless", is_flag=True, help="No dashboard: say what happens, line by line.")
@click.option(
    "--json", "as_json", is_flag=True, help="No dashboard: print truth and estimate as one JSON object."
)
@click.option(
    "--seed", type=click.IntRange(min=0), default=1, show_default=True, help="Same seed, same machine."
)
@click.option(
    "--as",
    "kind",
    type=click.Choice(["serial", "tcp"]),
    default="serial" if have_ptys() else "tcp",
    show_default=True,
    help="What the simulated heads appear as.",
)
@click.option(
    "--keep", type=click.Path(path_type=Path, file_okay=False), help="Folder in which to keep a recording."
)
@click.option(
    "--practice", is_flag=True, help="No script: you turn, shim and push, with keys in the dashboard."
)
def demo(*, headless: bool, as_json: bool, seed: int, kind: str, keep: Path | None, practice: bool) -> None:
    """Watch a simulated machine being measured and brought into line.

    Simulated heads send through real ports to the real service; a scripted person follows what it says.
    Ends with exit code 0 if the machine is inside tolerance at the end, else 1.
    """
    if practice:
        _practise(kind, seed, keep, with_dashboard=not (headless or as_json))
        return
    if headless or as_json or not (sys.stdin.isatty() and sys.stdout.isatty()):
        outcome = _headless(kind, seed, keep, _quiet if as_json else _lines())
        click.echo(json.dumps(outcome.as_json()) if as_json else summary(outcome))
    else:
        left = _with_dashboard(kind, seed, keep)
        if left is None:
            click.echo("The demo was left before its end.")
            return
        outcome = left
        click.echo(summary(outcome))
    if outcome.verdict != "conforming":
        click.get_current_context().exit(1)


def _headless(kind: str, seed: int, keep: Path | None, say: Say) -> Outcome:
    async def play() -> Outcome:
        cancel_on_signals()
        say("Starting a simulated rig and the service that reads it.")
        async with set_up(kind, seed, keep) as stage:
            return await stage.play(QUICK, say)

    try:
        return asyncio.run(play())
    except (asyncio.CancelledError, KeyboardInterrupt):
        raise _stopped() from None


def _practise(kind: str, seed: int, keep: Path | None, *, with_dashboard: bool) -> None:
    if not with_dashboard:
        raise click.UsageError("--practice needs the dashboard: leave out --headless and --json.")
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise PersonError(
            "practice needs a terminal",
            advice="In a browser: livealign simulate --control-http, and livealign run beside it (docs/practice.md).",
        )
    with _signals_as_interrupt() as stopped:
        background = Background(kind, seed, keep, practice=True)
        said: list[str] = []
        _beside_dashboard(background, stopped, lambda note: said.append(_compared(note, background.stand)))
    click.echo("\n".join(said))


def _compared(note: ServiceNote, stand: str | None) -> str:
    """Return how the machine that is left truly lies, beside what the service says."""
    from livealign_simulators.practising import left_by_hand  # noqa: PLC0415 - not needed otherwise

    return "" if stand is None else asyncio.run(left_by_hand(note, stand))


def _with_dashboard(kind: str, seed: int, keep: Path | None) -> Outcome | None:
    with _signals_as_interrupt() as stopped:
        background = Background(kind, seed, keep)
        _beside_dashboard(background, stopped, lambda _: None)
    return background.outcome


def _beside_dashboard(
    background: Background, stopped: threading.Event, leave: Callable[[ServiceNote], None]
) -> None:
    """Show the dashboard until the person leaves it; then do what is to be done while the parts still run."""
    try:
        note = background.service()
        if note is not None:
            module, name = _DASHBOARD
            getattr(importlib.import_module(module), name)(note.url, note.token, background.stand)
            if not stopped.is_set() and background.error is None:
                leave(note)
    except KeyboardInterrupt:
        raise _stopped() from None
    finally:
        background.end()
    if stopped.is_set():
        raise _stopped()
    if background.error is not None:
        raise background.error


def _stopped() -> PersonError:
    return PersonError("the demo was stopped", exit_code=130)


@contextlib.contextmanager
def _signals_as_interrupt() -> Iterator[threading.Event]:
    """Treat SIGTERM and SIGHUP as Ctrl-C, for which the dashboard cleans up its screen; tell that they came."""
    came = threading.Event()

    def interrupt(*_: object) -> None:
        came.set()
        signal.raise_signal(signal.SIGINT)

    numbers = [] if sys.platform == "win32" else [signal.SIGTERM, signal.SIGHUP]
    before = {n: signal.signal(n, interrupt) for n in numbers}
    try:
        yield came
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _quiet(_: str) -> None:
    pass


def _lines() -> Say:
    start = time.monotonic()

    def say(words: str) -> None:
        click.echo(f"{time.monotonic() - start:5.1f} s  {words}")

    return say

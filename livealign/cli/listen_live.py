"""Listens at the person's side: shows what comes, asks for a turn of the shafts, gathers what was found."""

import asyncio
import os
import sys
import threading
from collections.abc import Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass, replace
from typing import Any

import click
import numpy as np

from livealign.config.load import parse_rig
from livealign.config.problems import ConfigErrors
from livealign.listen.formats import guess_formats, why_unreadable
from livealign.listen.guess import FormatGuess
from livealign.listen.heard import PRINTABLE, Heard, decoded
from livealign.listen.receive import Listener, settled_source
from livealign.listen.rig_text import HeadGuess, named_by_role, rig_text, what_lacks
from livealign.listen.roles import ColumnGuess, guess_roles
from livealign.listen.sources import SHAFTS, Shaft, Source

__all__ = ["Found", "Screen", "asked", "find_heads"]

TURN = (
    "Turn both shafts slowly a quarter turn clockwise (seen from behind the movable machine) and back,\n"
    "then press Enter. (Enter at once: the shafts cannot be turned now.)"
)
BEAT_S = 0.25
LINES_BEAT_S = 1.0
SHORTEST_TURN_S = 1.0
WIDTH = 100
SHOWN_BYTES = 24


@dataclass(frozen=True, slots=True)
class Found:
    """What was found at all sources."""

    heads: tuple[HeadGuess, ...]
    unreadable: tuple[tuple[str, str], ...]
    """Sources of which nothing could be made, and why."""

    def rig(self) -> tuple[str | None, str]:
        """Return the rig file's text if there can be one, and otherwise why not."""
        if not self.heads:
            return None, "nothing that can be read was found"
        if lacks := what_lacks(self.heads):
            return None, f"there is no rig file yet: {lacks}"
        text = rig_text(self.heads)
        try:
            parse_rig(text, "the rig file")
        except ConfigErrors as e:
            return None, f"the rig file would not be sound: {e}"
        return text, ""


class Screen:
    """Shows what comes: redrawn at a terminal, a line a second elsewhere."""

    def __init__(self, *, quiet: bool) -> None:
        """Say nothing at all if quiet."""
        self.quiet = quiet
        self._redraws = sys.stdout.isatty()
        self._drawn = 0
        self._next_s = 0.0

    def say(self, words: str) -> None:
        """Say something once."""
        if not self.quiet:
            self._drawn = 0
            click.echo(words)

    def show(self, lines: Sequence[str], now_s: float) -> None:
        """Show how it is now."""
        if self.quiet or now_s < self._next_s:
            return
        self._next_s = now_s + (BEAT_S if self._redraws else LINES_BEAT_S)
        if self._redraws and self._drawn:
            click.echo(f"\x1b[{self._drawn}A", nl=False)
        for line in lines:
            click.echo(f"\x1b[2K{line[:WIDTH]}" if self._redraws else line)
        self._drawn = len(lines)


async def find_heads(sources: Sequence[Source], *, seconds: float, asks: bool, screen: Screen) -> Found:
    """Listen to all sources at once and return what was found.

    Raises:
        PersonError: if a source cannot be opened.
    """
    settled = await asyncio.gather(*(settled_source(s, screen.say, seconds) for s in sources))
    async with AsyncExitStack() as stack:
        listeners = [await stack.enter_async_context(Listener(s)) for s in settled]
        turned = await _listen(listeners, seconds, asks=asks, screen=screen)
        return await asyncio.to_thread(_made_of, listeners, turned)


async def _listen(listeners: Sequence[Listener], seconds: float, *, asks: bool, screen: Screen) -> bool:
    """Listen for some seconds and, if the person may be asked, through a turn; return whether there was one."""
    loop = asyncio.get_running_loop()
    until = loop.time() + seconds
    formats: dict[str, FormatGuess] = {}
    looked = 0.0
    while loop.time() < until and not all(x.done for x in listeners):
        await asyncio.sleep(min(BEAT_S, max(0.0, until - loop.time())))
        if loop.time() >= looked and not screen.quiet:
            looked = loop.time() + 1.0
            await asyncio.to_thread(_look, listeners, formats)
        _show(listeners, formats, screen, loop.time())
    for listener in listeners:
        listener.raise_if_broken()
    if not asks or not any(x.total for x in listeners) or all(x.ended for x in listeners):
        return False
    await asyncio.to_thread(_look, listeners, formats)
    screen.say(TURN)
    start = loop.time()
    entered = _enter(loop)
    while not entered.done():
        await asyncio.sleep(BEAT_S)
        _show(listeners, formats, screen, loop.time())
    return loop.time() - start > SHORTEST_TURN_S


def _enter(loop: asyncio.AbstractEventLoop) -> "asyncio.Future[None]":
    """Return what is done when the person presses Enter."""
    entered: asyncio.Future[None] = loop.create_future()

    def done() -> None:
        if not entered.done():
            entered.set_result(None)

    def wait() -> None:
        # The bare descriptor: one that holds Python's own lock cannot be left behind at the end.
        os.read(sys.stdin.fileno(), 4096)
        if not loop.is_closed():
            loop.call_soon_threadsafe(done)

    # A daemon: a thread that still waits must not hold up the end of the program.
    threading.Thread(target=wait, name="Enter", daemon=True).start()
    return entered


def _look(listeners: Sequence[Listener], formats: dict[str, FormatGuess]) -> None:
    for listener in listeners:
        name = listener.source.text
        if name not in formats and (found := guess_formats(listener.heard.newest(20_000))):
            formats[name] = found[0]


def _show(
    listeners: Sequence[Listener], formats: dict[str, FormatGuess], screen: Screen, now_s: float
) -> None:
    lines = []
    for listener in listeners:
        name = listener.source.text
        if not listener.total:
            lines.append(f"{name}: {listener.trouble or 'nothing has come yet'}")
            continue
        lines.append(f"{name}: {listener.total} bytes: {_shown(listener.newest)}")
        if name in formats:
            lines.append(f"  {formats[name].shape.kind}: {_values(formats[name], listener.heard)}")
    screen.show(lines, now_s)


def _shown(raw: bytes) -> str:
    """Return the newest bytes as text if they are, else in hexadecimal."""
    if raw and PRINTABLE[np.frombuffer(raw, np.uint8)].mean() > 0.9:
        last = raw.rstrip(b"\r\n").rpartition(b"\n")[2]
        return last[-3 * SHOWN_BYTES :].decode("latin-1").encode("unicode_escape").decode()
    return raw[-SHOWN_BYTES:].hex(" ")


def _values(guess: FormatGuess, heard: Heard) -> str:
    newest = heard.newest(4096)
    told = decoded(
        guess.shape.kind, guess.shape.options, newest.with_line_ends() if guess.shape.add_line_end else newest
    )
    parts = []
    for name, values in told.columns.items():
        good = values[np.isfinite(values)]
        if good.size:
            parts.append(f"{name} {good[-1]:.10g}")
    return ", ".join(parts)


def asked(found: Found) -> Found:
    """Return what was found, the person having been asked what cannot be told.

    Not from within an event loop: Ctrl-C would not end the waiting.
    """
    heads = []
    for head in found.heads:
        changed = head
        if not head.shaft_told:
            told = click.prompt(
                f"{head.source} is on which shaft", default=head.shaft, type=click.Choice([*SHAFTS])
            )
            changed = replace(changed, shaft=told, shaft_told=True)
        heads.append(replace(changed, columns=[_unit_asked(c) for c in head.columns]))
    return replace(found, heads=tuple(heads))


def _unit_asked(column: ColumnGuess) -> ColumnGuess:
    if column.role not in ("angle", "position") or not column.others:
        return column
    choice = click.Choice([column.unit, *column.others])
    unit = click.prompt(f"{column.name} is told in which unit", default=column.unit, type=choice)
    doubts = tuple(d for d in column.doubts if not d.startswith("the unit"))
    return replace(column, unit=unit, doubts=doubts, others=(), reasons=(*column.reasons, f"you said {unit}"))


def _made_of(listeners: Sequence[Listener], turned: bool) -> Found:
    heads: list[HeadGuess] = []
    unreadable: list[tuple[str, str]] = []
    free: list[Shaft] = [s for s in SHAFTS if all(x.source.shaft != s for x in listeners)]
    for listener in listeners:
        source, heard = listener.source, listener.heard
        found = guess_formats(heard)
        if not found:
            why = listener.trouble if listener.trouble and not heard.pieces else why_unreadable(heard)
            unreadable.append((source.text, why))
            continue
        guess = found[0]
        told = guess.decoded
        columns = guess_roles(guess.shape.fields, told.columns, told.arrival_s, turned=turned)
        guess, columns = named_by_role(guess, columns)
        shaft: Shaft = source.shaft or (free.pop(0) if free else "movable")
        heads.append(
            HeadGuess(
                source.text,
                _driver(source, guess),
                guess,
                columns,
                shaft,
                shaft_told=source.shaft is not None,
                sense_told=turned and any(c.role == "angle" and c.moved for c in columns),
                rate_hz=_rate_hz(told.arrival_s),
            )
        )
    return Found(tuple(heads), tuple(unreadable))


def _driver(source: Source, guess: FormatGuess) -> dict[str, Any]:
    settings = {"kind": source.driver, **source.settings}
    if source.messages:
        settings["add_line_end"] = guess.shape.add_line_end
    return settings


def _rate_hz(arrival_s: "np.ndarray[tuple[int], np.dtype[np.float64]]") -> float | None:
    if arrival_s.size < 3 or arrival_s[-1] - arrival_s[0] < 0.5:
        return None
    # Those that came with the first are not counted: how long they had waited is not known.
    later = int(np.sum(arrival_s > arrival_s[0]))
    return float(later / (arrival_s[-1] - arrival_s[0]))

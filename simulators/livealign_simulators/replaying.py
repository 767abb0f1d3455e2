"""A recording played on real ports, as far as simulators know of recordings: a course, a job and a rig."""

import asyncio
import contextlib
import json
import sys
import tempfile
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from livealign.config.rig import Rig, Spec
from livealign_simulators.commanding import Commander
from livealign_simulators.player import Course, Player
from livealign_simulators.port_kinds import Means, close_ports, make_ports
from livealign_simulators.rigfile import write_rig
from livealign_simulators.signals import cancel_on_signals

__all__ = ["Replay", "replay_on_ports"]

_BETWEEN_TURNS_S = 1.0
_LAST_BYTES_S = 0.5
_PROGRESS_S = 0.25


@dataclass(frozen=True, slots=True)
class Replay:
    """What is played, and how."""

    course: Callable[[], Course]
    """Gives the whole course anew."""
    until_s: float | None
    """Its length, if known."""
    rig: Rig
    job_text: str
    means: Means
    speed: float = 1.0
    loop: bool = False
    wait_s: float = 0.0
    """From the ports' appearance to the first byte."""
    commands_to: Path | None = None
    """The note of the service that is given the recorded commands."""
    patience_s: float = 300.0
    """How long that service may take to appear."""


def replay_on_ports(replay: Replay, *, as_json: bool) -> None:
    """Play until the end or Ctrl-C; the first line on standard output says where.

    Raises:
        PersonError: if the ports cannot be had, or the service does not come.
    """
    with contextlib.suppress(KeyboardInterrupt, asyncio.CancelledError):
        asyncio.run(_replay(replay, as_json=as_json))


async def _replay(replay: Replay, *, as_json: bool) -> None:
    cancel_on_signals()
    screen = _Screen(as_json=as_json)
    with tempfile.TemporaryDirectory(prefix="livealign-") as name:
        folder = Path(name)
        ports = make_ports({link.name: b"" for link in replay.rig.links}, replay.means, folder)
        commander = replay.commands_to and Commander(replay.commands_to, ports, screen.say)
        player = Player(
            ports,
            speed=replay.speed,
            ask=commander.ask if commander else lambda _command: None,
            say=screen.say,
        )
        try:
            await player.plug_all()
            job_path, rig_path = folder / "job.toml", folder / "rig.toml"
            job_path.write_text(replay.job_text, encoding="utf-8")
            addresses = {link: port.address for link, port in ports.items()}
            write_rig(_unasked(replay.rig), addresses, rig_path)
            screen.tell({"links": addresses, "job": str(job_path), "rig": str(rig_path)})
            screen.hint(f"Read it with: livealign run --job {job_path} --rig {rig_path}\nCtrl-C ends it.")
            await asyncio.sleep(replay.wait_s)
            if commander:
                screen.hint(f"Waiting for the service whose note is {replay.commands_to}")
                await commander.ready(replay.patience_s)
            async with screen.progress(player, replay.until_s):
                await _turns(player, replay)
            if commander:
                await commander.finish()
            await asyncio.sleep(_LAST_BYTES_S)
            late = player.late_s(0.99)
            screen.say(
                f"done: {player.frames} frames, {player.dropped} of which nobody took",
                {
                    "done": True,
                    "frames": player.frames,
                    "dropped": player.dropped,
                    "late_ms_p99": None if late is None else round(1e3 * late, 3),
                },
            )
        finally:
            if commander:
                await commander.close()
            await close_ports(ports.values())


async def _turns(player: Player, replay: Replay) -> None:
    """Play once, or again and again; between two turns the plugs are out, as the heads begin anew."""
    await player.play(replay.course())
    while replay.loop:
        await player.unplug_all()
        await asyncio.sleep(_BETWEEN_TURNS_S)
        await player.plug_all()
        await player.play(replay.course())


def _unasked(rig: Rig) -> Rig:
    """Return the rig without requests: what a replay sends, it sends unasked."""
    links = tuple(
        link.model_copy(
            update={
                "driver": Spec.model_validate(
                    {
                        "kind": link.driver.kind,
                        **{k: v for k, v in link.driver.options.items() if not k.startswith("request")},
                    }
                )
            }
        )
        for link in rig.links
    )
    return rig.model_copy(update={"links": links})


class _Screen:
    """What the person and other programs are told."""

    def __init__(self, *, as_json: bool) -> None:
        self._as_json = as_json
        self._terminal = sys.stderr.isatty()

    def tell(self, values: dict[str, Any]) -> None:
        sys.stdout.write(json.dumps(values) + "\n")
        sys.stdout.flush()

    def say(self, words: str, values: dict[str, Any]) -> None:
        if self._as_json:
            self.tell(values)
        else:
            click.echo(f"\r\x1b[K{words}" if self._terminal else words, err=True)

    def hint(self, words: str) -> None:
        if self._terminal:
            click.echo(words, err=True)

    @contextlib.asynccontextmanager
    async def progress(self, player: Player, until_s: float | None) -> AsyncIterator[None]:
        """Show at a terminal how far it is."""
        if not self._terminal:
            yield
            return
        of = "" if until_s is None else f" of {until_s:.1f}"

        async def show() -> None:
            while True:
                click.echo(f"\r\x1b[K{player.time_s:8.1f}{of} s", err=True, nl=False)
                await asyncio.sleep(_PROGRESS_S)

        showing = asyncio.create_task(show(), name="progress")
        try:
            yield
        finally:
            showing.cancel()
            await asyncio.gather(showing, return_exceptions=True)
            click.echo("\r\x1b[K", err=True, nl=False)

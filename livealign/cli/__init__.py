"""The command line: one lazily loaded subcommand a module."""

import importlib
import os
from typing import Any, NamedTuple

import click

from livealign import __version__
from livealign.errors import PersonError

__all__ = ["main"]

# The matrices here are small: a second thread of the linear algebra library costs many times what it saves. This must
# stand in the environment before numpy is imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")


class _Command(NamedTuple):
    target: str
    help: str


# Named as text, so that listing them imports nothing.
_COMMANDS = {
    "calibrate": _Command(
        "livealign.cli.calibrate:calibrate", "Measure what a rig file states, and write it there."
    ),
    "check": _Command(
        "livealign.cli.check:check",
        "Say in words what a job and a rig file mean, what is doubtful, and what is wrong with the rig.",
    ),
    "demo": _Command(
        "livealign_simulators.demo:demo", "Watch a simulated machine being measured and brought into line."
    ),
    "drivers": _Command("livealign.cli.drivers:drivers", "List the drivers and formats that are installed."),
    "listen": _Command(
        "livealign.cli.listen:listen", "Find out what a sensor head sends, and write a rig file for it."
    ),
    "report": _Command("livealign.cli.report:report", "Write the report of a session."),
    "replay": _Command(
        "livealign.cli.replay:replay", "Play a recorded session again, on ports or to look at."
    ),
    "run": _Command(
        "livealign.cli.run:run", "Read the rig and serve the job's snapshots to screens and clients."
    ),
    "sessions": _Command("livealign.cli.sessions:sessions", "List, mend, export and import recordings."),
    "simulate": _Command("livealign_simulators.cli:simulate", "Play a scripted job as a rig on real ports."),
    "solve": _Command("livealign.cli.solve:solve", "Compute the result from a recording or captured bytes."),
    "watch": _Command("livealign_tui.command:watch", "Open the dashboard on a running job."),
}


class _LazyGroup(click.Group):
    """A group that imports a subcommand only when it is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        module, _, name = _COMMANDS[cmd_name].target.partition(":")
        command: click.Command = getattr(importlib.import_module(module), name)
        return command

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except PersonError as e:
            click.echo(f"Error: {e}", err=True)
            ctx.exit(e.exit_code)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, command.help) for name, command in sorted(_COMMANDS.items())])


@click.group(
    cls=_LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog="Try it without any hardware: livealign demo",
)
@click.version_option(__version__, prog_name="livealign")
def main() -> None:
    """Shaft alignment from live sensors.

    Reads home-built or third-party sensor heads, fits the rotation, says how good the readings are, gives the
    corrections at the feet, and follows the machine live until it has settled inside tolerance.
    """

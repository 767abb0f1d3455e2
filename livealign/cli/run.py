"""`livealign run`."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from livealign.errors import PersonError

if TYPE_CHECKING:
    from livealign.paths import ServiceNote

__all__ = ["Bind", "run"]

DEFAULT_BIND = "127.0.0.1:8765"


class Bind(click.ParamType[tuple[str, int]]):
    """HOST:PORT, an IPv6 host in brackets."""

    name = "host:port"

    def convert(
        self, value: str | tuple[str, int], param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str, int]:
        if not isinstance(value, str):
            return value
        host, _, port = value.rpartition(":")
        host = host.removeprefix("[").removesuffix("]")
        if not host or not port.isdecimal() or int(port) > 65535:
            self.fail(f"{value!r} is not HOST:PORT, such as {DEFAULT_BIND}", param, ctx)
        return host, int(port)


@click.command(
    epilog="\b\nExamples:\n"
    "  livealign run --job job.toml --rig rig.toml\n"
    "  livealign run --job job.toml --rig rig.toml --record recordings\n"
    "  livealign run --job job.toml --rig rig.toml --checklist plant.toml\n"
    "  livealign run --job job.toml --rig rig.toml --bind 127.0.0.1:0"
)
@click.option("--job", required=True, type=click.Path(path_type=Path), help="The job file.")
@click.option("--rig", required=True, type=click.Path(path_type=Path), help="The rig file.")
@click.option(
    "--checklist", type=click.Path(path_type=Path), help="The plant's checklist, instead of the one shipped."
)
@click.option("--record", type=click.Path(path_type=Path), help="Folder in which to write a recording.")
@click.option(
    "--bind",
    type=Bind(),
    default=DEFAULT_BIND,
    show_default=True,
    help="Where to listen; port 0 takes any free one.",
)
@click.option("--note", type=click.Path(path_type=Path), help="File in which to say where the service is.")
@click.option(
    "--rate",
    type=click.FloatRange(0.1, 1000),
    default=50.0,
    show_default=True,
    help="Most snapshots a second.",
)
def run(
    *,
    job: Path,
    rig: Path,
    checklist: Path | None,
    record: Path | None,
    bind: tuple[str, int],
    note: Path | None,
    rate: float,
) -> None:
    """Read the rig and serve the job's snapshots to screens and clients.

    Runs until Ctrl-C. What happens to the links is told on stderr.
    """
    import asyncio
    from datetime import date

    from livealign.service.job import run_job

    try:
        asyncio.run(
            run_job(
                job,
                rig,
                checklist=checklist,
                record=record,
                bind=bind,
                note=note,
                rate_hz=rate,
                today=date.today(),  # noqa: DTZ011
                say=_say,
                ready=_ready,
            )
        )
    except KeyboardInterrupt:  # a second Ctrl-C
        raise PersonError("stopped at once; the end of the recording may be missing", exit_code=130) from None


def _say(words: str) -> None:
    click.echo(words, err=True)


def _ready(note: "ServiceNote", path: Path) -> None:
    click.echo(f"Serving at {note.url}")
    click.echo(f"Note for clients, with the token: {path}")
    click.echo("Watch it with: livealign watch        End it with: Ctrl-C")

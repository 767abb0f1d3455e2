"""`livealign watch`: the dashboard on a running job."""

import sys
from contextlib import AbstractAsyncContextManager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from livealign.errors import PersonError
from livealign.paths import default_note_path, read_note

if TYPE_CHECKING:
    from livealign_tui.feed import Connect, Contact

__all__ = ["run_dashboard", "watch"]


@click.command(
    epilog="""\b
Examples:
  livealign watch
  livealign watch --url http://127.0.0.1:8732 --token TOKEN
  livealign watch --practice 'http://127.0.0.1:8765/#TOKEN'
"""
)
@click.option("--url", help="Address of the service, as `livealign run` says it.")
@click.option("--token", help="Token of the service, as `livealign run` says it.")
@click.option(
    "--note",
    type=click.Path(path_type=Path, dir_okay=False),
    help="File in which the service says where it is; without it, the usual place is looked in.",
)
@click.option(
    "--practice",
    metavar="ADDRESS",
    help="Keys for a simulated machine too: the address that `livealign simulate --control-http` says.",
)
def watch(url: str | None, token: str | None, note: Path | None, practice: str | None) -> None:
    """Open the dashboard on a running job.

    Leaving it does not stop the service; several dashboards may watch the same job.
    """
    if (url is None) != (token is None):
        raise click.UsageError("--url and --token belong together.")
    if url is not None and note is not None:
        raise click.UsageError("Give either --url and --token, or --note.")
    if not _is_terminal():
        raise click.ClickException(
            "the dashboard needs a terminal\n  For values without one, read the API of the running job (docs/api.md)"
        )
    try:
        if url is not None and token is not None:
            run_dashboard(url, token, practice)
        else:
            _run_from_note(note if note is not None else default_note_path(), practice)
    except PersonError as e:
        raise click.ClickException(str(e)) from e


def run_dashboard(url: str, token: str, practice: str | None = None) -> None:
    """Show the dashboard of the service at `url` until the person leaves it.

    Args:
        url: of the service.
        token: of the service.
        practice: the address of a simulated machine at which keys work too.

    Raises:
        PersonError: if an address is not what it should be.
    """
    from livealign.client import Client  # noqa: PLC0415 - keeps `--help` short

    Client(url, token)
    _run(lambda: Client(url, token), practice)


def _run(connect: "Connect", practice: str | None) -> None:
    from livealign_tui.app import Dashboard  # noqa: PLC0415

    if practice is None:
        Dashboard(connect).run()
        return
    from livealign_tui.practice import PracticeScreen  # noqa: PLC0415
    from livealign_tui.stand_client import StandClient  # noqa: PLC0415

    stand = StandClient(practice)
    Dashboard(connect, screen=lambda ask, now: PracticeScreen(ask, now, stand)).run()


def _is_terminal() -> bool:
    # Textual draws on standard error.
    return all(stream.isatty() for stream in (sys.stdin, sys.stdout, sys.stderr))


def _run_from_note(path: Path, practice: str | None) -> None:
    """Show the dashboard; a service that comes back elsewhere is found by its new note."""
    from livealign.client import Client  # noqa: PLC0415

    def connect() -> "AbstractAsyncContextManager[Contact]":
        return Client.of(read_note(path))

    read_note(path)
    _run(connect, practice)

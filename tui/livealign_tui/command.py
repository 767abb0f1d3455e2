"""`livealign watch`: the dashboard on a running job."""

import sys
from contextlib import AbstractAsyncContextManager
from pathlib import Path

import click

from livealign.errors import PersonError
from livealign.paths import default_note_path, read_note

__all__ = ["run_dashboard", "watch"]


@click.command(epilog="Examples: livealign watch; livealign watch --url http://127.0.0.1:8732 --token TOKEN")
@click.option("--url", help="Address of the service, as `livealign run` says it.")
@click.option("--token", help="Token of the service, as `livealign run` says it.")
@click.option(
    "--note",
    type=click.Path(path_type=Path, dir_okay=False),
    help="File in which the service says where it is; without it, the usual place is looked in.",
)
def watch(url: str | None, token: str | None, note: Path | None) -> None:
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
            run_dashboard(url, token)
        else:
            _run_from_note(note if note is not None else default_note_path())
    except PersonError as e:
        raise click.ClickException(str(e)) from e


def run_dashboard(url: str, token: str) -> None:
    """Show the dashboard of the service at `url` until the person leaves it.

    Raises:
        PersonError: if the URL is not one of a service.
    """
    from livealign.client import Client  # noqa: PLC0415 - keeps `--help` short
    from livealign_tui.app import Dashboard  # noqa: PLC0415

    Client(url, token)
    Dashboard(lambda: Client(url, token)).run()


def _is_terminal() -> bool:
    # Textual draws on standard error.
    return all(stream.isatty() for stream in (sys.stdin, sys.stdout, sys.stderr))


def _run_from_note(path: Path) -> None:
    """Show the dashboard; a service that comes back elsewhere is found by its new note."""
    from livealign.client import Client  # noqa: PLC0415
    from livealign_tui.app import Dashboard  # noqa: PLC0415
    from livealign_tui.feed import Contact  # noqa: PLC0415

    def connect() -> AbstractAsyncContextManager[Contact]:
        return Client.of(read_note(path))

    read_note(path)

    Dashboard(connect).run()

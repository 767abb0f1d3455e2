"""`livealign drivers`."""

import json

import click

from livealign.stream.registry import driver_names, format_names

__all__ = ["drivers"]


@click.command(epilog="Example: livealign drivers --json")
@click.option("--json", "as_json", is_flag=True, help="Print them as JSON.")
def drivers(as_json: bool) -> None:
    """List the drivers and formats that are installed.

    A rig file names them as `kind` in a link's `driver` and `format`.
    """
    found = {"drivers": driver_names(), "formats": format_names()}
    if as_json:
        click.echo(json.dumps(found))
        return
    for title, names in found.items():
        click.echo(f"{title}:")
        for name in names or ["(none: is livealign installed?)"]:
            click.echo(f"  {name}")

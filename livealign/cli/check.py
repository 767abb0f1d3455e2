"""``livealign check``: what the files mean, and what is doubtful."""

import json
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from livealign.config.load import Loaded
    from livealign.config.problems import ConfigErrors

__all__ = ["check"]

_WIDTH = 80

_EXAMPLES = """
Examples:

\b
  livealign check job.toml
  livealign check job.toml rig.toml
  livealign check job.toml rig.toml --json

Ends with 0 if the files are sound (doubts do not count), with 1 if they are not.
"""


@click.command(epilog=_EXAMPLES)
@click.argument("job", type=click.Path(path_type=Path))
@click.argument("rig", type=click.Path(path_type=Path), required=False)
@click.option(
    "--json", "as_json", is_flag=True, help="Print one JSON object: ok, errors, doubts, understood."
)
def check(job: Path, rig: Path | None, as_json: bool) -> None:
    """Say in words what a job file and a rig file mean, and what is doubtful.

    Either may stand first. Nothing is opened but the two files.
    """
    from livealign.config.load import load_files
    from livealign.config.problems import ConfigErrors

    try:
        loaded = load_files([job] if rig is None else [job, rig])
    except ConfigErrors as e:
        _refuse(e, as_json)
        raise click.exceptions.Exit(1) from None
    _tell(loaded, as_json)


def _refuse(errors: "ConfigErrors", as_json: bool) -> None:
    if as_json:
        _print_json(ok=False, errors=[e.as_dict() for e in errors.errors], doubts=[], understood=None)
    else:
        click.secho(str(errors), fg="red", err=True)


def _tell(loaded: "Loaded", as_json: bool) -> None:
    from datetime import date

    from livealign.config.calibration_age import calibration_doubts
    from livealign.config.describe import job_lines, rig_lines, understood
    from livealign.config.distances import positions
    from livealign.config.doubts import doubts

    job, rig = loaded.job, loaded.rig
    where = positions(job, [h.name for h in rig.heads] if rig else ()) if job else None
    found = [*doubts(job, rig), *(calibration_doubts(rig, date.today()) if rig else ())]  # noqa: DTZ011
    if as_json:
        values = understood(job, rig, where)
        _print_json(ok=True, errors=[], doubts=[d.as_dict() for d in found], understood=values)
        return
    lines = [
        *(job_lines(job, where) if job and where else ()),
        *(rig_lines(rig, job) if rig else ()),
    ]
    for line in lines:
        click.secho(_wrapped(line), bold=not line.startswith(" "))
    click.secho("Doubts", bold=True)
    names = {"job": loaded.job_where, "rig": loaded.rig_where}
    for i, doubt in enumerate(found, 1):
        click.secho(_wrapped(f"  {i}. {names[doubt.file]}: {doubt.key}: {doubt.what}."), fg="magenta")
        click.echo(_wrapped(f"     {doubt.advice}"))
    if not found:
        click.echo("  none")


def _wrapped(line: str) -> str:
    from livealign.config.problems import printable

    start = " " * (len(line) - len(line.lstrip()))
    text = printable(line)
    if len(text) <= _WIDTH:
        return text
    return textwrap.fill(
        text, _WIDTH, subsequent_indent=f"{start}   ", break_on_hyphens=False, break_long_words=False
    )


def _print_json(**values: Any) -> None:
    click.echo(json.dumps(values, ensure_ascii=False, allow_nan=False, indent=2))

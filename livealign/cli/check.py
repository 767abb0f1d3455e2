"""``livealign check``: what the files mean, and what is doubtful."""

import json
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from livealign.config.distances import Positions
    from livealign.config.doubts import Doubt
    from livealign.config.load import Loaded
    from livealign.config.problems import ConfigErrors
    from livealign.config.rig import Rig

__all__ = ["check"]

_WIDTH = 80

_EXAMPLES = """
Examples:

\b
  livealign check job.toml
  livealign check job.toml rig.toml
  livealign check job.toml rig.toml --json
  livealign check checklist.toml
  livealign check rig.toml --live
  livealign check rig.toml --live --seconds 30 --no-turn
  livealign check job.toml rig.toml --live --turn --json

Ends with 0 if the files are sound (doubts do not count) and, with --live, nothing is wrong with the rig; else with 1.
"""


@click.command(epilog=_EXAMPLES)
@click.argument("job", type=click.Path(path_type=Path))
@click.argument("rig", type=click.Path(path_type=Path), required=False)
@click.option(
    "--json", "as_json", is_flag=True, help="Print one JSON object: ok, errors, doubts, understood, live."
)
@click.option("--live", is_flag=True, help="Open the rig's links and say what is wrong with what comes.")
@click.option(
    "--seconds",
    type=click.FloatRange(2, 600),
    default=10.0,
    show_default=True,
    help="How long to read, with --live.",
)
@click.option(
    "--turn/--no-turn",
    default=None,
    help="Read a turn of the shafts as well, without asking; or leave it out. Otherwise asked for in a terminal.",
)
def check(
    *, job: Path, rig: Path | None, as_json: bool, live: bool, seconds: float, turn: bool | None
) -> None:
    """Say in words what a job file and a rig file, or a checklist, mean, and what is doubtful.

    Either may stand first. Nothing is opened but the two files, unless --live is given: then the rig is read while
    its shafts stand still, and while they are turned a little, and what is wrong is said in words.
    """
    from livealign.config.load import load_files
    from livealign.config.problems import ConfigErrors

    try:
        loaded = load_files([job] if rig is None else [job, rig])
    except ConfigErrors as e:
        _refuse(e, as_json)
        raise click.exceptions.Exit(1) from None
    if not live:
        _tell(loaded, as_json)
    elif loaded.rig is None:
        raise click.UsageError("--live needs a rig file.")
    elif not _live(loaded, loaded.rig, seconds, turn, as_json):
        raise click.exceptions.Exit(1)


def _live(loaded: "Loaded", rig: "Rig", seconds: float, turn: bool | None, as_json: bool) -> bool:
    from livealign.cli.check_live import check_live, live_lines, live_values

    found = check_live(rig, seconds, turn=turn)
    if as_json:
        _print_json(ok=found.sound, errors=[], **_file_values(loaded), live=live_values(found))
        return found.sound
    for line in live_lines(found):
        click.secho(_wrapped(line), bold=not line.startswith(" "))
    for title, wrong, colour in (("Wrong", True, "red"), ("To keep in mind", False, "magenta")):
        told = [f for f in found.findings if f.wrong == wrong]
        if told or wrong:
            click.secho(f"{title}, most important first" if told else title, bold=True)
        for i, finding in enumerate(told, 1):
            click.secho(_wrapped(f"  {i}. {finding.what}."), fg=colour)
            click.echo(_wrapped(f"     {finding.advice}"))
        if wrong and not told:
            click.echo("  nothing")
    return found.sound


def _file_values(loaded: "Loaded") -> dict[str, Any]:
    from livealign.config.describe import understood

    where = _where(loaded)
    checklist = loaded.checklist and loaded.checklist.model_dump(exclude={"file_schema"})
    return {
        "doubts": [d.as_dict() for d in _doubts(loaded)],
        "understood": {
            **understood(loaded.job, loaded.rig, where, _target(loaded, where)),
            "checklist": checklist,
        },
    }


def _target(loaded: "Loaded", where: "Positions | None") -> list[str]:
    from livealign.session.target import target_words

    return target_words(loaded.job, where) if loaded.job and where else []


def _doubts(loaded: "Loaded") -> "list[Doubt]":
    from datetime import date

    from livealign.config.calibration_age import calibration_doubts
    from livealign.config.doubts import doubts

    aged = calibration_doubts(loaded.rig, date.today()) if loaded.rig else ()  # noqa: DTZ011
    return [*doubts(loaded.job, loaded.rig), *aged]


def _where(loaded: "Loaded") -> "Positions | None":
    from livealign.config.distances import positions

    heads = [h.name for h in loaded.rig.heads] if loaded.rig else ()
    return positions(loaded.job, heads) if loaded.job else None


def _refuse(errors: "ConfigErrors", as_json: bool) -> None:
    if as_json:
        _print_json(ok=False, errors=[e.as_dict() for e in errors.errors], doubts=[], understood=None)
    else:
        click.secho(str(errors), fg="red", err=True)


def _tell(loaded: "Loaded", as_json: bool) -> None:
    from livealign.config.checklist_words import checklist_lines
    from livealign.config.describe import job_lines, rig_lines

    if as_json:
        _print_json(ok=True, errors=[], **_file_values(loaded))
        return
    job, rig = loaded.job, loaded.rig
    where = _where(loaded)
    found = _doubts(loaded)
    lines = [
        *(job_lines(job, where, _target(loaded, where)) if job and where else ()),
        *(rig_lines(rig, job) if rig else ()),
        *(checklist_lines(loaded.checklist) if loaded.checklist else ()),
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

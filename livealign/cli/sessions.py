"""`livealign sessions`: recordings on disk, listed, mended, exported and imported."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from livealign.errors import PersonError

if TYPE_CHECKING:
    from livealign.config.rig import Rig
    from livealign.record.logs import Layout, Log

__all__ = ["sessions"]

_EXAMPLES = """\b
Examples:
  livealign sessions list recordings
  livealign sessions mend recordings/torn.mcap whole.mcap
  livealign sessions export recordings/fan.mcap tables --to parquet
  livealign sessions import tables again.mcap
  livealign sessions import S=left.csv M=right.csv fan.mcap --job job.toml --rig rig.toml \\
      --time time --map angle=Angle --map "spot=Spot 1"
"""


@click.group(epilog=_EXAMPLES)
def sessions() -> None:
    """List, mend, export and import recordings."""


@sessions.command("list", epilog="\b\nExample:\n  livealign sessions list recordings --json")
@click.argument("folder", type=click.Path(path_type=Path), default=".")
@click.option("--json", "as_json", is_flag=True, help="One JSON array.")
def list_(folder: Path, *, as_json: bool) -> None:
    """List the recordings in FOLDER: when, which job, how long, and the last verdict."""
    found = [_summary(path) for path in sorted(folder.glob("*.mcap"))]
    if as_json:
        click.echo(json.dumps(found, ensure_ascii=False, indent=2))
        return
    for one in found:
        if "error" in one:
            click.echo(f"{one['file']}  {one['error']}")
            continue
        torn = "  torn" if one["torn"] else ""
        minutes = one["seconds"] / 60
        click.echo(
            f"{one['file']}  {one['start'][:16]}  {one['job']}  {minutes:.1f} min  {one['verdict']}{torn}"
        )
    if not found:
        click.echo(f"no recordings (*.mcap) in {folder}", err=True)


@sessions.command(epilog="\b\nExample:\n  livealign sessions mend torn.mcap whole.mcap")
@click.argument("recording", type=click.Path(path_type=Path))
@click.argument("output", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def mend(recording: Path, output: Path, *, as_json: bool) -> None:
    """Copy what is whole of a torn RECORDING into OUTPUT, and say what was lost."""
    from dataclasses import asdict

    from livealign.record.mend import mend as mend_recording
    from livealign.record.reader import Recording, find_recording

    done = mend_recording(Recording(find_recording(recording)), output)
    if as_json:
        click.echo(json.dumps(asdict(done), ensure_ascii=False))
        return
    click.echo(f"{output}: {done.messages} messages, up to {done.until_s:.2f} s.")
    if done.torn is None:
        click.echo("Nothing was lost: the recording is whole.")
    else:
        share = done.bytes_lost / max(1, done.bytes_lost + done.bytes_read)
        click.echo(f"Lost: the last {done.bytes_lost} bytes ({share:.1%}), because {done.torn}.")


@sessions.command(epilog="\b\nExample:\n  livealign sessions export fan.mcap tables --to csv")
@click.argument("recording", type=click.Path(path_type=Path))
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--to", "kind", type=click.Choice(["csv", "parquet"]), default="csv", show_default=True)
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def export(recording: Path, folder: Path, kind: Any, *, as_json: bool) -> None:
    """Write RECORDING as tables into a new FOLDER.

    messages holds everything (`sessions import FOLDER` makes the same recording of it again), results the figures of
    every snapshot, readings-LINK the decoded fields of a link.
    """
    from livealign.record.export import export_recording
    from livealign.record.reader import Recording, find_recording

    done = export_recording(Recording(find_recording(recording)), folder, kind)
    if as_json:
        click.echo(json.dumps({"folder": str(folder), "rows": done.files, "torn": done.torn}))
        return
    for name, rows in done.files.items():
        click.echo(f"{folder / name}: {rows} rows")
    if done.torn:
        click.echo(f"The recording ends early: {done.torn}.", err=True)


_IMPORT_EXAMPLES = """\b
Examples:
  livealign sessions import tables again.mcap
  livealign sessions import S=left.csv M=right.csv fan.mcap --job job.toml --rig rig.toml --time time
  livealign sessions import S=terminal.log M=terminal2.log fan.mcap --job job.toml --rig rig.toml --lines
"""


@sessions.command("import", epilog=_IMPORT_EXAMPLES)
@click.argument("sources", nargs=-1, required=True)
@click.argument("output", type=click.Path(path_type=Path))
@click.option("--job", type=click.Path(path_type=Path), help="For logs: the job file.")
@click.option("--rig", type=click.Path(path_type=Path), help="For logs: the rig file.")
@click.option(
    "--time",
    "time_column",
    default="1",
    show_default=True,
    help="Column of the time: its name, or its number.",
)
@click.option(
    "--time-unit",
    type=click.Choice(["iso", "s", "ms", "us", "ns"]),
    default="iso",
    show_default=True,
    help="iso: 2026-05-31T10:15:00.25 or 10:15:00.25.",
)
@click.option("--time-format", help="strptime's pattern of the time, such as '%d.%m.%Y %H:%M:%S.%f'.")
@click.option("--map", "columns", multiple=True, metavar="FIELD=COLUMN", help="Which column is which field.")
@click.option("--delimiter", help="Between columns; found out if left out.")
@click.option("--decimal", type=click.Choice([".", ","]), default=".", show_default=True)
@click.option("--lines", is_flag=True, help="After the time, the line is what the head sent.")
@click.option("--rotation/--no-rotation", default=True, show_default=True, help="The whole is one rotation.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def import_(
    *,
    sources: tuple[str, ...],
    output: Path,
    job: Path | None,
    rig: Path | None,
    time_column: str,
    time_unit: Any,
    time_format: str | None,
    columns: tuple[str, ...],
    delimiter: str | None,
    decimal: str,
    lines: bool,
    rotation: bool,
    as_json: bool,
) -> None:
    """Make a recording OUTPUT of exported tables, or of other loggers' text logs.

    SOURCES is one folder that `sessions export` wrote, or LINK=LOG for every link of the rig: rows with a time, read by
    --map, or with --lines the head's own lines behind a time.
    """
    from livealign.record.export import exported_folder, import_folder

    if len(sources) == 1 and exported_folder(Path(sources[0])):
        messages = import_folder(Path(sources[0]), output)
        _told_import(output, messages, {}, as_json=as_json)
        return
    if job is None or rig is None or not all("=" in s for s in sources):
        raise click.UsageError(
            "Give a folder that was exported; or LINK=LOG for every link, with --job and --rig."
        )
    from livealign.record.logs import Layout

    pairs = [c.partition("=") for c in columns]
    if lacking := [c for c, (_, equals, _) in zip(columns, pairs, strict=True) if not equals]:
        raise click.UsageError(f"--map {lacking[0]}: give FIELD=COLUMN.")
    layout = Layout(
        time=time_column,
        unit=time_unit,
        pattern=time_format,
        columns={name: column for name, _, column in pairs},
        delimiter=delimiter,
        decimal=decimal,
        lines=lines,
    )
    files = {link: Path(path) for link, _, path in (s.partition("=") for s in sources)}
    messages, logs = _import_logs(files, output, job, rig, layout, rotation=rotation)
    _told_import(output, messages, logs, as_json=as_json)


def _import_logs(
    files: dict[str, Path], output: Path, job: Path, rig: Path, layout: "Layout", *, rotation: bool
) -> "tuple[int, dict[str, Log]]":
    from livealign.config.document import read_text
    from livealign.config.load import parse_pair
    from livealign.record.captured import rig_for_files
    from livealign.record.logs import read_log, record_logs

    job_text, rig_text = read_text(job), read_text(rig)
    _, the_rig = parse_pair(job_text, rig_text, str(job), str(rig))
    rig_for_files(the_rig, files)  # raises if a link is strange or lacks its file
    logs = {
        link.name: read_log(files[link.name], layout, *_format_of(the_rig, link.name))
        for link in the_rig.links
    }
    return record_logs(logs, output, job_text, rig_text, rotation=rotation), logs


def _format_of(rig: "Rig", name: str) -> Any:
    from livealign.config.crosscheck import format_fields
    from livealign.stream.registry import format_class

    spec = next(link.format for link in rig.links if link.name == name)
    made = format_class(spec.kind)
    fields = format_fields({"kind": spec.kind, **spec.options})
    return made(made.options_model.model_validate(spec.options)), frozenset(fields or ())


def _told_import(output: Path, messages: int, logs: "dict[str, Log]", *, as_json: bool) -> None:
    if as_json:
        links = {
            link: {"rows": len(log.frames), "bad": log.bad, "complaints": log.complaints}
            for link, log in logs.items()
        }
        click.echo(
            json.dumps({"recording": str(output), "messages": messages, "links": links}, ensure_ascii=False)
        )
        return
    click.echo(f"{output}: {messages} messages.")
    for link, log in logs.items():
        bad = f", {log.bad} could not be read: {'; '.join(log.complaints)}" if log.bad else ""
        click.echo(f"  link {link}: {len(log.frames)} rows{bad}")
    click.echo(f"Solve it with: livealign solve {output}", err=True)


def _summary(path: Path) -> dict[str, Any]:
    from livealign.config.load import parse_job
    from livealign.record.reader import RecordedSnapshot, Recording
    from livealign.snapshot import decode

    try:
        recording = Recording(path)
        name = parse_job(recording.job_text, str(path)).name
        last, until_ns = None, 0
        for item in recording.items():
            until_ns = max(until_ns, item.time_ns)
            last = item if isinstance(item, RecordedSnapshot) else last
    except PersonError as e:
        return {"file": path.name, "error": e.what}
    except Exception as e:  # noqa: BLE001 - one strange file must not hide the others
        return {"file": path.name, "error": f"it cannot be read: {e}"}
    verdict = "not known" if last is None else decode(last.encoded).verdict.state
    return {
        "file": path.name,
        "start": recording.header.start,
        "job": name,
        "seconds": until_ns / 1e9,
        "verdict": verdict,
        "torn": recording.torn,
    }

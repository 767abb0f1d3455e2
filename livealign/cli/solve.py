"""`livealign solve`."""

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from livealign.errors import PersonError

if TYPE_CHECKING:
    from collections.abc import Callable

    from livealign.record.reader import Recording
    from livealign.session.engine import Session
    from livealign.snapshot import Snapshot

__all__ = ["fresh_session", "solve"]


@click.command(
    epilog="\b\nExamples:\n"
    "  livealign solve recordings/20260301-101500-fan.mcap\n"
    "  livealign solve S=head-s.bin M=head-m.bin --job job.toml --rig rig.toml --json\n"
    "  livealign solve recording.mcap --verify\n"
    "  livealign solve recording.mcap --monte-carlo 100000 --seed 1"
)
@click.argument("source", nargs=-1)
@click.option("--job", type=click.Path(path_type=Path), help="The job file; a recording holds its own.")
@click.option("--rig", type=click.Path(path_type=Path), help="The rig file; a recording holds its own.")
@click.option("--json", "as_json", is_flag=True, help="Print the last snapshot as JSON.")
@click.option("--snapshots", type=click.Path(path_type=Path), help="Write every snapshot there, a line each.")
@click.option("--verify", is_flag=True, help="Compare with the snapshots in the recording, byte for byte.")
@click.option(
    "--monte-carlo",
    "trials",
    type=click.IntRange(100, 1_000_000),
    metavar="N",
    help="Draw the last rotation's uncertainty in N trials too (100 to 1000000), and say whether linearising is good"
    " enough.",
)
@click.option(
    "--seed", type=click.IntRange(min=0), help="Of the random numbers; the same gives the same. [0]"
)
def solve(
    *,
    source: tuple[str, ...],
    job: Path | None,
    rig: Path | None,
    as_json: bool,
    snapshots: Path | None,
    verify: bool,
    trials: int | None,
    seed: int | None,
) -> None:
    """Compute the result from a recording or captured bytes.

    SOURCE is one recording (a .mcap file, or the folder that holds it), or the captured bytes of every link as
    LINK=FILE. Without SOURCE, the links of the rig whose driver is `file` are read.

    With --monte-carlo and --json, the snapshot is the object's key "snapshot" and the rest is "monte_carlo".

    Exit code 0: there is a result, conforming or not. 1: none can be had, and why.
    """
    if seed is not None and trials is None:
        raise click.UsageError("--seed belongs to --monte-carlo.")
    recording = _recording(source)
    if verify:
        if recording is None:
            raise click.UsageError("--verify needs a recording.")
        if snapshots is not None:
            raise click.UsageError("--verify and --snapshots exclude each other.")
        if trials is not None:
            raise click.UsageError("--verify and --monte-carlo exclude each other.")
        _verify(recording, job, rig)
        return
    from livealign.cli.result_words import reason_words

    with _writing(snapshots) as sink:
        last, session = _solved(recording, source, job, rig, sink)
    if trials is None:
        _print(last, as_json=as_json)
    else:
        _print_both(last, session, trials, seed or 0, as_json=as_json)
    if reason := reason_words(last):
        raise PersonError(f"no pose can be had: {reason}")


def _recording(source: tuple[str, ...]) -> "Recording | None":
    """Return the recording meant, or None if captured bytes are."""
    if all("=" in s and not Path(s).exists() for s in source):
        return None
    if len(source) != 1:
        raise click.UsageError("Give one recording, or LINK=FILE for every link.")
    from livealign.record.reader import Recording, find_recording

    return Recording(find_recording(Path(source[0])))


def fresh_session(recording: "Recording", job: Path | None, rig: Path | None) -> "Session":
    """Return a fresh session on what the recording holds, or on the files given instead."""
    from livealign.config.document import read_text
    from livealign.config.load import parse_checklist, parse_pair
    from livealign.session.engine import Session

    inside = f"{recording.path}:"
    job_text, job_where = (read_text(job), str(job)) if job else (recording.job_text, f"{inside}job.toml")
    rig_text, rig_where = (read_text(rig), str(rig)) if rig else (recording.rig_text, f"{inside}rig.toml")
    the_job, the_rig = parse_pair(job_text, rig_text, job_where, rig_where)
    text = recording.checklist_text
    checklist = None if text is None else parse_checklist(text, f"{inside}checklist.toml")
    return Session(the_job, the_rig, checklist, snapshots_per_s=recording.header.snapshots_per_s)


def _solved(
    recording: "Recording | None",
    source: tuple[str, ...],
    job: Path | None,
    rig: Path | None,
    sink: "Callable[[bytes], None] | None",
) -> "tuple[Snapshot, Session]":
    """Return the last snapshot, and the session that gave it."""
    if recording is None:
        return _solve_captured(source, job, rig, sink)
    from livealign.record.replay import replay

    session = fresh_session(recording, job, rig)
    last = replay(session, recording, sink)
    _tell_if_torn(recording)
    return last, session


def _solve_captured(
    source: tuple[str, ...], job: Path | None, rig: Path | None, sink: "Callable[[bytes], None] | None"
) -> "tuple[Snapshot, Session]":
    if job is None or rig is None:
        raise click.UsageError("Captured bytes need --job and --rig.")
    from livealign.config.load import load_pair
    from livealign.record.captured import captured_events, captured_files, rig_for_files
    from livealign.record.replay import run_events
    from livealign.session.engine import Session

    the_job, the_rig = load_pair(job, rig)
    pairs = [s.partition("=") for s in source]
    files = {link: Path(path) for link, _, path in pairs} if source else captured_files(the_rig)
    if not files:
        raise click.UsageError("Give a recording, or LINK=FILE for every link of the rig.")
    session = Session(the_job, rig_for_files(the_rig, files))
    return run_events(session, captured_events(files), sink), session


def _verify(recording: "Recording", job: Path | None, rig: Path | None) -> None:
    from livealign import __version__
    from livealign.record.replay import verify

    result = verify(fresh_session(recording, job, rig), recording)
    _tell_if_torn(recording)
    if result.difference is not None:
        other = recording.header.version
        raise PersonError(
            f"{result.difference} (after {result.compared} that are the same)",
            where=str(recording.path),
            advice=""
            if other == __version__
            else f"It was recorded by version {other}; this is {__version__}.",
        )
    click.echo(f"{result.compared} snapshots, all the same as recorded.")


def _tell_if_torn(recording: "Recording") -> None:
    if recording.torn:
        click.echo(f"{recording.path}: {recording.torn}; what stands before is used.", err=True)


def _print(last: "Snapshot", *, as_json: bool) -> None:
    from livealign.cli.result_words import result_words
    from livealign.snapshot import encode

    click.echo(encode(last) if as_json else result_words(last))


def _print_both(last: "Snapshot", session: "Session", trials: int, seed: int, *, as_json: bool) -> None:
    from livealign.cli import monte_carlo
    from livealign.cli.result_words import result_words
    from livealign.snapshot import encode

    feet = tuple(foot.name for foot in last.feet)
    found = monte_carlo.monte_carlo(session.model, session.last_fit, feet, trials, seed)
    if as_json:
        both = {"snapshot": json.loads(encode(last)), "monte_carlo": monte_carlo.as_json(found)}
        click.echo(json.dumps(both, separators=(",", ":"), ensure_ascii=False))
        return
    uncertain = any(part.source == "target" for line in last.budget for part in line.parts)
    click.echo(f"{result_words(last)}\n\n{monte_carlo.words(found, last.units, target_uncertain=uncertain)}")


class _writing:  # noqa: N801 - reads as a verb
    """A sink of encoded snapshots into a file, or None for no file."""

    def __init__(self, path: Path | None) -> None:
        try:
            self._file = None if path is None else path.open("wb")
        except OSError as e:
            raise PersonError(f"cannot be written: {e.strerror or e}", where=str(path)) from e

    def __enter__(self) -> "Callable[[bytes], None] | None":
        return None if self._file is None else self._line

    def __exit__(self, *_: object) -> None:
        if self._file is not None:
            self._file.close()

    def _line(self, encoded: bytes) -> None:
        if self._file is not None:
            self._file.write(encoded + b"\n")

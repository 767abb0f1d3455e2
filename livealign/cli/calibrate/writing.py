"""What all calibrations share: say what was found, show what would change, ask, write."""

import datetime as dt
import getpass
import json
import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from livealign.errors import PersonError

if TYPE_CHECKING:
    from livealign.config.rig import Rig
    from livealign.config.rig_edit import Change

__all__ = [
    "Finding",
    "Report",
    "RigFile",
    "Writing",
    "differing",
    "reading_options",
    "say",
    "wrapped",
    "writing_options",
]

_WIDTH = 80


@dataclass(frozen=True)
class Writing:
    """How the person wants the result written."""

    yes: bool
    dry_run: bool
    as_json: bool
    by: str | None
    valid_days: int
    note: str | None

    def who(self) -> str:
        """Return who calibrates.

        Raises:
            PersonError: if nobody can be named.
        """
        if self.by is not None:
            return self.by
        try:
            return getpass.getuser()[:60]
        except (OSError, KeyError, ImportError):
            raise PersonError(
                "the system does not tell who you are", advice="Name yourself: --by NAME"
            ) from None


def writing_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add the options of `Writing` to a command, which is given one as `writing`."""

    @click.option("--yes", "-y", is_flag=True, help="Write without asking.")
    @click.option("--dry-run", is_flag=True, help="Write nothing.")
    @click.option("--json", "as_json", is_flag=True, help="Print one JSON object; written only with --yes.")
    @click.option("--by", type=click.STRING, metavar="NAME", help="Who calibrates. [default: the user]")
    @click.option(
        "--valid-days",
        type=click.IntRange(1, 3650),
        default=365,
        show_default=True,
        help="How long it is to be trusted.",
    )
    @click.option("--note", metavar="TEXT", help="For the record, instead of what the program notes.")
    @wraps(command)
    def wrapped(
        *,
        yes: bool,
        dry_run: bool,
        as_json: bool,
        by: str | None,
        valid_days: int,
        note: str | None,
        **rest: Any,
    ) -> None:
        if yes and dry_run:
            raise click.UsageError("--yes and --dry-run exclude each other.")
        try:
            command(writing=Writing(yes, dry_run, as_json, by, valid_days, note), **rest)
        except KeyboardInterrupt:
            raise PersonError("stopped; nothing was written", exit_code=130) from None

    return wrapped


def reading_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add how long each stop is read, and whether for that somebody presses Enter."""
    seconds = click.option(
        "--seconds",
        type=click.FloatRange(0.2, 600),
        default=2.0,
        show_default=True,
        help="How long to read at each stop.",
    )
    every = click.option(
        "--every", type=click.FloatRange(0.1, 600), help="Read after so many seconds, without Enter."
    )
    return seconds(every(command))


def say(words: str) -> None:
    """Say something to the person while readings are taken; it stays out of the result."""
    click.echo(wrapped(words), err=True)


def differing(table: object, keys: dict[str, Any]) -> dict[str, Any]:
    """Return the keys whose values are not yet what the rig file says, or leaves to its defaults."""
    return {key: value for key, value in keys.items() if getattr(table, key) != value}


@dataclass(frozen=True)
class RigFile:
    """A rig file as it was when the calibration began."""

    path: Path
    text: str
    rig: "Rig"

    @classmethod
    def read(cls, path: Path) -> "RigFile":
        """Read and check it.

        Raises:
            ConfigErrors: with everything that is wrong.
        """
        from livealign.config.document import read_text
        from livealign.config.load import parse_rig

        text = read_text(path)
        return cls(path, text, parse_rig(text, str(path)))


@dataclass(frozen=True)
class Finding:
    """What was found of one detector or angle sensor."""

    title: str
    words: Sequence[str]
    values: dict[str, Any]
    """For JSON."""
    head: str
    detector: str | None
    """None: the angle sensor."""
    keys: dict[str, Any]
    """To be written into its table; None takes a key away."""
    what: Sequence[str]
    """Kinds of calibration for the log. Empty: nothing is to be written."""
    note: str


@dataclass(frozen=True)
class Report:
    """Tells what was found, and writes it."""

    file: RigFile
    findings: Sequence[Finding]
    writing: Writing

    def finish(self) -> None:
        """Say, show, ask, write.

        Raises:
            PersonError: if the file cannot be changed.
        """
        from livealign.config.rig_edit import changed, difference, replace_text

        if not self.writing.as_json:
            self._tell()
        changes = self._changes()
        after = changed(self.file.text, changes, str(self.file.path)) if changes else self.file.text
        lines = difference(self.file.text, after)
        if not self.writing.as_json:
            self._show(lines, after)
        written = bool(changes) and self._wanted()
        if written:
            replace_text(self.file.path, self.file.text, after)
        if self.writing.as_json:
            found = [{"title": f.title, **f.values, "words": list(f.words)} for f in self.findings]
            values = {"found": found, "changes": lines, "written": written}
            click.echo(json.dumps(values, ensure_ascii=False, allow_nan=False, indent=2))
        elif changes:
            click.echo(f"Written to {self.file.path}." if written else "Nothing was written.")

    def _tell(self) -> None:
        for finding in self.findings:
            click.secho(finding.title, bold=True)
            for line in finding.words:
                click.echo(wrapped(f"  {line}"))

    def _changes(self) -> list["Change"]:
        from livealign.config.rig import Calibration
        from livealign.config.rig_edit import Change

        today = dt.date.today()  # noqa: DTZ011 - the person's own calendar
        changes = []
        for f in self.findings:
            if not f.what:
                continue
            entries = [
                Calibration.model_validate(
                    {
                        "what": what,
                        "on": today,
                        "by": self.writing.who(),
                        "valid_days": self.writing.valid_days,
                        "note": (f.note if self.writing.note is None else self.writing.note)[:200],
                    }
                )
                for what in f.what
            ]
            changes.append(Change(f.head, f.detector, f.keys, entries))
        return changes

    def _show(self, lines: Sequence[str], after: str) -> None:
        if not lines:
            click.echo("There is nothing to change in the rig file.")
            return
        click.secho(f"Changes in {self.file.path}", bold=True)
        for line in lines:
            click.secho(f"  {line}", fg="red" if line.startswith("-") else "green")
        for doubt in self._new_doubts(after):
            click.secho(wrapped(f"  Doubt: {doubt}"), fg="magenta")

    def _new_doubts(self, after: str) -> list[str]:
        """Return what is doubtful in what was found, and was not before."""
        from livealign.config.doubts import doubts
        from livealign.config.load import parse_rig

        before = {str(d) for d in doubts(rig=self.file.rig)}
        return [
            f"{d.key}: {d.what}. {d.advice}"
            for d in doubts(rig=parse_rig(after, str(self.file.path)))
            if str(d) not in before
        ]

    def _wanted(self) -> bool:
        if self.writing.yes:
            return True
        if self.writing.dry_run or self.writing.as_json:
            return False
        try:
            return click.confirm("Write this into the rig file?", default=False)
        except click.Abort:
            # No terminal to answer at, or Ctrl-C.
            click.echo(err=True)
            return False


def wrapped(line: str) -> str:
    """Return a line folded to the width of a page, what follows indented under it."""
    start = " " * (len(line) - len(line.lstrip()))
    return textwrap.fill(
        line, _WIDTH, subsequent_indent=f"{start}  ", break_on_hyphens=False, break_long_words=False
    )
